"""The picture of `pingfix waypoints`: the waypoints from above, the way through them, and the ellipses before and
after."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse as EllipsePatch
from matplotlib.patches import Patch

from acoustics.present.plot.pool_view import draw_plan, frame_plan, site_limits
from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, SAND, STYLE, conclude
from acoustics.scene.scene import Scene
from acoustics.study.waypoints import Ellipse, WaypointsStudy

_WIDTH = 8.0


def waypoints_plot(result: WaypointsStudy, scene: Scene) -> Figure:
    """One plan with equal axes; the ellipses are drawn about the middle of where the pinger may be."""
    low, high = site_limits(scene)
    span = high - low
    plan_inches = float(np.clip((_WIDTH - 0.9) * span[1] / span[0], 2.0, 9.0))
    with rc_context(STYLE | {"hatch.color": INK, "hatch.linewidth": 0.6}):
        figure = Figure(figsize=(_WIDTH, plan_inches + 2.1), layout="constrained")
        axes = figure.subplots()
        frame_plan(axes, low, high)
        from_stations = result.prior.kind == "stations"
        draw_plan(axes, scene, stations=from_stations)
        if not from_stations:
            axes.plot(*result.prior.places_m[:, :2].T, "s", ms=4, mfc="white", mec=INK, mew=0.8, ls="none", zorder=6)
        _ellipses(axes, result)
        _runs(axes, result, 0.05 * float(span.max()))
        figure.legend(handles=_legend(result, scene), loc="outside lower center", ncols=3)
        conclude(figure, _title(result))
        return figure


def _title(result: WaypointsStudy) -> str:
    last = result.proposed.waypoints[-1]
    name = "RMS" if result.criterion == "rms" else "size"
    return (
        f"{result.title}: {len(result.proposed.waypoints)} waypoints in {last.leaves_s:.0f} s bring the horizontal "
        f"position from {result.prior_size_m:.2g} m to {last.size_m:.2g} m ({name}, predicted)."
    )


def _ellipses(axes: Axes, result: WaypointsStudy) -> None:
    x, y = result.prior.centre_m[:2].tolist()
    after = result.proposed.waypoints[-1].ellipse
    looks: tuple[tuple[Ellipse, dict[str, Any]], ...] = (
        (result.prior_ellipse, {"ec": SAND, "ls": "--", "lw": 1.6, "fc": "none"}),
        (after, {"ec": EMBER, "lw": 2.0, "fc": "none"}),
    )
    for ellipse, look in looks:
        size = 2 * ellipse.half_length_m, 2 * ellipse.half_width_m
        axes.add_patch(EllipsePatch((x, y), *size, angle=ellipse.bearing_deg, zorder=4, **look))


def _runs(axes: Axes, result: WaypointsStudy, arrow_m: float) -> None:
    if result.straight is not None:
        axes.plot(*result.straight.way_m.T, ":", color=MOSS, lw=2.0, zorder=3)
        stops = np.array([waypoint.position_m[:2] for waypoint in result.straight.waypoints])
        axes.plot(*stops.T, "D", ms=6, mfc=MOSS, mec=INK, mew=0.8, ls="none", zorder=5)
    axes.plot(*result.proposed.way_m.T, "-", color=DEEP, lw=2.0, zorder=5)
    if not _begins_at_start(result):
        axes.plot(*result.start_m[:2], "^", ms=9, mfc="white", mec=INK, mew=1.4, zorder=7)
    for k, waypoint in enumerate(result.proposed.waypoints, 1):
        x, y = waypoint.position_m[:2].tolist()
        heading = np.deg2rad(waypoint.heading_deg)
        bow = x + arrow_m * float(np.cos(heading)), y + arrow_m * float(np.sin(heading))
        axes.annotate(
            "", bow, (x, y), arrowprops={"arrowstyle": "-|>", "color": EMBER, "lw": 2.2, "shrinkA": 8}, zorder=8
        )
        axes.plot(x, y, "o", ms=14, mfc=DEEP, mec="white", mew=1.2, zorder=9)
        axes.annotate(str(k), (x, y), color="white", ha="center", va="center", fontsize=9, fontweight="bold", zorder=10)


def _begins_at_start(result: WaypointsStudy) -> bool:
    """Whether the first waypoint, which would hide it, is the start."""
    return bool(np.allclose(result.proposed.waypoints[0].position_m[:2], result.start_m[:2]))


def _legend(result: WaypointsStudy, scene: Scene) -> list[Line2D | Patch]:
    station = result.prior.kind == "stations"
    from_start = ", from the start" if _begins_at_start(result) else ""
    handles: list[Line2D | Patch] = [
        Line2D(
            [], [], color=DEEP, lw=2, marker="o", ms=10, mec="white", label=f"proposed waypoints, in order{from_start}"
        ),
        Line2D([], [], color=EMBER, lw=2.2, label="heading to hold"),
        Line2D(
            [],
            [],
            marker="s",
            ms=6,
            mfc="white",
            mec=INK,
            ls="none",
            label="station" if station else "pinger may be here",
        ),
        Patch(fc="none", ec=SAND, ls="--", lw=1.6, label="95 % ellipse before"),
        Patch(fc="none", ec=EMBER, lw=2, label="95 % ellipse after (predicted)"),
    ]
    if result.straight is not None:
        handles.append(Line2D([], [], color=MOSS, lw=2, ls=":", marker="D", mec=INK, label="best straight run"))
    if scene.keep_outs:
        handles.append(Patch(fc="white", ec=INK, hatch="xxx", label="keep-out zone"))
    return handles
