"""The picture of `pingfix validate`: bearing error against SNR in every sector, with the bound beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, STYLE, conclude
from acoustics.present.text.validate import validation_headline
from acoustics.study.validate import SECTORS, Cell, Validation

_LEAST_DEG, _MOST_DEG = 1e-3, 200.0
_FARTHEST_END = 4.0  # times the largest mark, or under the least, to which the ends of intervals stretch the axis


def validation_plot(result: Validation) -> Figure:
    """A row without echoes and one with them, a panel for each sector, all on the same axes."""
    rows, levels = result.design.echoes, np.array(sorted(result.design.energy_ratio_db))
    with rc_context(STYLE):
        figure = Figure(figsize=(8.8, 1.8 + 2.6 * len(rows)), layout="constrained")
        grid = figure.subplots(len(rows), len(SECTORS), sharex=True, sharey=True, squeeze=False)
        for panels, echoes in zip(grid, rows, strict=True):
            for axes, sector in zip(panels, SECTORS, strict=True):
                cells = {c.energy_ratio_db: c for c in result.cells if c.sector == sector and c.echoes == echoes}
                _panel(axes, [cells[level] for level in levels if level in cells])
                axes.set_title(f"{sector}, echoes {'on' if echoes else 'off'}", fontsize=10)
            panels[0].set_ylabel("bearing error [deg]")
        _scales(grid[0, 0], levels, _values(result.cells))
        for axes in grid[-1]:
            axes.set_xlabel("burst's 2E/N0 [dB]")
        figure.legend(*grid[0, 0].get_legend_handles_labels(), loc="outside lower left", ncols=3)
        conclude(figure, validation_headline(result))
        return figure


def _panel(axes: Axes, cells: Sequence[Cell]) -> None:
    snr = np.array([c.energy_ratio_db for c in cells])
    bound = np.array([c.score.bound_rms_deg for c in cells])
    rms = [c.score.rms_deg for c in cells]
    value = np.array([r.value for r in rms])
    ends = np.array([[r.value - r.low, min(r.high, _MOST_DEG) - r.value] for r in rms]).reshape(-1, 2).T
    given = np.isfinite(value)
    axes.plot(snr, np.where(np.isfinite(bound), bound, np.nan), color=DEEP, lw=1.8, ls="-.", label="RMS, bound")
    axes.errorbar(
        snr[given],
        value[given],
        yerr=np.maximum(ends[:, given], 0.0),
        fmt="o",
        ms=5,
        color=EMBER,
        mfc="white",
        mew=1.4,
        capsize=3,
        label="RMS, simulation with 95 % interval",
        zorder=4,
    )
    p95 = np.array([c.score.p95_deg.value for c in cells])
    axes.plot(snr[given], p95[given], "^", ms=5, color=MOSS, label="95th percentile, simulation", zorder=3)
    for level, found in zip(snr, cells, strict=True):
        if found.score.answered < found.score.trials:
            share = 100 * (1 - found.score.answered / found.score.trials)
            axes.annotate(
                f"no bearing\n{share:.0f} %",
                (level, 0.02),
                xycoords=("data", "axes fraction"),
                ha="center",
                fontsize=7,
                color=INK,
            )


def _values(cells: Sequence[Cell]) -> np.ndarray:
    """Everything that must fit on the axis; intervals of a few pings as far as they leave the rest readable."""
    marks = np.array([(c.score.bound_rms_deg, c.score.rms_deg.value, c.score.p95_deg.value) for c in cells]).ravel()
    marks = marks[np.isfinite(marks) & (marks > 0)]
    if not marks.size:
        return marks
    ends = np.array([(c.score.rms_deg.low, c.score.rms_deg.high) for c in cells]).ravel()
    ends = ends[np.isfinite(ends)]
    return np.append(marks, np.clip(ends, marks.min() / _FARTHEST_END, marks.max() * _FARTHEST_END))


def _scales(axes: Axes, levels: np.ndarray, values: np.ndarray) -> None:
    step = float(np.diff(levels).min()) if len(levels) > 1 else 10.0
    low, high = (values.min(), values.max()) if values.size else (1.0, 10.0)
    # Room below the lowest for the share of pings that got no bearing.
    axes.set(yscale="log", ylim=(max(0.35 * low, _LEAST_DEG), min(1.5 * high, _MOST_DEG)))
    axes.set(xticks=levels, xlim=(levels[0] - step / 2, levels[-1] + step / 2))
    axes.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.yaxis.set_minor_locator(NullLocator())
