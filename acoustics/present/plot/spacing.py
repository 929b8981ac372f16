"""The picture of `pingfix spacing`: bearing error against spacing, with its two limits."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval
from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, SAND, STYLE, conclude
from acoustics.present.text.spacing import spacing_headline
from acoustics.study.spacing import Alternative, SpacingStudy

_LEAST_DEG, _MOST_DEG = 0.02, 180.0
# How simulated arrays look: those of the curve, and the uneven one.
_CIRCLES: dict[str, Any] = {"fmt": "o", "ms": 5, "color": INK, "zorder": 5}
_SQUARES: dict[str, Any] = {"fmt": "s", "ms": 7, "color": MOSS, "mew": 2, "zorder": 6}


def spacing_plot(study: SpacingStudy) -> Figure:
    """Bearing error by spacing above, probability of the wrong cycle below, on one axis of spacing."""
    with rc_context(STYLE):
        figure = Figure(figsize=(8.0, 7.2), layout="constrained")
        errors, cycles = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1.15])
        _errors(errors, study)
        _cycles(cycles, study)
        conclude(figure, spacing_headline(study))
        figure.legend(*errors.get_legend_handles_labels(), loc="outside lower left", ncols=2)
        return figure


def _errors(axes: Axes, study: SpacingStudy) -> None:
    mm = 1e3 * study.spacing_m
    chosen = study.recommendation
    shown = study.onset_deg[np.isfinite(study.onset_deg).all(axis=-1)]
    if len(shown):
        # The rates lie close together: a band between slowest and fastest, with its edges named, stays readable.
        slow, fast = shown.max(axis=0), shown.min(axis=0)
        rates = study.sample_rate_hz[np.isfinite(study.onset_deg).all(axis=-1)] / 1e3
        label = f"onset rounded to samples, {rates.min():g} (top) to {rates.max():g} kHz (bound)"
        axes.fill_between(mm, fast, slow, color=SAND, alpha=0.6, lw=0, label=label)
    axes.plot(mm, study.envelope_deg, color=MOSS, lw=1.8, ls="--", label="envelope alone, interpolated (bound)")
    axes.plot(
        mm,
        study.right_integer_deg,
        color=DEEP,
        lw=1.8,
        ls="-.",
        label="phase, right cycle given (bound)",
    )
    axes.plot(mm, study.expected_deg, color=EMBER, lw=2.4, label="phase, wrong cycles included (prediction)")
    label = f"simulation, {study.simulated.trials:,} pings each, 95 % interval"
    _simulated(axes, study, study.simulated.rms_deg, label=label)
    axes.axhline(study.target_deg, color=INK, lw=0.8, ls=(0, (1, 3)))
    axes.annotate(
        f"target {study.target_deg:g}°",
        (mm[-1], study.target_deg),
        xytext=(0, 3),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=9,
    )
    axes.plot(
        1e3 * chosen.spacing_m,
        chosen.expected_deg,
        "D",
        ms=11,
        mfc="none",
        mec=EMBER,
        mew=2,
        zorder=6,
        label=f"recommended: {1e3 * chosen.spacing_m:.0f} mm at {chosen.sample_rate_hz / 1e3:g} kHz",
    )
    others = [] if study.alternative is None else _uneven(axes, study.alternative)
    _limits(axes, study, named=True)
    axes.set(xscale="log", yscale="log", ylabel="bearing error, RMS [deg]")
    finite = np.concatenate([study.right_integer_deg, study.expected_deg, study.envelope_deg, *shown, others])
    finite = finite[np.isfinite(finite)]
    axes.set_ylim(max(_LEAST_DEG, 0.6 * finite.min()), min(_MOST_DEG, 2.2 * finite.max()))
    axes.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.yaxis.set_minor_locator(NullLocator())


def _uneven(axes: Axes, alternative: Alternative) -> list[float]:
    """The uneven array after one ping and after four, at its shortest baseline; the errors drawn [deg]."""
    uneven = alternative.uneven
    intervals = (uneven.one_ping.rms_deg, uneven.four_pings.rms_deg)
    label = "uneven array: one ping (above), four joined"
    _intervals(axes, np.full(2, 1e3 * uneven.shortest_baseline_m), intervals, **_SQUARES, label=label)
    return [interval.value for interval in intervals]


def _cycles(axes: Axes, study: SpacingStudy) -> None:
    floor = 1e-4
    axes.plot(1e3 * study.spacing_m, np.maximum(study.wrong_integer, floor), color=EMBER, lw=2.4)
    _simulated(axes, study, study.simulated.wrong_integer, floor=floor)
    if study.alternative is not None:
        uneven = study.alternative.uneven
        single = (uneven.one_ping.wrong_integer,)
        _intervals(axes, np.array([1e3 * uneven.shortest_baseline_m]), single, floor=floor, **_SQUARES)
    axes.axhline(study.wrong_cycle_limit, color=INK, lw=0.8, ls=(0, (1, 3)))
    axes.annotate(
        f"limit {100 * study.wrong_cycle_limit:g} %",
        (1e3 * study.spacing_m[0], study.wrong_cycle_limit),
        xytext=(4, 3),
        textcoords="offset points",
        ha="left",
        va="bottom",
        fontsize=9,
    )
    _limits(axes, study, named=False)
    axes.set(
        xscale="log",
        yscale="log",
        ylim=(0.7 * floor, 1.6),
        xlabel="shortest baseline [mm]",
        ylabel="wrong cycle [1]\n(edge: 0.0001 or less)",
    )
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.set_xlim(0.95e3 * study.spacing_m[0], 1e3 * study.spacing_m[-1])  # the first mark is drawn whole
    ticks = [
        t for t in (5, 10, 20, 50, 100, 200, 500, 1000, 2000) if study.spacing_m[0] <= t / 1e3 <= study.spacing_m[-1]
    ]
    axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    axes.minorticks_off()


def _simulated(
    axes: Axes, study: SpacingStudy, intervals: tuple[Interval, ...], *, floor: float = 0.0, label: str | None = None
) -> None:
    """Circles with their 95 % intervals."""
    _intervals(axes, 1e3 * study.simulated.spacing_m, intervals, floor=floor, label=label, **_CIRCLES)


def _intervals(axes: Axes, places: Floats, intervals: tuple[Interval, ...], *, floor: float = 0.0, **look: Any) -> None:
    """Marks with their intervals; what is below `floor` stands on it, where a logarithmic axis ends."""
    ends = np.array([(interval.value, interval.low, interval.high) for interval in intervals])
    value, low, high = np.maximum(ends, floor).T
    axes.errorbar(places, value, yerr=[value - low, high - value], mfc="white", capsize=3, **look)


def _limits(axes: Axes, study: SpacingStudy, *, named: bool) -> None:
    half, hull = 1e3 * study.half_wavelength_m, 1e3 * study.hull_limit_m
    axes.axvline(half, color=INK, lw=1, ls=":")
    axes.axvspan(hull, 1e3 * study.spacing_m[-1], color=SAND, alpha=0.3, lw=0)
    axes.axvline(hull, color=INK, lw=1)
    if named:
        # The curves run from upper left to lower right: the first label keeps below them, the second above.
        for place, text, height, side in (
            (half, f"λ/2, {half:.1f} mm", 0.02, "bottom"),
            (hull, f"hull full, {hull:.0f} mm", 0.98, "top"),
        ):
            axes.annotate(
                text,
                (place, height),
                xycoords=("data", "axes fraction"),
                xytext=(-3, 0),
                textcoords="offset points",
                rotation=90,
                ha="right",
                va=side,
                fontsize=9,
                bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.5},
            )
