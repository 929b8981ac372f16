"""The picture of `pingfix map`: the pool from above, with error contours in degrees and metres."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import colormaps, rc_context
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import AbstractPathEffect, withStroke

from acoustics.errors import ParameterError
from acoustics.geometry import Floats
from acoustics.present.map_text import place_text
from acoustics.present.style import EMBER, INK, SAND, STYLE
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.pool_map import PoolMap

_SHARES = [1.0, 5.0, 20.0, 50.0]  # contours of a share, in per cent


def map_plot(result: PoolMap, scene: Scene, pinger: Pinger) -> Figure:
    """One panel for each quantity, in the site frame with equal axes; hatched: over half of the pings give no fix."""
    if min(result.position_m.shape) < 2:
        raise ParameterError("the grid has fewer than two cells along a side; draw it with a smaller --step-m")
    panels: list[tuple[str, str, Floats, list[float] | None]] = [
        ("Bearing error, bound (heading error included)", "standard deviation [deg]", result.bearing_deg, None),
        ("Horizontal position error of one ping, bound", "RMS [m]", result.position_m, None),
    ]
    # What is added to the map later, such as the station's choice or the echoes' bias, is one more line here.
    if result.trials:
        title = f"The same, simulated ({result.trials} pings a cell; hatched: over half no fix)"
        panels.append((title, "RMS of the fixes given [m]", result.simulated_m, None))
        if np.isfinite(result.failed).any():
            title = "Pings that fail: no fix, or a wrong cycle"
            panels.append((title, "share of the pings [%]", 100 * result.failed, _SHARES))
    rows, columns = _layout(len(panels), result)
    size = (
        (6.6 * columns, 0.7 + rows * _height(result, 6.6)) if columns > 1 else (8.0, 0.8 + rows * _height(result, 8.0))
    )
    with rc_context(STYLE | {"hatch.color": SAND, "hatch.linewidth": 0.8}):
        figure = Figure(figsize=size, layout="constrained")
        all_axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
        for axes, (title, unit, values, levels) in zip(all_axes.flat, panels, strict=False):
            _panel(axes, result, values, title, unit, levels)
            _scenery(axes, scene, pinger, result)
        for axes in all_axes[-1]:
            axes.set_xlabel("x along the pool [m]")
        for axes in all_axes[:, 0]:
            axes.set_ylabel("y [m]")
        for axes in all_axes.flat[len(panels) :]:
            axes.remove()
        if result.trials:
            _hatch_refused(all_axes.flat[2], result)
        figure.suptitle(
            f"{result.title}: {result.array}, {place_text(result)}",
            x=0.01,
            ha="left",
            fontweight="bold",
        )
        return figure


def _layout(panels: int, result: PoolMap) -> tuple[int, int]:
    """Rows and columns: stacked while two, else two by two, so that each stays large enough to read."""
    long = np.ptp(result.x_m) > 4 * np.ptp(result.y_m)
    return (panels, 1) if panels < 3 or long else ((panels + 1) // 2, 2)


def _height(result: PoolMap, width: float) -> float:
    """Inches for a panel of that width, with equal axes; the bar and the labels take a fifth of the width."""
    shape = np.ptp(result.y_m) / np.ptp(result.x_m)
    return float(np.clip(0.78 * width * shape, 1.6, 1.2 * width)) + 0.55


def _panel(axes: Axes, result: PoolMap, values: Floats, title: str, unit: str, levels: list[float] | None) -> None:
    shown = np.ma.masked_invalid(values)
    if shown.count() == 0:
        axes.text(0.5, 0.5, "not observable from anywhere", transform=axes.transAxes, ha="center")
        axes.set(title=title, aspect="equal")
        return
    levels = levels or _levels(shown.compressed())
    # One step of colour from each contour to the next, whatever the values: errors run over decades.
    norm = BoundaryNorm(levels, colormaps["cividis_r"].N, extend="both")
    filled = axes.contourf(result.x_m, result.y_m, shown, levels=levels, cmap="cividis_r", norm=norm, extend="both")
    lines = axes.contour(result.x_m, result.y_m, shown, levels=levels, colors=INK, linewidths=0.7)
    halo: list[AbstractPathEffect] = [withStroke(linewidth=2.5, foreground="white")]
    for text in axes.clabel(lines, fontsize=8, fmt="%g", inline_spacing=3):
        text.set_path_effects(halo)
    bar = axes.figure.colorbar(filled, ax=axes, shrink=0.85, pad=0.02)
    bar.set_label(unit)
    bar.set_ticks(levels, labels=[f"{v:g}" for v in levels])
    axes.set(title=title, aspect="equal")
    if not axes.yaxis_inverted():
        axes.invert_yaxis()  # y runs to the right of x: seen from above with x to the right, downwards


def _levels(values: Floats) -> list[float]:
    """Round contour values, 1-2-5, that span the central nine tenths of what there is."""
    if values.size == 0:
        return [1.0, 2.0]
    low, high = np.quantile(values, [0.02, 0.95])
    steps = [m * 10.0**e for e in range(-4, 6) for m in (1, 1.5, 2, 3, 5, 7)]
    inside = [s for s in steps if low <= s <= high]
    if len(inside) < 2:
        below = max(k for k, step in enumerate(steps) if step <= max(low, steps[0]))
        return steps[min(below, len(steps) - 2) :][:2]
    return inside if len(inside) <= 6 else inside[:: len(inside) // 6 + 1]


def _scenery(axes: Axes, scene: Scene, pinger: Pinger, result: PoolMap) -> None:
    """The outline and the stations; of vehicle and pinger the one that stays where it is."""
    if scene.pool.outline_m is not None:
        axes.add_patch(Polygon(scene.pool.outline_m, closed=True, fill=False, ec=INK, lw=1.6))
        low, high = np.min(scene.pool.outline_m, axis=0), np.max(scene.pool.outline_m, axis=0)
        axes.set(xlim=(low[0] - 0.3, high[0] + 0.3), ylim=(high[1] + 0.3, low[1] - 0.3))
    label: dict[str, Any] = {
        "textcoords": "offset points",
        "fontsize": 8,
        "zorder": 10,
        "bbox": {"fc": "white", "ec": "none", "alpha": 0.8, "pad": 1},
    }
    for station in scene.stations:
        axes.plot(*station.position_m[:2], "s", ms=6, mfc="white", mec=INK, mew=1.2, zorder=9)
        axes.annotate(station.name, station.position_m[:2], xytext=(7, 7), **label)
    if result.over == "vehicle":
        axes.plot(*pinger.position_m[:2], "*", ms=14, mfc=EMBER, mec=INK, zorder=9)
        axes.annotate(pinger.name, pinger.position_m[:2], xytext=(-10, -4), ha="right", **label)
        return
    x, y, _ = scene.vehicle.position_m
    if result.heading_deg is not None:
        heading, reach = np.deg2rad(result.heading_deg), 0.06 * float(np.ptp(result.x_m))
        axes.annotate(
            "",
            (x + reach * np.cos(heading), y + reach * np.sin(heading)),
            (x, y),
            arrowprops={"arrowstyle": "-|>", "color": EMBER, "lw": 2, "mutation_scale": 16, "zorder": 9},
        )
    axes.plot(x, y, "o", ms=5, mfc="white", mec=INK, zorder=9)
    axes.annotate(scene.vehicle.name, (x, y), xytext=(-4, -14), **label)


def _hatch_refused(axes: Axes, result: PoolMap) -> None:
    refused = np.where(np.isfinite(result.refused), result.refused, 0.0)
    if np.any(refused > 0.5):
        axes.contourf(result.x_m, result.y_m, refused, levels=[0.5, 1.1], colors="none", hatches=["///"], zorder=3)
