"""The answer of `pingfix place` as text: the places, and the shipped arrays by the same measure."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.base.intervals import BEARING_GUESS_SD, unless_guessed
from acoustics.present.text.tables import number, observed, percent, table
from acoustics.study.draws import JOINED, BearingOutcome
from acoustics.study.known_pool import KnownPoolBound
from acoustics.study.place import Check, Line, Placement, ranges_in_words

_OF = {"bearing": "least error of the bearing", "position": "least horizontal error of the position"}
_SPANS = {1: "a line", 2: "a plane"}
_FEW_CYCLES = 5.0
_BETTER = 1.05  # less than that is printed as 1.0 times
_FAR_FROM_BOUND, _OFTEN_REFUSED = 1.1, 0.02
_LIMIT_MET = 0.8  # of the limit: nearer to it a worse recording breaks it


def place_text(result: Placement) -> str:
    """The answer of `pingfix place`."""
    depressions = ", ".join(f"{d:.1f}" for d in result.depression_deg)
    windows = ", ".join(number(1e3 * w) for w in result.multipath_free_s)
    ratios = ", ".join(f"{r:.1f}" for r in result.energy_ratio_db)
    head = (
        f"{result.title}: {result.pinger} at {ranges_in_words(result)}, {result.frequency_hz / 1e3:g} kHz; "
        f"multipath-free window {windows} ms, 2E/N0 {ratios} dB",
        f"{_OF[result.of]}: bearings {result.bearings}, depression {depressions} deg; judged by {result.criterion}; "
        f"wrong cycle at most {100 * result.wrong_cycle_limit:g} %",
    )
    lines = [
        *(line for part in head for line in textwrap.wrap(part, 110, break_on_hyphens=False)),
        "",
        table(
            ("hydrophone", "x mm", "y mm", "z mm"),
            [(f"h{k}", *(f"{1e3 * x:.1f}" for x in row)) for k, row in enumerate(result.hydrophones_m, 1)],
        ),
        "",
        table(
            ("array (prediction)", "channels", "scale", "bearing deg", "position m", "wrong cycle", "within limit"),
            [_row(line) for line in _once_each((result.found, *result.shipped))],
        ),
        "",
        *textwrap.wrap(_conclusion(result), 100, break_on_hyphens=False),
    ]
    for note in _notes(result):
        lines += textwrap.wrap(f"Note: {note}", 100, break_on_hyphens=False)
    return "\n".join(lines)


def _once_each(lines: tuple[Line, ...]) -> list[Line]:
    """Without the scaled ones that are no other than the array as it is."""
    return [line for k, line in enumerate(lines) if line not in lines[:k]]


def _row(line: Line) -> tuple[str, ...]:
    head = (line.name, str(line.n_hydrophones), number(line.scale, 3))
    if not line.fits:
        return (*head, "does not fit", "-", "-", "-")
    bearing_deg = float(unless_guessed(line.error_deg, np.rad2deg(BEARING_GUESS_SD)))
    errors = number(bearing_deg, 3), number(line.position_error_m, 3)
    return (*head, *errors, percent(line.wrong_integer), "yes" if line.within_limit else "no")


def _error(result: Placement, line: Line) -> str:
    """What was searched for, with its unit."""
    if result.of == "bearing":
        return f"{number(line.error_deg, 3)} deg"
    return f"{number(line.position_error_m, 3)} m"


def _conclusion(result: Placement) -> str:
    compared = " Compared are arrays that fit, keep the limit and have no more channels."
    return _how_good(result) + (compared if result.found.within_limit else "")


def _how_good(result: Placement) -> str:
    """How good the array found is, and how much better than the shipped ones."""
    if not result.found.within_limit:
        return (
            f"No array of {len(result.hydrophones_m)} hydrophones was found that keeps wrong cycles within the limit; "
            "this one has the fewest. Shorten the range, lengthen the multipath-free window, or take more hydrophones."
        )
    parts = [f"The array found errs by {_error(result, result.found)} ({result.criterion}, prediction)"]
    for alternative, gain, how in (
        (result.best_shipped, result.gain_over_shipped, "as it is"),
        (result.best_scaled, result.gain_over_scaled, "at its best scale"),
    ):
        if alternative is not None:
            better = f"{number(gain)} times less than" if gain >= _BETTER else "about as much as"
            parts.append(f"{better} {alternative.name} {how}, {_error(result, alternative)}")
    if len(parts) == 1:
        parts.append("no shipped array of so few channels fits and keeps the limit")
    return "; ".join(parts) + "."


def placement_headline(result: Placement) -> str:
    """The placement in a sentence or two."""
    return (
        f"{result.title}, {len(result.hydrophones_m)} hydrophones for {result.frequency_hz / 1e3:g} kHz, bearings "
        f"{result.bearings}. {_how_good(result)}"
    )


def _by_echoes(bound: KnownPoolBound) -> str:
    wall, whole = observed(bound.to_first_wall_m, "m"), observed(bound.whole_burst_m, "m")
    return f"{wall} before the first echo from a wall and {whole} by the whole burst"


def _notes(result: Placement) -> list[str]:
    notes = []
    if result.simulated is not None:
        notes += _simulated(result, result.simulated)
    if result.rank < 3:
        notes.append(
            f"the array spans {_SPANS[result.rank]}; the mirror image across it is counted in the errors, "
            "but which side the pinger is on must come from elsewhere."
        )
    if result.heard_by_fewest < len(result.hydrophones_m):
        notes.append(f"towards some direction the vehicle shadows all but {result.heard_by_fewest} hydrophones.")
    if result.found.within_limit and result.found.wrong_integer > _LIMIT_MET * result.wrong_cycle_limit:
        notes.append("the limit on wrong cycles is what keeps the array from being wider: a noisier day breaks it.")
    notes.append(
        "who knows the pool and takes echoes as measurements could tell the position from one ping where the vehicle "
        f"stands to {_by_echoes(result.known_pool)} (bounds); with the scenario's array to "
        f"{_by_echoes(result.known_pool_as_it_is)}. The search does not count them."
    )
    cycles = float(result.multipath_free_s.min()) * result.frequency_hz
    if cycles < _FEW_CYCLES:
        notes.append(
            f"only {cycles:.1f} cycles of the carrier arrive before the first strong echo; real estimators come near "
            "these figures with difficulty, and wrong cycles are then more frequent."
        )
    aperture = 1e3 * float(np.linalg.norm(np.ptp(result.hydrophones_m, axis=0)))
    if result.of == "bearing":
        notes.append(
            f"bearings are those of far pingers: with an array {aperture:.0f} mm across correct for the curved front "
            "at short range."
        )
    notes.append("a search finds a good array, not surely the best: try more --starts.")
    return notes


def _simulated(result: Placement, check: Check) -> list[str]:
    notes = [
        "simulated for the vehicle's own estimator with the echoes in its window, over all the directions, 95 % "
        f"intervals: after one ping {_outcome(check.one_ping)}; after {JOINED} joined at one place "
        f"{_outcome(check.four_pings)}."
    ]
    if check.position_m is None or check.refused is None:
        return notes
    position, refused, predicted = check.position_m, check.refused, result.mean_position_error_m
    notes.append(
        f"simulated, horizontal position: {number(position.value, 3)} m RMS of the fixes given "
        f"({number(position.low, 3)} to {number(position.high, 3)}), none given for {percent(refused.value)} of the "
        f"pings ({percent(refused.low)} to {percent(refused.high)}); predicted {number(predicted, 3)} m."
    )
    if position.low > _FAR_FROM_BOUND * predicted or refused.low > _OFTEN_REFUSED:
        notes.append(
            "so far off one ping hardly tells the range, and the prediction is too good: judge by nearer ranges "
            "(--range-m), and plan to listen from several places."
        )
    return notes


def _outcome(outcome: BearingOutcome) -> str:
    error, right, wrong = outcome.rms_deg, outcome.right_integer_deg, outcome.wrong_integer
    return (
        f"{number(error.value, 3)} deg RMS ({number(error.low, 3)} to {number(error.high, 3)}), "
        f"{number(right.value, 3)} with the right cycle, wrong cycle {percent(wrong.value)} ({percent(wrong.low)} to "
        f"{percent(wrong.high)})"
    )
