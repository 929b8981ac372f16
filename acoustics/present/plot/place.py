"""The picture of `pingfix place`: the array on the vehicle in three views, and its bearing error by bearing."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon
from scipy.spatial import ConvexHull

from acoustics.base.frames import Floats
from acoustics.present.plot.style import DEEP, EMBER, INK, SAND, STYLE, conclude
from acoustics.present.text.place import placement_headline
from acoustics.scene.mounting import BoxBody, BoxRegion, CylinderBody, HullPatch, KeepOutBox, Mounting
from acoustics.scene.scene import Scene
from acoustics.study.place import Placement, corner_shares

# Axes of the body frame to the right and downwards in each view.
_VIEWS = {"plan": (0, 1), "front": (1, 2), "side": (0, 2)}
_TITLES = {"plan": "Plan, from above", "side": "Side, from starboard", "front": "From astern"}
_AXES = ("x forward [mm]", "y starboard [mm]", "z down [mm]")
_OF = {
    "bearing": ("Bearing error with the right cycle (prediction)", "bearing error [deg]"),
    "position": ("Horizontal position error with the right cycle (prediction)", "position error [m]"),
}
_TOO_NEAR = 0.04  # of the longer side of a view: there labels would overlap, so that one names all
_A_ROW = 0.3  # of the longer span: what is lower stands in a row
_ROUND = 24  # corners that stand for a circle
_REGION: dict[str, Any] = {"fc": DEEP, "alpha": 0.12, "ec": "none"}
_KEEP_OUT: dict[str, Any] = {"fc": "none", "ec": EMBER, "hatch": "xx", "lw": 1.0}
_BODY: dict[str, Any] = {"fc": SAND, "ec": INK, "lw": 0.8, "hatch": "///"}


def place_plot(result: Placement, scene: Scene) -> Figure:
    """Plan, front and side with regions, keep-outs, bodies and hydrophones; below them the error by bearing."""
    mounting = scene.mounting.on(scene.vehicle)
    points = np.concatenate([result.hydrophones_m, *(corners for corners, _ in _solids(mounting))])
    length, width, height = np.maximum(np.ptp(points, axis=0), 1e-3)
    with rc_context(STYLE | {"hatch.linewidth": 0.6}):
        figure = Figure(figsize=(9.0, 10.0), layout="constrained")
        panels = figure.subplot_mosaic(
            [["plan", "front"], ["side", "key"], ["error", "error"]],
            width_ratios=[length, np.clip(width, 0.7 * length, 1.5 * length)],
            height_ratios=[*np.clip([width, height], 0.4 * length, length), 0.5 * length],
        )
        for view, (right, down) in _VIEWS.items():
            _view(panels[view], view, right, down, result, mounting)
        _key(panels["key"], mounting)
        _errors(panels["error"], result)
        conclude(figure, placement_headline(result))
        return figure


def _solids(mounting: Mounting) -> list[tuple[Floats, dict[str, Any]]]:
    """Corners, shape (n, 3) [m], and look of everything to draw."""
    regions = [(_corners(region), _REGION) for region in mounting.regions]
    bodies = [(_corners(body), _BODY) for body in mounting.shadows]
    return [*regions, *bodies, *((_corners(box), _KEEP_OUT) for box in mounting.keep_outs)]


def _corners(solid: BoxRegion | HullPatch | KeepOutBox | BoxBody | CylinderBody) -> Floats:
    if isinstance(solid, HullPatch):
        shares = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
        return solid.corner + shares @ solid.edges
    if isinstance(solid, CylinderBody):
        ends = np.array([solid.from_m, solid.to_m])
        _, _, axes = np.linalg.svd(ends[1:] - ends[:1], full_matrices=True)
        angle = np.linspace(0, 2 * np.pi, _ROUND, endpoint=False)[:, None]
        rim = solid.radius_m * (np.cos(angle) * axes[1] + np.sin(angle) * axes[2])
        return np.asarray((ends[:, None] + rim).reshape(-1, 3))
    low, high = np.array(solid.low_m), np.array(solid.high_m)
    return low + corner_shares(3) * (high - low)


def _view(axes: Axes, view: str, right: int, down: int, result: Placement, mounting: Mounting) -> None:
    axes.set_title(_TITLES[view])
    for corners, look in _solids(mounting):
        axes.add_patch(Polygon(1e3 * _outline(corners[:, [right, down]]), **look))
    places = 1e3 * result.hydrophones_m[:, [right, down]]
    axes.plot(*places.T, "o", ms=8, color=DEEP, mec="white", mew=1, zorder=5)
    seen = np.concatenate([places, *(1e3 * corners[:, [right, down]] for corners, _ in _solids(mounting))])
    spots, names = _together(places, _TOO_NEAR * float(np.ptp(seen, axis=0).max()))
    for spot, those, (across, up) in zip(spots, names, _label_sides(spots), strict=True):
        axes.annotate(
            ", ".join(those),
            spot,
            xytext=(6 * across, 8 * up),
            textcoords="offset points",
            ha=("right", "center", "left")[1 + across],
            va="bottom" if up > 0 else "top",
            fontsize=9,
            zorder=6,
            bbox={"fc": "white", "ec": "none", "alpha": 0.75, "pad": 0.5},
        )
    spans = np.ptp(places, axis=0)
    axes.set(
        xlabel=f"{_AXES[right]}\narray spans {spans[0]:.0f} mm",
        ylabel=f"{_AXES[down]}\narray spans {spans[1]:.0f} mm",
    )
    axes.autoscale_view()
    axes.margins(0.08, 0.2)
    axes.set_aspect("equal", adjustable="box", anchor="NW")
    axes.invert_yaxis()


def _together(places: Floats, reach: float) -> tuple[Floats, list[list[str]]]:
    """Places (n, 2) far enough apart for a label each, from left to right, and the names of those about each."""
    spots: list[Floats] = []
    names: list[list[str]] = []
    for k in np.lexsort(places.T[::-1]):
        near = [i for i, spot in enumerate(spots) if np.abs(places[k] - spot).max() < reach]
        if near:
            names[near[0]].append(f"h{k + 1}")
        else:
            spots.append(places[k])
            names.append([f"h{k + 1}"])
    return np.array(spots), [sorted(those, key=lambda name: int(name[1:])) for those in names]


def _label_sides(spots: Floats) -> list[tuple[int, int]]:
    """For each place (n, 2) whether its label stands to the left, above or to the right, and above or below.

    Away from the middle of the array; in a row, where that is no help, neighbours take turns in height.
    """
    if np.ptp(spots, axis=0).min() < _A_ROW * np.ptp(spots, axis=0).max():
        return [(0, 1 if turn % 2 else -1) for turn in range(len(spots))]
    return [(1 if right > 0 else -1, -1 if down > 0 else 1) for right, down in spots - spots.mean(axis=0)]


def _outline(points: Floats) -> Floats:
    """Convex outline of points of shape (n, 2); those of a surface seen from its edge as they are."""
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return points if spread[-1] <= 1e-9 * max(spread[0], 1e-9) else points[ConvexHull(points).vertices]


def _key(axes: Axes, mounting: Mounting) -> None:
    axes.set_axis_off()
    handles: list[Patch | Line2D] = [
        Line2D([], [], ls="", marker="o", ms=8, color=DEEP, mec="white", label="hydrophone"),
        Patch(**_REGION, label="mounting region"),
    ]
    if mounting.keep_outs:
        handles.append(Patch(**_KEEP_OUT, label="keep-out"))
    if mounting.shadows:
        handles.append(Patch(**_BODY, label="body that shadows"))
    axes.legend(handles=handles, loc="center left")


def _errors(axes: Axes, result: Placement) -> None:
    bearing = np.where(result.bearing_deg > 180, result.bearing_deg - 360, result.bearing_deg)
    order, name = np.argsort(bearing), "error_deg" if result.of == "bearing" else "position_error_m"
    found = getattr(result.found_by_bearing, name)
    axes.plot(bearing[order], found[order], "o-", color=DEEP, lw=2.2, ms=4)
    curves = [(found, "array found", DEEP)]
    other = result.best_shipped or result.best_scaled
    if other is not None and result.shipped_by_bearing is not None:
        shipped = getattr(result.shipped_by_bearing, name)
        axes.plot(bearing[order], shipped[order], "s--", color=EMBER, lw=1.6, ms=4)
        scaled = "" if other.scale == 1.0 else f", {other.scale:.2g} times its size"
        curves.append((shipped, f"best shipped: {other.name}{scaled}", EMBER))
    values = np.concatenate([curve for curve, _, _ in curves])
    axes.set_yscale("log")
    axes.set_ylim(0.5 * values.min(), 3.0 * values.max())
    for curve, label, colour in curves:
        top = curve[order][: max(len(order) // 3, 1)].max()
        axes.annotate(
            label, (bearing[order][0], top), xytext=(0, 6), textcoords="offset points", color=colour, fontweight="bold"
        )
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.yaxis.set_minor_formatter(lambda value, _: f"{value:g}" if f"{value:e}"[0] in "25" else "")
    axes.grid(axis="y", which="both", color=SAND, lw=0.4, alpha=0.6)
    axes.set(
        title=_OF[result.of][0],
        xlabel="bearing from the bow, clockwise [deg]",
        ylabel=_OF[result.of][1],
    )
    axes.set_xlim(bearing.min() - 4, bearing.max() + 4)
    if np.ptp(bearing) > 180:
        axes.set_xticks(np.arange(-180, 181, 45))
