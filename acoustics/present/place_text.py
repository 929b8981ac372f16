"""The answer of `pingfix place` as text: the places, and the shipped arrays by the same measure."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.present.tables import number, percent, table
from acoustics.study.place import Line, Placement

_SPANS = {1: "a line", 2: "a plane"}
_FEW_CYCLES = 5.0
_LIMIT_MET = 0.8  # of the limit: nearer to it a worse recording breaks it


def place_text(result: Placement) -> str:
    """The answer of `pingfix place`."""
    depressions = ", ".join(f"{d:.1f}" for d in result.depression_deg)
    lines = [
        f"{result.title}: {result.pinger} at {result.range_m:.1f} m, {result.frequency_hz / 1e3:g} kHz; clean window "
        f"{number(1e3 * result.clean_window_s)} ms, 2E/N0 {result.energy_ratio_db:.1f} dB",
        f"bearings {result.bearings}, depression {depressions} deg; judged by {result.criterion}; wrong cycle at most "
        f"{100 * result.wrong_cycle_limit:g} %",
        "",
        table(
            ("hydrophone", "x mm", "y mm", "z mm"),
            [(f"h{k}", *(f"{1e3 * x:.1f}" for x in row)) for k, row in enumerate(result.hydrophones_m, 1)],
        ),
        "",
        _comparison(result),
        "",
        *textwrap.wrap(_conclusion(result), 100, break_on_hyphens=False),
    ]
    for note in _notes(result):
        lines += textwrap.wrap(f"Note: {note}", 100, break_on_hyphens=False)
    return "\n".join(lines)


def _comparison(result: Placement) -> str:
    own = Line("found", len(result.hydrophones_m), 1.0, True, result.error_deg, result.wrong_cycle, result.within_limit)
    return table(
        ("array (prediction)", "channels", "scale", "bearing error deg", "wrong cycle", "within limit"),
        [_row(own), *(_row(line) for line in _once_each(result.shipped))],
    )


def _once_each(lines: tuple[Line, ...]) -> list[Line]:
    """Without the scaled ones that are no other than the array as it is."""
    return [line for k, line in enumerate(lines) if line not in lines[:k]]


def _row(line: Line) -> tuple[str, ...]:
    head = (line.name, str(line.n_hydrophones), number(line.scale, 3))
    if not line.fits:
        return (*head, "does not fit", "-", "-")
    return (*head, number(line.error_deg, 3), percent(line.wrong_cycle), "yes" if line.within_limit else "no")


def _conclusion(result: Placement) -> str:
    if not result.within_limit:
        return (
            f"No array of {len(result.hydrophones_m)} hydrophones was found that keeps wrong cycles within the limit; "
            "this one has the fewest. Shorten the range, lengthen the clean window, or take more hydrophones."
        )
    parts = [f"The array found errs by {number(result.error_deg, 3)} deg ({result.criterion}, prediction)"]
    for rival, gain, how in (
        (result.best_shipped, result.gain_over_shipped, "as it is"),
        (result.best_scaled, result.gain_over_scaled, "at its best scale"),
    ):
        if rival is not None:
            parts.append(f"{number(gain)} times less than {rival.name} {how}, {number(rival.error_deg, 3)} deg")
    if len(parts) == 1:
        parts.append("no shipped array of so few channels fits and keeps the limit")
    return "; ".join(parts) + ". Compared are arrays that fit, keep the limit and have no more channels."


def _notes(result: Placement) -> list[str]:
    notes = []
    check = result.simulated
    if check is not None:
        right, wrong = check.right_cycle_deg, check.wrong_cycle
        notes.append(
            f"simulated, {check.trials:,} pings over all the directions, 95 % intervals: {number(right.value, 3)} deg "
            f"RMS with the right cycle ({number(right.low, 3)} to {number(right.high, 3)}), wrong cycle "
            f"{percent(wrong.value)} ({percent(wrong.low)} to {percent(wrong.high)}); predicted "
            f"{number(result.mean_error_deg, 3)} deg and {percent(result.mean_wrong_cycle)}."
        )
    if result.rank < 3:
        notes.append(
            f"the array spans {_SPANS[result.rank]}; the mirror image across it is counted in the bearing error, "
            "but which side the pinger is on must come from elsewhere."
        )
    if result.heard_by_fewest < len(result.hydrophones_m):
        notes.append(f"towards some direction the vehicle shadows all but {result.heard_by_fewest} hydrophones.")
    if result.within_limit and result.wrong_cycle > _LIMIT_MET * result.wrong_cycle_limit:
        notes.append("the limit on wrong cycles is what keeps the array from being wider: a noisier day breaks it.")
    cycles = result.clean_window_s * result.frequency_hz
    if cycles < _FEW_CYCLES:
        notes.append(
            f"only {cycles:.1f} cycles of the carrier arrive before the first strong echo; real estimators come near "
            "these figures with difficulty, and wrong cycles are then more frequent."
        )
    aperture = float(np.linalg.norm(np.ptp(result.hydrophones_m, axis=0)))
    notes.append(
        f"directions are those of far pingers, which for an array {1e3 * aperture:.0f} mm across means to correct "
        "for the curved front at short range; a search finds a good array, not surely the best: try --starts."
    )
    return notes
