"""What arrives by range: the multipath-free window, and the signal to noise ratio inside it."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from acoustics.present.plot.style import DEEP, EMBER, INK, STYLE, conclude
from acoustics.present.text.tables import number
from acoustics.study.report import LiveModel


def link_plot(model: LiveModel, energy_ratio_db: np.ndarray) -> Figure:
    """Multipath-free window and 2E/N0 (n_ranges,) on the line from the pinger through the vehicle."""
    speed = np.interp(model.start_temperature_degc, model.temperature_degc, model.sound_speed_m_s)
    window_ms = 1e3 * np.minimum(model.echo_detour_m / speed, model.length_s)
    with rc_context(STYLE):
        figure = Figure(figsize=(8.0, 5.0), layout="constrained")
        window, ratio = figure.subplots(2, 1, sharex=True)
        window.plot(model.range_m, window_ms, color=DEEP, lw=2)
        window.set(yscale="log", ylabel="multipath-free window [ms]", title="Until the first strong echo")
        ratio.plot(model.range_m, energy_ratio_db, color=EMBER, lw=2)
        ratio.set(ylabel="2E/N0 [dB]", xlabel="range from the pinger [m]", title="Energy in it over noise density")
        for axes in (window, ratio):
            _mark_vehicle(axes, model.start_range_m, named=axes is window)
            axes.set_xscale("log")
        _plain_numbers(window)
        ticks = [t for t in (1, 2, 3, 5, 10, 20, 30, 50, 100, 200, 500) if model.range_m[0] <= t <= model.range_m[-1]]
        ratio.set_xticks(ticks, [f"{t:g}" for t in ticks])
        ratio.minorticks_off()
        at = int(np.argmin(np.abs(model.range_m - model.start_range_m)))
        conclude(
            figure,
            f"Where the vehicle stands, {model.start_range_m:.1f} m off, {number(window_ms[at])} of the burst's "
            f"{number(1e3 * model.length_s)} ms come before the first strong echo, with 2E/N0 of "
            f"{energy_ratio_db[at]:.0f} dB.",
        )
        return figure


def _mark_vehicle(axes: Axes, range_m: float, *, named: bool) -> None:
    axes.axvline(range_m, color=INK, lw=1, ls=":")
    if named:
        axes.annotate(
            f"vehicle, {range_m:.3g} m",
            (range_m, 0.03),  # the curve falls from upper left to lower right
            xycoords=("data", "axes fraction"),
            xytext=(-2, 0),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="bottom",
            fontsize=9,
        )


def _plain_numbers(axes: Axes) -> None:
    axes.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.yaxis.set_minor_locator(NullLocator())
