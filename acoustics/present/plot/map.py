"""The picture of `pingfix map`: the pool from above, with contours of errors, of shares and of the multipath-free
window."""

from __future__ import annotations

import numpy as np
from matplotlib import colormaps, rc_context
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, withStroke

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.present.plot.pool_view import LABEL, draw_plan, frame_plan
from acoustics.present.plot.style import EMBER, INK, SAND, STYLE, conclude
from acoustics.present.text.map import map_headline
from acoustics.present.text.tables import number
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.map import EchoPlace, PoolMap

_SHARES = [1.0, 5.0, 20.0, 50.0]  # contours of a share, in per cent
_CHOICES = [5.0, 20.0, 50.0, 80.0]
_ENOUGH_PINGS = 20  # simulated, for a share of them to be worth contours
_LEAST_WINDOW_MS = 0.01  # less is none, where the pinger is hidden
_MANY_PLACES = 16  # of echoes, from which on their figures would cover each other


@record
class _Panel:
    """One quantity; what is light in shade is good."""

    title: str
    unit: str
    values: Floats
    levels: list[float] | None = None
    more_is_better: bool = False
    hatched: bool = False
    echoes: tuple[EchoPlace, ...] = ()


def map_plot(result: PoolMap, scene: Scene, pinger: Pinger) -> Figure:
    """One panel for each quantity, in the site frame with equal axes; hatched: over half of the pings give no fix."""
    if min(result.position_m.shape) < 2:
        raise ParameterError("the grid has fewer than two cells along a side; draw it with a smaller --step-m")
    panels = _panels(result)
    rows, columns = _layout(len(panels), result)
    width = 6.6 if columns > 1 else 8.0
    size = (width * columns, 0.75 + rows * _height(result, width))
    vehicle_moves = result.over == "vehicle"
    fixed = np.array(pinger.position_m if vehicle_moves else scene.vehicle.position_m)[:2]
    with rc_context(STYLE | {"hatch.color": SAND, "hatch.linewidth": 0.8}):
        figure = Figure(figsize=size, layout="constrained")
        all_axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
        for axes, panel in zip(all_axes.flat, panels, strict=False):
            _draw(axes, result, panel)
            # Of vehicle and pinger the one that stays where it is.
            draw_plan(
                axes,
                scene,
                stations=not panel.echoes,  # whose names would lie under the figures
                pingers=(pinger,) if vehicle_moves else (),
                vehicle=not vehicle_moves,
                heading=result.heading_deg is not None,
            )
            frame_plan(axes, *_limits(result, scene))
            for place in panel.echoes:
                _mark_echoes(axes, place, written=len(panel.echoes) < _MANY_PLACES, keep_clear_m=fixed)
        for k, axes in enumerate(all_axes.flat):
            if k >= len(panels):
                axes.remove()
            elif k + columns < len(panels):
                axes.set_xlabel("")
            else:
                axes.tick_params(labelbottom=True)
            if k % columns:
                axes.set_ylabel("")
        conclude(figure, map_headline(result))
        return figure


def _panels(result: PoolMap) -> list[_Panel]:
    panels = [
        _Panel("Bearing error, bound (heading error included)", "standard deviation [deg]", result.bearing_deg),
        _Panel("Horizontal position error of one ping, bound (white: none)", "RMS [m]", result.position_m),
    ]
    if result.trials:
        title = f"Own estimator, simulated ({result.trials} pings a cell; hatched: over half no fix)"
        panels.append(_Panel(title, "RMS of the fixes given [m]", result.simulated_m, hatched=True))
        if np.isfinite(result.failed).any():
            title = "Pings that fail: no fix, or a wrong cycle"
            panels.append(_Panel(title, "share of the pings [%]", 100 * result.failed, _SHARES))
    if result.stations is not None:
        simulated = result.stations.simulated if result.stations.pings >= _ENOUGH_PINGS else None
        how = "predicted" if simulated is None else f"simulated, {result.stations.pings} pings a cell"
        right = (simulated or result.stations.predicted).right
        title = f"One ping does not tell the right station ({how})"
        panels.append(_Panel(title, "share of the pings [%]", 100 * (1 - right), _CHOICES))
    title = "Multipath-free window before the first strong echo"
    if result.echoes:
        title = "Multipath-free window; bearing bias of echoes (mean, 95 %), RMS"
    window = np.maximum(1e3 * result.multipath_free_s, _LEAST_WINDOW_MS)
    panels.append(_Panel(title, "multipath-free window [ms]", window, more_is_better=True, echoes=result.echoes))
    return panels


