"""The answers of `pingfix calibrate` as text, and the remarks in the file of the corrected array."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.base.intervals import Interval
from acoustics.estimate.calibrate import Separation
from acoustics.physics.levels import power_ratio_db
from acoustics.present.text.tables import counted, number, percent, table
from acoustics.study.calibrate import CalibratedArray, CalibrationPlan

_WIDTH = 100
_MOST_PINGS_LISTED = 10

_LEARNED = (
    "Learned: 1 - (sd after / sd before)^2, the share of what was not known that the pings removed; at 0 % only the "
    "stated tolerance speaks. A single position may be poorly known where the differences that a bearing needs are "
    "well known: judge by the bearing."
)


def plan_text(result: CalibrationPlan) -> str:
    """What simulated runs recover."""
    plan = result.plan
    depths = len(plan.source_depths_m) or 1
    ratio = power_ratio_db(result.energy_ratio_2e_n0)
    rows = [
        (f"{p.name} {p.unit}", number(p.prior_sd), number(p.sd), number(p.value), percent(max(p.learned, 0.0)))
        for p in result.parameters
    ]
    lines = [
        f"{result.title}: calibration of {result.array} by {result.pinger} at {result.range_m:.1f} m, planned",
        f"{counted(plan.headings, 'heading')} x {counted(depths, 'source depth')} x {counted(plan.pings_each, 'ping')} "
        f"= {counted(result.pings, 'ping')}; 2E/N0 {ratio:.1f} dB; source known to {number(plan.source_sd_m)} m"
        + ("" if plan.depth_known else ", its depth unknown"),
        "",
        f"Standard deviations before and after, and RMS error over {counted(result.runs, 'simulated run')}",
        table(("parameter", "before", "after (predicted)", "error (simulated)", "learned"), rows),
        "",
        *_separation(result.separation),
        "",
        "Systematic error of a far pinger's site bearing, median all round",
        f"  before {number(result.bearing_before_deg)} deg; after {number(result.bearing_after_deg)} deg predicted, "
        f"{_interval(result.bearing_simulated_deg)} simulated (95 %)",
        table(
            ("headings", *(str(h.headings) for h in result.by_headings)),
            [("after, deg (predicted)", *(number(h.bearing_deg) for h in result.by_headings))],
        ),
        "",
        "Does the calibration know how good it is? (simulated, 95 % intervals)",
        table(
            ("stated 95 % region of", "holds the truth in"),
            [(kind, f"{_interval(i, 100.0)} %") for kind, i in result.coverage.items()],
        ),
        f"squared error over its stated size, expected 1: {_interval(result.normalised_square)}",
        f"wrong cycles put in {result.wrong_integers}, pings with all cycles right afterwards "
        f"{100 * result.cycles_right.value:.2f} %, pings left out {result.left_out}, runs refused {result.refused}",
        "",
        *textwrap.wrap(plan_advice(result), _WIDTH),
        *textwrap.wrap(_LEARNED, _WIDTH),
        *textwrap.wrap(
            "Simulated at the level of delays: echoes shorten the part of the burst that counts, but what an echo does "
            "inside it is not in these figures.",
            _WIDTH,
        ),
    ]
    return "\n".join(lines)


def plan_advice(result: CalibrationPlan) -> str:
    """What such a run is worth, and how many headings it needs."""
    gain = result.bearing_before_deg / max(result.bearing_after_deg, 1e-12)
    enough = next(
        (h for h in result.by_headings if h.bearing_deg <= 1.25 * result.by_headings[-1].bearing_deg),
        result.by_headings[-1],
    )
    worth = f"Such a run makes the systematic error of the bearing {gain:.1f} times smaller."
    if gain < 1.2:
        worth = "Such a run is hardly worth its time: what it would learn is known as well already."
    most = result.by_headings[-1].headings
    if enough.headings == most:
        return f"{worth} Each heading up to {most} is worth its time."
    return f"{worth} {counted(enough.headings, 'heading')} give most of what {most} would."


def calibration_text(result: CalibratedArray) -> str:
    """What a run found."""
    kept = [p for p in result.pings if p.kept]
    changed = sum(p.cycles_changed for p in result.pings)
    rows = [
        (
            f"{p.name} {p.unit}",
            number(p.prior_sd),
            f"{'-' if p.value < 0 else '+'}{number(abs(p.value))}",
            number(p.sd),
            percent(max(p.learned, 0.0)),
        )
        for p in result.parameters
    ]
    before, after = (
        np.sqrt(np.mean([getattr(p, key) ** 2 for p in kept])) if kept else np.nan
        for key in ("rms_before_us", "rms_after_us")
    )
    lines = [
        f"{result.title}: calibration of {result.array} from {counted(len(result.pings), 'ping')}",
        f"delays fit to {number(before)} us RMS before, {number(after)} us after; chi-square {result.chi2:.1f} of "
        f"{result.dof} expected (p = {number(result.p_value)})",
        f"wrong cycles put right in {counted(changed, 'ping')}; "
        f"{counted(len(result.pings) - len(kept), 'ping')} left out"
        + "".join(f"; {count} {reason}" for reason, count in result.passed_over.items()),
        *([] if result.ok else [f"NOT USABLE: {result.reason}"]),
        "",
        table(("parameter", "sd before", "found", "sd after", "learned"), rows),
        "",
        *_sources(result),
        "",
        *_separation(result.separation),
        "",
        "Systematic error of a far pinger's site bearing, median all round: standard deviation",
        f"  before {number(result.bearing_before_deg)} deg, after {number(result.bearing_after_deg)} deg (predicted)",
        "",
        *_outliers(result),
        *textwrap.wrap(_LEARNED, _WIDTH),
    ]
    return "\n".join(lines)


def calibration_headline(result: CalibratedArray) -> str:
    """What the run is worth in one sentence."""
    head = f"{result.title}, {result.array}, {counted(len(result.pings), 'ping')}"
    if not result.ok:
        return f"{head}: not usable, {result.reason}."
    return (
        f"{head}: the systematic error of a far pinger's bearing falls from {number(result.bearing_before_deg)} to "
        f"{number(result.bearing_after_deg)} deg (predicted)."
    )


def array_remarks(result: CalibratedArray) -> tuple[str, ...]:
    """What stands at the head of the corrected array's file."""
    roll, pitch, heading = (f"{angle:+.2f}" for angle in result.rotation_deg)
    return (
        f"{result.array} as calibrated from {len(result.pings)} pings.",
        "position_m holds the offsets and the rotation found; tolerance_m what is not known after it.",
        "delay_s is how much later a channel gives what it hears: it is to be taken off.",
        f"Rotation found (in position_m already): roll {roll}, pitch {pitch}, heading {heading} deg.",
        f"Sound speed found: {result.sound_speed_m_s:.2f} m/s, standard deviation {result.sound_speed_sd_m_s:.2f} m/s "
        f"(assumed before: {result.nominal_sound_speed_m_s:.2f} m/s).",
        f"Of {result.separation.of} combinations of the unknowns {result.separation.unseen} rest on the tolerances "
        "stated before by more than half.",
    )


