"""The pool drawn to scale from above and from the side, with what stands in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Polygon

from acoustics.base.frames import Floats
from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, SAND, STYLE, conclude
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

LABEL: dict[str, Any] = {
    "textcoords": "offset points",
    "fontsize": 8,
    "zorder": 10,
    "bbox": {"fc": "white", "ec": "none", "alpha": 0.8, "pad": 1},
}
_MARGIN = 0.03  # of the longer side, round the pool
_LETTER = 0.013  # of the plan's width, that a letter of a name takes


def draw_plan(
    axes: Axes,
    scene: Scene,
    *,
    stations: bool = True,
    pingers: Sequence[Pinger] = (),
    vehicle: bool = False,
    heading: bool = True,
) -> None:
    """Outline of the water, keep-out zones, and what is asked for, from above; the vehicle with its heading or without.

    The axes are framed by `frame_plan`, so that whatever else is drawn in them keeps to the same look.
    """
    if scene.pool.outline_m is not None:
        axes.add_patch(Polygon(scene.pool.outline_m, closed=True, fill=False, ec=INK, lw=1.6, zorder=2.5))
    for zone in scene.keep_outs:
        axes.add_patch(Polygon(zone.outline_m, closed=True, fc="none", ec=INK, lw=1.0, hatch="xxx", zorder=3))
        axes.annotate(zone.name, zone.corners_m.mean(axis=0), xytext=(0, 0), ha="center", va="center", **LABEL)
    low, high = site_limits(scene)
    for station in scene.stations if stations else ():
        axes.plot(*station.position_m[:2], "s", ms=6, mfc="white", mec=INK, mew=1.2, zorder=9)
        # A name that would leave the plan stands on the other side, under that of a pinger there.
        leaves = (station.position_m[0] - low[0]) / (high[0] - low[0]) + _LETTER * len(station.name) > 1.0
        side: dict[str, Any] = {"xytext": (-7, -14), "ha": "right"} if leaves else {"xytext": (7, 7)}
        axes.annotate(station.name, station.position_m[:2], **side, **LABEL)
    for source in pingers:
        axes.plot(*source.position_m[:2], "*", ms=14, mfc=EMBER, mec=INK, zorder=9)
        axes.annotate(source.name, source.position_m[:2], xytext=(-10, -4), ha="right", **LABEL)
    if vehicle:
        _draw_vehicle(axes, scene, heading)


def _draw_vehicle(axes: Axes, scene: Scene, heading: bool) -> None:
    x, y, _ = scene.vehicle.position_m
    if heading:
        low, high = site_limits(scene)
        angle, reach = np.deg2rad(scene.vehicle.heading_deg), 0.05 * float(np.max(high - low))
        axes.annotate(
            "",
            (x + reach * np.cos(angle), y + reach * np.sin(angle)),
            (x, y),
            arrowprops={"arrowstyle": "-|>", "color": EMBER, "lw": 2, "mutation_scale": 16, "zorder": 9},
        )
    axes.plot(x, y, "o", ms=5, mfc="white", mec=INK, zorder=9)
    # Heading to the right of x the arrow points down: the name keeps out of its way.
    above = heading and np.sin(np.deg2rad(scene.vehicle.heading_deg)) > 0
    axes.annotate(scene.vehicle.name, (x, y), xytext=(-4, 8 if above else -14), **LABEL)


def frame_plan(axes: Axes, low: Floats, high: Floats) -> None:
    """Equal axes over x and y from `low` to `high` [m] with a margin; y runs downwards, to the right of x."""
    margin = _MARGIN * float(np.max(high - low))
    axes.set(
        aspect="equal",
        xlabel="x along the pool [m]",
        ylabel="y [m]",
        xlim=(low[0] - margin, high[0] + margin),
        ylim=(high[1] + margin, low[1] - margin),
    )


def site_limits(scene: Scene) -> tuple[Floats, Floats]:
    """Lowest and highest x and y [m] of what a plan must show."""
    if scene.pool.outline_m is not None:
        points = np.array(scene.pool.outline_m)
    elif scene.study.map_extent_m is not None:
        points = np.array(scene.study.map_extent_m).reshape(2, 2)
    else:
        points = _things_m(scene)[:, :2]
        points = np.vstack([points.min(axis=0) - 2.0, points.max(axis=0) + 2.0])
    return points.min(axis=0), points.max(axis=0)


def draw_region(axes: Axes, centre_m: Floats, semi_major_m: float, semi_minor_m: float, azimuth_deg: float) -> None:
    """The 95 % ellipse of a position, seen from above."""
    size = 2 * semi_major_m, 2 * semi_minor_m
    axes.add_patch(
        Ellipse(tuple(centre_m[:2]), *size, angle=azimuth_deg, fc=MOSS, ec=INK, lw=1.2, alpha=0.45, zorder=4)
    )


def region_key(label: str) -> Line2D:
    """What stands for `draw_region` in a legend."""
    return Line2D([], [], marker="o", ls="none", ms=11, mfc=MOSS, mec=INK, alpha=0.6, label=label)


def site_views(scene: Scene) -> Figure:
    """Plan above, side view below, on one axis of x and both to scale where the depth can then be read."""
    low, high = site_limits(scene)
    width, breadth = high - low
    deepest = _deepest(scene, low, high)
    # A shallow site would be a line to scale: its depth is stretched, and the axis says so.
    stretch = max(1.0, float(np.ceil(0.12 * width / deepest)))
    with rc_context(STYLE):
        plan_inches = float(np.clip(7.0 * breadth / width, 1.5, 8.0))
        side_inches = float(np.clip(7.0 * stretch * deepest / width, 1.1, 4.0))
        # High enough for titles: then both views are as wide as the page lets them be, one x under the other.
        figure = Figure(figsize=(8.0, plan_inches + side_inches + 2.2), layout="constrained")
        plan, side = figure.subplots(2, 1, sharex=True, height_ratios=[plan_inches, side_inches])
        frame_plan(plan, low, high)
        draw_plan(plan, scene, pingers=scene.pingers, vehicle=True)
        plan.set(title="From above", xlabel="")
        _draw_side(side, scene, deepest, stretch)
        conclude(figure, _in_words(scene))
        return figure


def _in_words(scene: Scene) -> str:
    """How far and how deep what is to be found lies from the vehicle."""
    own = np.array(scene.vehicle.position_m)
    far = [
        f"{pinger.name} {np.linalg.norm(pinger.position_m - own):.1f} m off, {pinger.position_m[2]:.1f} m deep"
        for pinger in scene.pingers
    ]
    return f"{scene.title}: from {scene.vehicle.name}, {own[2]:.1f} m deep, " + "; ".join(far) + "."


def _deepest(scene: Scene, low: Floats, high: Floats) -> float:
    corners = np.array([[x, y, 0.0] for x in (low[0], high[0]) for y in (low[1], high[1])])
    floor = np.asarray(scene.pool.floor_depth_m(corners))
    return float(max([*floor[np.isfinite(floor)], 1.2 * _things_m(scene)[:, 2].max(), 0.5]))


def _things_m(scene: Scene) -> Floats:
    """Places of stations, pingers and vehicle, shape (n, 3) [m]."""
    places = [s.position_m for s in scene.stations] + [p.position_m for p in scene.pingers]
    return np.array([*places, scene.vehicle.position_m])


def _draw_side(axes: Axes, scene: Scene, deepest: float, stretch: float) -> None:
    low, high = site_limits(scene)
    x = np.linspace(low[0], high[0], 60)
    middle = float(low[1] + high[1]) / 2
    floor = np.asarray(scene.pool.floor_depth_m(np.column_stack([x, np.full_like(x, middle), 0 * x])))
    bottom = 1.12 * deepest
    if np.isfinite(floor).all():
        axes.fill_between(x, floor, bottom, color=SAND, alpha=0.6, lw=0)
        axes.plot(x, floor, color=INK, lw=1.6)
    axes.plot([low[0], high[0]], [0, 0], color=DEEP, lw=1.6)
    for station in scene.stations:
        axes.plot(station.position_m[0], station.position_m[2], "s", ms=6, mfc="white", mec=INK, mew=1.2, zorder=9)
    for source in scene.pingers:
        axes.plot(source.position_m[0], source.position_m[2], "*", ms=14, mfc=EMBER, mec=INK, zorder=9)
    axes.plot(scene.vehicle.position_m[0], scene.vehicle.position_m[2], "o", ms=5, mfc="white", mec=INK, zorder=9)
    scale = "to scale" if stretch == 1 else f"depth stretched {stretch:g} times"
    axes.set(
        title=f"From the side, floor along the middle, {scale}",
        xlabel="x along the pool [m]",
        ylabel="depth [m]",
        ylim=(bottom, -0.08 * deepest),
        aspect=stretch,
    )
