"""The answer of `pingfix budget` as text: one line an error, the totals, and what to improve first."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.base.intervals import RANGE_LOST
from acoustics.physics.levels import power_ratio_db
from acoustics.present.text.integers import drawn_from, drawn_share, wrong_integer_warning
from acoustics.present.text.tables import Rows, known_pool_words, number, percent, table
from acoustics.study.budget import Budget, Contribution

_BELOW = 0.9  # of the bound: a prediction nearer to it may differ by its own draws

LEGEND = (
    "Every number is a Cramer-Rao bound with all the errors as nuisance parameters, unless its line says otherwise. "
    "Each error is taken through the one estimator that knows of them all, so the lines add in quadrature to the "
    "total. A bias is what a simpler model gets wrong, to first order; rounding is what a lag rounded to a sample "
    "would add, and interpolation avoids it: it is in no total. Halved: the total recomputed with half the "
    "standard deviation (for noise, 6 dB less). The cycle is taken as resolved, and only the part of the burst before "
    "the first strong echo counts: no unbiased estimator that uses this part alone does better. '-': does not apply. "
    "'none': not observed."
)


def budget_text(result: Budget) -> str:
    """The answer of `pingfix budget`."""
    ratio = power_ratio_db(result.energy_ratio_2e_n0)
    lines = [
        *budget_warning(result),
        f"{result.title}: {result.array}; {result.pinger} at {result.range_m:.1f} m, site bearing "
        f"{result.site_bearing_deg:.1f} deg, depression {result.site_depression_deg:.1f} deg",
        f"multipath-free window {number(1e3 * result.multipath_free_s)} ms, 2E/N0 "
        + (f"{ratio:.1f} dB" if np.isfinite(ratio) else "none"),
        "",
        table(*budget_rows(result)),
        "",
        *textwrap.wrap(predicted_sentence(result), 100),
        *textwrap.wrap(known_pool_sentence(result), 100),
        "",
        f"Improve first ({result.rule}):",
        f"  bearing:  {advice(result.improve_bearing, 'bearing', 'deg', result.bearing_deg)}",
        f"  position: {advice(result.improve_position, 'position', 'm', result.position_m)}",
        "",
        *textwrap.wrap(LEGEND, 100),
    ]
    for note in budget_notes(result):
        lines += textwrap.wrap(f"Note: {note}", 100)
    return "\n".join(lines)


def budget_warning(result: Budget) -> list[str]:
    """What comes first where the integers are often wrong."""
    return wrong_integer_warning(
        result.predicted.wrong_integer.value,
        result.wrong_cycle_limit,
        f"from here ({drawn_from(result.predicted.wrong_integer, result.predicted.drawn)})",
        "The bounds below hold for the others.",
    )


def predicted_sentence(result: Budget) -> str:
    """What the vehicle's own estimator will do, beside the bound."""
    found = result.predicted
    if not found.answered:
        return "The vehicle's own estimator (prediction): no bearing from here, the bursts are too weak."
    bearing = f"{number(found.bearing_deg)} deg RMS" if np.isfinite(found.bearing_deg) else "no better than a guess"
    position = f"{number(found.position_m)} m RMS" if np.isfinite(found.position_m) else "none"
    said = (
        f"The vehicle's own estimator (prediction), which cannot know when the first echo comes: it uses "
        f"{number(1e3 * found.window_s)} ms, 2E/N0 {power_ratio_db(found.energy_ratio_2e_n0):.1f} dB; bearing {bearing}"
        f" in {percent(found.answered)} of the pings, position {position}, wrong cycles in "
        f"{drawn_share(found.wrong_integer, found.drawn)}."
    )
    if found.bearing_deg < _BELOW * result.bearing_deg:
        said += " It is below the bound, since the bound's part of the burst is the shorter one."
    return said


def known_pool_sentence(result: Budget) -> str:
    """What the position's error could be for who knows the pool."""
    return (
        "The pool known and echoes taken as measurements (bounds): position "
        f"{known_pool_words(result.position_to_first_wall_m, result.position_whole_burst_m)}."
    )


def budget_headline(result: Budget) -> str:
    """The budget in one sentence: how good, and what to improve first."""
    bearing = "not observed" if np.isinf(result.bearing_deg) else f"good to {number(result.bearing_deg)} deg"
    position = "not observed" if np.isinf(result.position_m) else f"good to {number(result.position_m)} m"
    own = result.predicted.bearing_deg
    expected = f"{number(own)} deg" if np.isfinite(own) else "none"
    firsts = [
        f"{line.name} ({what})"
        for line, what in ((result.improve_bearing, "bearing"), (result.improve_position, "position"))
        if line is not None
    ]
    if len(firsts) == 2 and result.improve_bearing == result.improve_position:
        firsts = [f"{firsts[0].removesuffix(')')} and position)"]
    return (
        f"{result.title}, {result.array}, {result.pinger} at {result.range_m:.1f} m: bearing {bearing}, position "
        f"{position} (bounds), own bearing {expected} (prediction)"
        + (f"; improve first: {' and '.join(firsts)}." if firsts else ".")
    )