def _sources(result: CalibratedArray) -> list[str]:
    rows = [
        (s.name, str(s.pings), *(f"{x:.2f} +- {number(sd)}" for x, sd in zip(s.position_m, s.sd_m, strict=True)))
        for s in result.sources
    ]
    return [table(("source", "pings", "x m", "y m", "z m"), rows)]


def _separation(found: Separation) -> list[str]:
    lines = textwrap.wrap(
        f"Not separated: of {found.of} independent combinations of these parameters the pings leave {found.unseen} to "
        "the tolerances stated before (by more than half):",
        _WIDTH,
    )
    entries = [f"{c.unseen} of {c.of}  {c.what}" for c in found.named] + [f"1       {what}" for what in found.rest]
    for entry in entries:
        lines += textwrap.wrap(entry, _WIDTH, initial_indent="  ", subsequent_indent=" " * 10)
    return lines if entries else ["Every combination of the parameters is told by the pings."]


def _outliers(result: CalibratedArray) -> list[str]:
    out = [str(p.ping) for p in result.pings if not p.kept]
    if not out:
        return []
    shown = ", ".join(out[:_MOST_PINGS_LISTED]) + (", ..." if len(out) > _MOST_PINGS_LISTED else "")
    return [f"Pings left out, since they fit nothing within the stated errors: {shown}", ""]


def _interval(i: Interval, scale: float = 1.0) -> str:
    value, low, high = (scale * x for x in (i.value, i.low, i.high))
    return f"{number(value, 3)} ({number(low, 3)} to {number(high, 3)})"
