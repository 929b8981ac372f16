"""The picture of `pingfix fuse`: poses, lines of bearing and the 95 % ellipse, seen from above."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from acoustics.base.frames import Floats
from acoustics.present.plot.pool_view import draw_plan, draw_region, region_key
from acoustics.present.plot.style import DEEP, EMBER, INK, STYLE, conclude
from acoustics.present.text.tables import number, share_text
from acoustics.scene.scene import Scene
from acoustics.study.fuse import FusedRun

_WIDTH = 8.0
_LEAST_SPAN_M = 2.0
_BEYOND_WALLS = 0.15  # of the pool's length and breadth
_ACCEPTED: dict[str, Any] = {"color": DEEP, "lw": 0.8}
_REJECTED: dict[str, Any] = {"color": EMBER, "lw": 1.4, "ls": (0, (5, 3))}


def fusion_plot(run: FusedRun, scene: Scene | None) -> Figure:
    """One plan with equal axes, y downwards as seen from above."""
    low, high = _limits(run, scene)
    span = high - low
    height = float(np.clip((_WIDTH - 0.9) * span[1] / span[0], 2.0, 9.0)) + 1.6
    with rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH, height), layout="constrained")
        axes = figure.subplots()
        axes.set(aspect="equal", xlabel="x [m]", ylabel="y [m]", xlim=(low[0], high[0]), ylim=(high[1], low[1]))
        if scene is not None:
            draw_plan(axes, scene)
        _bearings(axes, run, 2.0 * float(np.hypot(*span)))
        if np.isfinite(run.position_m).all():
            _position(axes, run)
        figure.legend(handles=_legend(run), loc="outside lower center", ncols=3)
        conclude(figure, _title(run))
        return figure


def _limits(run: FusedRun, scene: Scene | None) -> tuple[Floats, Floats]:
    """Everything that is drawn, with a margin; an ellipse far larger than the rest does not count."""
    places = [p.position_m[:2] for p in run.pings]
    if np.isfinite(run.position_m).all():
        places.append(run.position_m[:2])
    if scene is not None:
        places += [np.array(corner) for corner in scene.pool.outline_m or ()]
        places += [np.array(s.position_m[:2]) for s in scene.stations]
    low, high = np.min(places, axis=0), np.max(places, axis=0)
    if np.isfinite(run.semi_major_95_m):
        turn = np.deg2rad(run.azimuth_deg)
        half = np.hypot(
            run.semi_major_95_m * np.array([np.cos(turn), np.sin(turn)]),
            run.semi_minor_95_m * np.array([np.sin(turn), np.cos(turn)]),
        )
        # Beyond walls there is nothing to see but the end of the ellipse.
        closed = scene is not None and scene.pool.outline_m is not None
        most = _BEYOND_WALLS * (high - low) if closed else np.full(2, float(np.hypot(*(high - low))) + 1.0)
        low, high = (
            np.minimum(low, np.maximum(run.position_m[:2] - half, low - most)),
            np.maximum(high, np.minimum(run.position_m[:2] + half, high + most)),
        )
    margin = 0.04 * max(float(np.max(high - low)), _LEAST_SPAN_M)
    middle, half = 0.5 * (low + high), np.maximum(0.5 * (high - low), 0.5 * _LEAST_SPAN_M) + margin
    return middle - half, middle + half


def _bearings(axes: Axes, run: FusedRun, length_m: float) -> None:
    for ping in run.pings:
        x, y = ping.position_m[:2]
        if ping.site_bearing_deg is not None:
            angle = np.deg2rad(ping.site_bearing_deg)
            end = x + length_m * np.cos(angle), y + length_m * np.sin(angle)
            inliers = ping.status == "inlier"
            style: dict[str, Any] = _ACCEPTED if inliers else _REJECTED
            axes.plot([x, end[0]], [y, end[1]], zorder=3, **style)
        axes.plot(x, y, "o", ms=5, mfc="white", mec=INK, zorder=7)


def _position(axes: Axes, run: FusedRun) -> None:
    for mode in run.modes[1:]:
        draw_region(axes, mode.position_m, mode.semi_major_95_m, mode.semi_minor_95_m, mode.azimuth_deg)
        x, y = mode.position_m[:2]
        axes.annotate(share_text(mode.weight), (x, y), xytext=(9, 9), textcoords="offset points", zorder=9)
    draw_region(axes, run.position_m, run.semi_major_95_m, run.semi_minor_95_m, run.azimuth_deg)
    if run.line is None:
        axes.plot(*run.position_m[:2], "+", ms=11, mew=2, color=INK, zorder=9)


def _legend(run: FusedRun) -> list[Line2D]:
    entries = [
        Line2D([], [], marker="o", ls="none", mfc="white", mec=INK, label="pose"),
        Line2D([], [], **_ACCEPTED, label=f"bearing, inliers ({run.inliers})"),
    ]
    if run.outliers:
        entries.append(Line2D([], [], **_REJECTED, label=f"bearing, outliers ({run.outliers})"))
    if np.isfinite(run.position_m).all():
        if run.line is None:
            entries.append(Line2D([], [], marker="+", ls="none", ms=11, mew=2, color=INK, label="position"))
        entries.append(region_key("95 % ellipse (predicted)"))
    if run.stations:
        entries.append(Line2D([], [], marker="s", ls="none", mfc="white", mec=INK, label="station"))
    return entries


def _title(run: FusedRun) -> str:
    station = f"; station {run.decision}, {share_text(max(run.probabilities))}" if run.stations else ""
    if run.line is not None:
        bearing, width, nearest = run.line.bearing_deg, number(run.line.half_width_deg), number(run.line.nearest_m)
        return (
            f"{run.pinger}: the range is not observed. It lies {bearing:.0f} deg of the site, {width} deg to each "
            f"side, at least {nearest} m away{station}"
        )
    if not run.ok:
        return f"{run.pinger}: no position to go by, as {run.reason}"
    x, y = run.position_m[:2]
    size = f"95 % ellipse {number(run.semi_major_95_m)} by {number(run.semi_minor_95_m)} m (semi-axes)"
    return f"{run.pinger} at x {x:.2f}, y {y:.2f} m; {size}{station}"
