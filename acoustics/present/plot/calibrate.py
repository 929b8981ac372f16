"""The pictures of `pingfix calibrate`: what a run is to recover, and what one has found."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse

from acoustics.base.regions import error_ellipse
from acoustics.present.plot.style import DEEP, EMBER, INK, SAND, STYLE, conclude
from acoustics.present.text.calibrate import calibration_headline, plan_advice
from acoustics.present.text.tables import number
from acoustics.study.calibrate import CalibratedArray, CalibrationPlan, ParameterLine

_AXES = (("x (forward)", 0), ("y (starboard)", 1), ("z (down)", 2))
_CIRCLE_95 = np.sqrt(-2 * np.log(0.05))  # radius of a circular normal's 95 % region in standard deviations


def plan_plot(result: CalibrationPlan) -> Figure:
    """What is left unknown of each parameter, and the bearing's systematic error against the number of headings."""
    with rc_context(STYLE):
        figure = Figure(figsize=(10.0, max(4.2, 1.4 + 0.24 * len(result.parameters))), layout="constrained")
        left, right = figure.subplots(1, 2, width_ratios=(1.4, 1))
        _shares(left, result.parameters)
        headings = [h.headings for h in result.by_headings]
        right.plot(headings, [h.bearing_deg for h in result.by_headings], "o-", color=DEEP, ms=5)
        right.axhline(result.bearing_before_deg, color=INK, lw=1, ls=(0, (4, 3)))
        right.text(
            1.0, result.bearing_before_deg, " before", transform=right.get_yaxis_transform(), ha="right", va="bottom"
        )
        right.set_xscale("log")
        right.set_xticks(headings, [str(h) for h in headings])
        right.minorticks_off()
        right.set(xlabel="headings in the run", ylabel="standard deviation, predicted [deg]", ylim=(0, None))
        right.set_title("Bearing's systematic error")
        conclude(figure, f"{result.title}, {result.array}. {plan_advice(result)}")
        return figure


def calibration_plot(result: CalibratedArray) -> Figure:
    """Offsets with their 95 % regions in two views, what is left unknown, and residuals before and after."""
    with rc_context(STYLE):
        figure = Figure(figsize=(10.0, 4.6 + max(3.0, 0.24 * len(result.parameters))), layout="constrained")
        rows = figure.add_gridspec(2, 1, height_ratios=(4.2, max(3.0, 0.24 * len(result.parameters))))
        upper, lower = figure.add_subfigure(rows[0]), figure.add_subfigure(rows[1])
        above, beside = upper.add_subplot(1, 2, 1), upper.add_subplot(1, 2, 2)
        _offsets(above, result, 0, 1)
        _offsets(beside, result, 0, 2)
        upper.legend(handles=_offset_legend(), loc="outside lower left", ncols=2)
        left, right = lower.subplots(1, 2, width_ratios=(1.4, 1))
        _shares(left, result.parameters)
        _residuals(right, result)
        conclude(figure, calibration_headline(result))
        return figure


def _shares(axes: Axes, parameters: tuple[ParameterLine, ...]) -> None:
    shown = [p for p in parameters if p.prior_sd > 0]
    place = np.arange(len(shown))
    axes.barh(place, np.ones(len(shown)), color=SAND, height=0.7)
    axes.barh(place, [p.sd / p.prior_sd for p in shown], color=DEEP, height=0.7)
    for k, p in enumerate(shown):
        text = f"{number(p.prior_sd)} to {number(p.sd)} {p.unit}"
        axes.text(1.02, k, text, va="center", fontsize=8)
    axes.set_yticks(place, [p.name for p in shown])
    axes.invert_yaxis()
    axes.tick_params(axis="y", length=0)
    axes.set(xlim=(0, 1.5), xticks=(0, 0.25, 0.5, 0.75, 1.0), xlabel="standard deviation after, as a share of before")
    axes.set_title("What stays unknown")


def _offsets(axes: Axes, result: CalibratedArray, a: int, b: int) -> None:
    n = len(result.positions_m)
    found = np.array([p.value for p in result.parameters[: 3 * n]]).reshape(n, 3)
    prior = np.array([p.prior_sd for p in result.parameters[: 3 * n]]).reshape(n, 3)[:, 0].max()
    circle = Ellipse((0, 0), 2 * _CIRCLE_95 * prior, 2 * _CIRCLE_95 * prior, fc="none", ec=INK, lw=1, ls=(0, (4, 3)))
    axes.add_patch(circle)
    for k, (point, covariance) in enumerate(zip(found, result.offset_covariance_m2, strict=True)):
        region = error_ellipse(1e6 * covariance[np.ix_((a, b), (a, b))])
        size = (2 * float(region.semi_major), 2 * float(region.semi_minor))
        turn = float(np.rad2deg(region.azimuth))
        axes.add_patch(Ellipse((point[a], point[b]), *size, angle=turn, fc=DEEP, ec=DEEP, alpha=0.25))
        axes.plot(point[a], point[b], "o", color=EMBER, ms=4)
        axes.annotate(str(k + 1), (point[a], point[b]), xytext=(4, 3), textcoords="offset points", fontsize=9)
    reach = 1.1 * max(_CIRCLE_95 * prior, np.abs(found).max() + _CIRCLE_95 * prior * 0.5, 1e-3)
    axes.set(xlim=(-reach, reach), ylim=(reach, -reach), aspect="equal")
    axes.set(xlabel=f"{_AXES[a][0]} [mm]", ylabel=f"{_AXES[b][0]} [mm]")
    axes.set_title("Offsets found, seen from above" if b == 1 else "from the side")


def _offset_legend() -> list[Line2D]:
    return [
        Line2D([], [], color=INK, lw=1, ls=(0, (4, 3)), label="95 % before: the mounting tolerance"),
        Line2D(
            [],
            [],
            color=EMBER,
            marker="o",
            ms=4,
            lw=5,
            mec=EMBER,
            alpha=0.8,
            label="offset of a hydrophone, in the order of the file; shaded: its 95 % region after",
        ),
    ]


def _residuals(axes: Axes, result: CalibratedArray) -> None:
    number_of = np.arange(1, len(result.pings) + 1)
    before = np.array([p.rms_before_us for p in result.pings])
    after = np.array([p.rms_after_us for p in result.pings])
    kept = np.array([p.kept for p in result.pings])
    axes.plot(number_of, before, "o", mfc="none", mec=INK, ms=4, label="before")
    axes.plot(number_of[kept], after[kept], "s", color=DEEP, ms=3, label="after")
    if not kept.all():
        axes.plot(number_of[~kept], after[~kept], "x", color=EMBER, ms=6, label="left out")
    axes.set(xlabel="ping of the run", ylabel="RMS of delays' residuals [us]", yscale="log")
    axes.set_title("Residuals of each ping")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.06), ncols=3)