def budget_notes(result: Budget) -> list[str]:
    """What a reader should not overlook, in whole sentences."""
    notes = []
    for c in result.contributions:
        beyond = {
            "bearing": c.bearing_deg > result.bearing_deg,
            "depression": c.depression_deg > result.depression_deg,
            "position": c.position_m > result.position_m,
        }
        if c.kind == "bias" and any(beyond.values()):
            what = " and ".join(name for name, over in beyond.items() if over)
            notes.append(f"{c.name} is a bias larger than the bound of the {what}: allow for it before anything else.")
    if np.isinf(result.depression_deg) and np.isfinite(result.bearing_deg):
        notes.append("the depression is not observed; the bearing's figures are those with the depression known.")
    if result.energy_ratio_2e_n0 == 0:
        notes.append("no part of the burst comes before the first strong echo, so nothing of it counts.")
    if RANGE_LOST * result.range_m < result.position_m < np.inf:
        notes.append(
            f"a position error of over {100 * RANGE_LOST:g} % of the distance means that one ping does not tell this "
            "array the range; the figure, good to first order, is then too rough to use. The bearing is not touched "
            "by that."
        )
    return notes


def by_size(result: Budget) -> list[Contribution]:
    """The lines of the bound, the largest share of either total first."""
    totals = np.array([result.bearing_deg, result.position_m])

    def share(line: Contribution) -> float:
        parts = np.array([line.bearing_deg, line.position_m])
        return float(np.max(np.where(np.isfinite(totals), parts, 0.0) / totals))

    return sorted((c for c in result.contributions if c.kind == "bound"), key=share, reverse=True)


def budget_rows(result: Budget) -> Rows:
    """One line an error, then the totals."""
    header = (
        "standard deviation",
        "bearing deg",
        "depression deg",
        "position m",
        "bearing if halved",
        "position if halved",
        "can change",
    )
    totals = (result.bearing_deg, result.depression_deg, result.position_m)
    digits = [_decimals(total) for total in totals]

    def cells(name: str, values: tuple[float, float, float]) -> tuple[str, ...]:
        return (name, *(_fixed(v, d) for v, d in zip(values, digits, strict=True)))

    rows: list[tuple[str, ...]] = []
    for c in by_size(result):
        row = cells(c.name, (c.bearing_deg, c.depression_deg, c.position_m))
        halved = (_fixed(c.bearing_halved_deg, digits[0]), _fixed(c.position_halved_m, digits[2]))
        rows.append((*row, *halved, "yes" if c.changeable else "no"))
    blank = ("", "", "")
    rows.append((*cells("total (bound)", totals), *blank))
    for c in result.contributions:
        if c.kind != "bound":
            rows.append((*cells(f"{c.name} ({c.kind})", (c.bearing_deg, c.depression_deg, c.position_m)), *blank))
    biased = (result.bearing_with_bias_deg, result.depression_with_bias_deg, result.position_with_bias_m)
    rows.append((*cells("total with the biases", biased), *blank))
    return header, rows


def advice(line: Contribution | None, quantity: str, unit: str, total: float) -> str:
    """The contribution to improve first, and what halving it gains."""
    if not np.isfinite(total):
        return "not observed"
    if line is None:
        return "nothing that the team can change contributes"
    part, halved = {
        "bearing": (line.bearing_deg, line.bearing_halved_deg),
        "position": (line.position_m, line.position_halved_m),
    }[quantity]
    gain = 1 - halved / total
    return (
        f"{line.name}, {number(part, 3)} of {number(total, 3)} {unit} ({line.key}); halved, the total falls to "
        f"{number(halved, 3)} {unit} ({100 * gain:.0f} % less)"
    )


def _decimals(total: float) -> int:
    """Decimals that give a total four significant digits: its parts then stand under one another."""
    if not np.isfinite(total) or total <= 0:
        return 3
    return int(np.clip(3 - np.floor(np.log10(total)), 0, 6))


def _fixed(value: float, decimals: int) -> str:
    """A number to so many decimals; one that they would hide is named by the limit it is under."""
    if np.isnan(value):
        return "-"
    least = 10.0**-decimals
    if np.isinf(value) or value < 1e-6 * least:  # rounding errors of what is zero
        return "0" if np.isfinite(value) else "none"
    return f"<{least:.{decimals}f}" if value < least / 2 else f"{value:.{decimals}f}"
