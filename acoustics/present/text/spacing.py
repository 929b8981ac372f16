"""What spacing and sample rate cost, as text for the terminal and as the tables of the report."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, unless_guessed
from acoustics.present.text.tables import Rows, number, percent, table, with_interval
from acoustics.study.draws import JOINED, BearingOutcome
from acoustics.study.spacing import Alternative, SpacingStudy


def spacing_text(study: SpacingStudy) -> str:
    """The answer of `pingfix spacing`: two tables, each column named bound, prediction or simulation."""
    decides = ", which decides" if study.each_pinger else ""
    lines = [
        f"{study.title}: {study.array} scaled; {study.pinger}{decides}, {study.frequency_hz / 1e3:g} kHz "
        f"at {study.range_m:.1f} m",
        f"multipath-free window {number(1e3 * study.multipath_free_s)} ms, 2E/N0 {study.energy_ratio_db:.1f} dB; "
        f"{study.bearings}",
        f"the vehicle's own estimator uses {number(1e3 * study.used_s)} ms, 2E/N0 {study.used_energy_ratio_db:.1f} dB "
        "(prediction); columns without 'bound' are of it",
        "",
        "Bearing error, RMS in degrees, by shortest baseline",
        table(*spacing_rows(study)),
        "",
        f"What the sample rate costs at {1e3 * study.recommendation.spacing_m:.1f} mm (bounds, RMS in degrees)",
        table(*rate_rows(study)),
        "",
        *_together(study),
        *_alternative(study),
        *textwrap.wrap(f"* {recommendation_sentence(study)}", 100),
    ]
    if study.alternative is not None:
        verdict = alternative_verdict(study.alternative, study.wrong_cycle_limit)
        lines += textwrap.wrap(f"{verdict} {_places(study.alternative.uneven.hydrophones_m)}", 100)
    if not all(np.isfinite(error).all() for error in (study.right_integer_deg, study.envelope_deg, study.expected_deg)):
        lines.append("'none': not observed, no better than a guess.")
    for remark in study.remarks:
        lines += textwrap.wrap(f"Note: {remark}", 100)
    return "\n".join(lines)


def _together(study: SpacingStudy) -> list[str]:
    if not study.each_pinger:
        return []
    head = f"All pingers at {1e3 * study.recommendation.spacing_m:.1f} mm (predictions), and what each would take alone"
    return [head, table(*pinger_rows(study)), ""]


def pinger_rows(study: SpacingStudy) -> Rows:
    """A row for each of several pingers; the one that decides is marked with a star."""
    rows = [
        (
            each.pinger + (" *" if each.pinger == study.pinger else ""),
            f"{each.frequency_hz / 1e3:g}",
            number(each.expected_deg),
            percent(each.wrong_integer),
            f"{1e3 * each.alone_spacing_m:.1f}",
            f"{each.alone_sample_rate_hz / 1e3:g}",
        )
        for each in study.each_pinger
    ]
    return ("pinger", "kHz", "bearing error deg", "wrong cycle", "alone: spacing mm", "alone: rate kHz"), rows


def _alternative(study: SpacingStudy) -> list[str]:
    if study.alternative is None:
        return []
    return ["Scaled or uneven (simulated with echoes, 95 %; RMS in degrees)", table(*alternative_rows(study)), ""]


def _places(hydrophones_m: Floats) -> str:
    places = "; ".join(", ".join(f"{1e3 * at:.0f}" for at in row) for row in hydrophones_m + 0.0)
    return f"Its hydrophones, x, y, z in mm of the body frame: {places}. `pingfix place` searches longer."


def alternative_rows(study: SpacingStudy) -> Rows:
    """The scaled array at the recommended spacing and the uneven one that the hull allows, after one ping and four."""
    header = ("array", "one ping", "wrong cycle", "four joined", "wrong cycle")
    if study.alternative is None:
        return header, []
    named = (
        (f"{study.array}, {1e3 * study.recommendation.spacing_m:.1f} mm *", study.alternative.scaled),
        ("uneven, over the hull", study.alternative.uneven),
    )
    rows = [
        (
            name,
            *(
                cell
                for outcome in (choice.one_ping, choice.four_pings)
                for cell in (_simulated(outcome.rms_deg), percent(outcome.wrong_integer.value))
            ),
        )
        for name, choice in named
    ]
    return header, rows


def alternative_verdict(found: Alternative, limit: float) -> str:
    """Which array to take after one ping and after four, and what the uneven one risks; `limit` is of wrong cycles."""
    one, four = found.uneven.one_ping, found.uneven.four_pings
    if one.wrong_integer.value > 0:
        risk = (
            f"{percent(one.wrong_integer.value)} of its single pings have a wrong cycle "
            f"({percent(one.wrong_integer.low)} to {percent(one.wrong_integer.high)}) and err by "
            f"{number(one.wrong_integer_deg)} deg RMS; the others by {number(one.right_integer_deg.value)}"
        )
    else:
        most = percent(max(one.wrong_integer.high, 1e-4))
        risk = f"none of its simulated pings had a wrong cycle, so under {most} have"
    after_one = _why_not(one, found.scaled.one_ping, limit)
    after_four = _why_not(four, found.scaled.four_pings, limit)
    if found.better_after_one and found.better_after_four:
        which = "Better: the uneven array, after one ping and after four."
    elif found.better_after_four:
        which = (
            f"A crew that acts on single pings keeps the scaled array, {after_one}. One that joins {JOINED} pings at "
            f"one place before it acts takes the uneven one: {number(four.rms_deg.value)} deg then, in place of "
            f"{number(found.scaled.four_pings.rms_deg.value)}."
        )
    elif found.better_after_one:
        which = f"Better after one ping: the uneven array; after four not, {after_four}."
    else:
        which = (
            f"Keep the scaled array. The uneven one is not surely better after one ping, {after_one}, nor after four, "
            f"{after_four}."
        )
    return f"{which} Its risk: {risk}."


def _why_not(uneven: BearingOutcome, scaled: BearingOutcome, limit: float) -> str:
    if uneven.rms_deg.high >= scaled.rms_deg.low:
        return f"as {number(uneven.rms_deg.value)} deg is not surely less than {number(scaled.rms_deg.value)}"
    return f"as wrong cycles of the uneven one may exceed the limit of {percent(limit)}"


def recommendation_sentence(study: SpacingStudy) -> str:
    """What to take, why, and which of several pingers decides it."""
    choice = study.recommendation
    if np.isinf(choice.expected_deg):
        return (
            "Not observed: by the sound before the first strong echo no spacing within the hull tells the bearing from "
            f"here better than a guess. {1e3 * choice.spacing_m:.0f} mm and {choice.sample_rate_hz / 1e3:g} kHz stand "
            "for any."
        )
    count = len(study.each_pinger)
    served = "" if not count else " for both pingers" if count == 2 else f" for all {count} pingers"
    deciders = " and rate" if choice.highest_pinger == study.pinger else f", {choice.highest_pinger} the rate"
    who = f"; {study.pinger} decides the spacing{deciders}" if served else ""
    worse = " Here the simulation found more than was predicted, and its figures are the ones given."
    return (
        f"Take {1e3 * choice.spacing_m:.0f} mm and {choice.sample_rate_hz / 1e3:g} kHz{served}: {_aim(study)}{who}; "
        f"{_cycle(study)}; the rate is the lowest listed that leaves room for the band up to "
        f"{choice.band_top_hz / 1e3:.1f} kHz, and interpolation gains nothing from a faster one."
        f"{worse if choice.simulated_worse else ''}"
    )


def _aim(study: SpacingStudy) -> str:
    choice = study.recommendation
    target = f"the target of {study.target_deg:g} deg"
    error = f"{number(choice.expected_deg)} deg{'' if choice.simulated_worse else ' predicted'}"
    if choice.wrong_integer > study.wrong_cycle_limit:
        return f"no spacing within the hull keeps wrong cycles under the limit, and this one errs least, {error}"
    if choice.meets_target:
        return f"it is the smallest spacing whose bearing error, {error}, meets {target}"
    return f"none within the hull and the cycle limit meets {target}, and this one comes nearest with {error}"


def _cycle(study: SpacingStudy) -> str:
    choice, limit = study.recommendation, percent(study.wrong_cycle_limit)
    if choice.spacing_m <= choice.free_spacing_m * (1 + 1e-9) and choice.wrong_integer <= study.wrong_cycle_limit:
        return "up to half a wavelength the phase alone tells the cycle"
    predicted = "" if choice.simulated_worse else "predicted "
    return f"wrong cycles are {predicted}at {percent(choice.wrong_integer)} (limit {limit})"


def spacing_headline(study: SpacingStudy) -> str:
    """What to take, and how good that is, and the uneven array where it is better after one ping already."""
    choice, other = study.recommendation, study.alternative
    better = ""
    if other is not None and other.better_after_one:
        better = f" Better: the uneven array, {number(other.uneven.one_ping.rms_deg.value)} deg (simulated)."
    target = "within" if choice.expected_deg <= study.target_deg else "over"
    return (
        f"{study.title}, {study.array} scaled, {study.frequency_hz / 1e3:g} kHz at {study.range_m:.1f} m: take "
        f"{1e3 * choice.spacing_m:.0f} mm and {choice.sample_rate_hz / 1e3:g} kHz, for "
        f"{number(choice.expected_deg)} deg (prediction), {target} the target of {study.target_deg:g} deg.{better}"
    )


def spacing_rows(study: SpacingStudy) -> Rows:
    """Bearing error by spacing; the recommended one is marked with a star."""
    header = (
        "spacing mm",
        "phase, right cycle (bound)",
        "envelope (bound)",
        "wrong cycle",
        "phase (predicted)",
        "phase (simulated, 95 %)",
        "fits hull",
    )
    rows = []
    for spacing, simulated in zip(study.simulated.spacing_m, study.simulated.rms_deg, strict=True):
        k = int(np.argmin(np.abs(study.spacing_m - spacing)))
        mark = " *" if np.isclose(spacing, study.recommendation.spacing_m) else ""
        rows.append(
            (
                f"{1e3 * spacing:.1f}{mark}",
                number(study.right_integer_deg[k]),
                number(study.envelope_deg[k]),
                percent(study.wrong_integer[k]),
                number(study.expected_deg[k]),
                _simulated(simulated),
                "yes" if spacing <= study.hull_limit_m * (1 + 1e-9) else "no",
            )
        )
    return header, rows


def _simulated(error: Interval) -> str:
    """A simulated error with its interval; 'none' for one that is no better than a guess."""
    if np.isinf(unless_guessed(error.value, np.rad2deg(BEARING_GUESS_SD))):
        return "none"
    return with_interval(error)


def rate_rows(study: SpacingStudy) -> Rows:
    """Bearing error by sample rate at the recommended spacing; the recommended one is marked with a star."""
    chosen = int(np.argmin(np.abs(study.spacing_m - study.recommendation.spacing_m)))
    header = (
        "sample rate kHz",
        "phase, interpolated",
        "phase, lag rounded to a sample",
        "onset rounded to a sample",
    )
    rates = zip(study.sample_rate_hz, study.phase_deg, study.lag_deg, study.onset_deg, strict=True)
    rows = [
        (
            f"{rate / 1e3:g}" + (" *" if rate == study.recommendation.sample_rate_hz else ""),
            *(number(error[chosen]) for error in errors),
        )
        for rate, *errors in rates
    ]
    return header, rows
