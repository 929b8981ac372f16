"""The picture of `pingfix spacing`: bearing error against spacing, with its two limits."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from acoustics.present.style import DEEP, EMBER, INK, MOSS, SAND, STYLE
from acoustics.study.spacing import SpacingStudy

_LEAST_DEG, _MOST_DEG = 0.02, 180.0


def spacing_plot(study: SpacingStudy) -> Figure:
    """Bearing error by spacing above, probability of the wrong cycle below, on one axis of spacing."""
    with rc_context(STYLE):
        figure = Figure(figsize=(8.0, 7.2), layout="constrained")
        errors, cycles = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1.15])
        _errors(errors, study)
        _cycles(cycles, study)
        figure.legend(*errors.get_legend_handles_labels(), loc="outside lower left", ncols=2)
        return figure


def _errors(axes: Axes, study: SpacingStudy) -> None:
    mm = 1e3 * study.spacing_m
    chosen = study.recommendation
    for k, rate in enumerate(study.sample_rate_hz):
        label = "onset rounded to a sample, at the rate on the curve (bound)" if k == 0 else None
        axes.plot(mm, study.onset_deg[k], color=SAND, lw=1.2, ls="-", label=label)
        if np.isfinite(study.onset_deg[k, 0]):
            axes.annotate(
                f"{rate / 1e3:g} kHz",
                (mm[0], study.onset_deg[k, 0]),
                xytext=(-3, 0),
                textcoords="offset points",
                ha="right",
                va="center",
                fontsize=8,
                color="#7d7566",
                annotation_clip=False,
            )
    axes.plot(mm, study.envelope_deg, color=MOSS, lw=1.8, ls="--", label="envelope alone, interpolated (bound)")
    axes.plot(
        mm,
        study.right_cycle_deg,
        color=DEEP,
        lw=1.8,
        ls="-.",
        label="carrier phase, right cycle given (bound)",
    )
    axes.plot(mm, study.expected_deg, color=EMBER, lw=2.4, label="carrier phase, wrong cycles included (prediction)")
    simulated = study.simulated
    value, low, high = (np.array([getattr(i, part) for i in simulated.rms_deg]) for part in ("value", "low", "high"))
    axes.errorbar(
        1e3 * simulated.spacing_m,
        value,
        yerr=[value - low, high - value],
        fmt="o",
        ms=5,
        color=INK,
        mfc="white",
        capsize=3,
        zorder=5,
        label=f"simulation, {simulated.trials:,} pings each, 95 % interval",
    )
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
    _limits(axes, study, named=True)
    axes.set(xscale="log", yscale="log", ylabel="bearing error, RMS [deg]")
    finite = np.concatenate([study.right_cycle_deg, study.expected_deg, study.envelope_deg])
    finite = finite[np.isfinite(finite)]
    axes.set_ylim(max(_LEAST_DEG, 0.6 * finite.min()), min(_MOST_DEG, 2.2 * finite.max()))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.set_title(
        f"{study.title}: {study.array} scaled, {study.frequency_hz / 1e3:g} kHz at {study.range_m:.1f} m, "
        f"2E/N0 {study.energy_ratio_db:.0f} dB"
    )


def _cycles(axes: Axes, study: SpacingStudy) -> None:
    floor = 1e-4
    axes.plot(1e3 * study.spacing_m, np.maximum(study.wrong_cycle, floor), color=EMBER, lw=2.4)
    simulated = study.simulated
    value, low, high = (
        np.maximum([getattr(i, part) for i in simulated.wrong_cycle], floor) for part in ("value", "low", "high")
    )
    axes.errorbar(
        1e3 * simulated.spacing_m,
        value,
        yerr=[value - low, high - value],
        fmt="o",
        ms=5,
        color=INK,
        mfc="white",
        capsize=3,
        zorder=5,
    )
    axes.axhline(study.wrong_cycle_limit, color=INK, lw=0.8, ls=(0, (1, 3)))
    axes.annotate(
        f"limit {100 * study.wrong_cycle_limit:g} %",
        (1e3 * study.spacing_m[-1], study.wrong_cycle_limit),
        xytext=(0, 3),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=9,
    )
    _limits(axes, study, named=False)
    axes.set(
        xscale="log",
        yscale="log",
        ylim=(0.7 * floor, 1.6),
        xlabel="shortest baseline [mm]",
        ylabel="wrong cycle [1]",
    )
    axes.set_xlim(1e3 * study.spacing_m[0], 1e3 * study.spacing_m[-1])
    ticks = [
        t for t in (5, 10, 20, 50, 100, 200, 500, 1000, 2000) if study.spacing_m[0] <= t / 1e3 <= study.spacing_m[-1]
    ]
    axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    axes.minorticks_off()


def _limits(axes: Axes, study: SpacingStudy, *, named: bool) -> None:
    half, hull = 1e3 * study.half_wavelength_m, 1e3 * study.hull_limit_m
    axes.axvline(half, color=INK, lw=1, ls=":")
    axes.axvspan(hull, 1e3 * study.spacing_m[-1], color=SAND, alpha=0.3, lw=0)
    axes.axvline(hull, color=INK, lw=1)
    if named:
        for place, text in ((half, f" half wavelength, {half:.1f} mm"), (hull, f" hull full, {hull:.0f} mm")):
            axes.annotate(
                text,
                (place, 0.985),
                xycoords=("data", "axes fraction"),
                rotation=90,
                ha="right",
                va="top",
                fontsize=9,
            )