def _layout(panels: int, result: PoolMap) -> tuple[int, int]:
    """Rows and columns: two side by side, so that each stays large enough to read; stacked where they are long."""
    long = np.ptp(result.x_m) > 4 * np.ptp(result.y_m)
    return (panels, 1) if panels < 3 or long else ((panels + 1) // 2, 2)


def _height(result: PoolMap, width: float) -> float:
    """Inches for a panel of that width, with equal axes; the bar and the labels take a fifth of the width."""
    shape = np.ptp(result.y_m) / np.ptp(result.x_m)
    return float(np.clip(0.78 * width * shape, 1.6, 1.2 * width)) + 0.55


def _draw(axes: Axes, result: PoolMap, panel: _Panel) -> None:
    axes.set(title=panel.title, aspect="equal")
    shown = np.ma.masked_invalid(panel.values)
    if shown.count() == 0:
        axes.text(0.5, 0.5, "not observable from anywhere", transform=axes.transAxes, ha="center")
        return
    levels = panel.levels or _levels(shown.compressed())
    colours = colormaps["cividis" if panel.more_is_better else "cividis_r"]
    # One step of colour from each contour to the next, whatever the values: errors run over decades.
    norm = BoundaryNorm(levels, colours.N, extend="both")
    grid = result.x_m, result.y_m, shown
    filled = axes.contourf(*grid, levels=levels, cmap=colours, norm=norm, extend="both")
    lines = axes.contour(*grid, levels=levels, colors=INK, linewidths=0.7)
    halo: list[AbstractPathEffect] = [withStroke(linewidth=2.5, foreground="white")]
    for text in axes.clabel(lines, fontsize=8, fmt="%g", inline_spacing=3):
        text.set_path_effects(halo)
    # Beside the plan itself, which equal axes may make narrower than its place.
    bar = axes.figure.colorbar(filled, cax=axes.inset_axes((1.02, 0.075, 0.03, 0.85)))
    bar.set_label(panel.unit)
    bar.set_ticks(levels, labels=[f"{v:g}" for v in levels])
    if panel.hatched:
        _hatch_refused(axes, result)


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


def _limits(result: PoolMap, scene: Scene) -> tuple[Floats, Floats]:
    """Of the outline and of the grid, whichever reaches further [m]."""
    low, high = (np.array([result.x_m[k], result.y_m[k]]) for k in (0, -1))
    corners = np.array([low, high, *(scene.pool.outline_m or ())])
    return corners.min(axis=0), corners.max(axis=0)


def _mark_echoes(axes: Axes, place: EchoPlace, *, written: bool, keep_clear_m: Floats) -> None:
    """A diamond at the place, with its figures on the side away from what stands still."""
    axes.plot(place.x_m, place.y_m, "D", ms=6, mfc=EMBER, mec="white", mew=1.0, zorder=9)
    if not written:
        return
    words = f"{100 * place.refused:.0f} % refused"
    if place.bias_deg is not None and place.rms_deg is not None:
        half = (place.bias_deg.high - place.bias_deg.low) / 2
        words = f"{round(place.bias_deg.value, 1) + 0.0:+.1f} ± {half:.1f}°\nRMS {number(place.rms_deg.value)}°"
    above = bool(keep_clear_m[1] > place.y_m)  # y runs down the page
    axes.annotate(
        words, (place.x_m, place.y_m), xytext=(0, 9 if above else -9), ha="center", va="bottom" if above else "top",
        **LABEL,
    )  # fmt: skip


def _hatch_refused(axes: Axes, result: PoolMap) -> None:
    refused = np.where(np.isfinite(result.refused), result.refused, 0.0)
    if np.any(refused > 0.5):
        axes.contourf(result.x_m, result.y_m, refused, levels=[0.5, 1.1], colors="none", hatches=["///"], zorder=3)
