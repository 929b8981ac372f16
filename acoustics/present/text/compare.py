"""Scenes side by side, as one table with what it concludes."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.base.intervals import RANGE_LOST
from acoustics.present.text.tables import Rows, number, table
from acoustics.study.compare import ComparedQuantity, Comparison

_WIDEST = 100
_LEAST_PERCENT = 0.01  # what is rarer makes no difference on a day
_SAME = 0.02  # of the better: what differs by less is no reason to choose
_JUDGED = (
    "bearing error",
    "position error",
    "wrong integers",
    "bearing error over the site",
    "position error over the site",
    "wrong integers over the site",
)
NOTE = (
    "Errors are standard deviations (position: horizontal RMS) of one ping; bounds take the integers as right, and the "
    "share of wrong ones stands apart: of some hundred drawn pings, and budget and map print its interval. Over the "
    "site: median of errors, mean of shares; else with the vehicle where its scenario has it."
)


def comparison_text(result: Comparison) -> str:
    """The answer of `pingfix compare`."""
    lines = [*(part for said in conclusions(result) for part in textwrap.wrap(said, _WIDEST)), ""]
    width = max(map(len, result.names))
    for k, name in enumerate(result.names):
        what = f"{result.titles[k]}, {result.pingers[k]}, {result.arrays[k]}: {result.observes[k]}"
        room = _WIDEST - width - 2
        first, *more = textwrap.wrap(what, room)
        lines += [f"{name.ljust(width)}  {first}", *(" " * (width + 2) + part for part in more)]
    notes = [part for said in (_range_lost(result), NOTE) for part in textwrap.wrap(said, _WIDEST)]
    return "\n".join([*lines, "", table(*comparison_rows(result)), "", *notes])


def _range_lost(result: Comparison) -> str:
    """Which scenes' position errors are no positions, as `check` and the report say; empty for none."""
    by_name = {quantity.name: quantity.value for quantity in result.quantities}
    error, far = by_name["position error"], by_name["range to the pinger"]
    lost = [name for name, e, r in zip(result.names, error, far, strict=True) if RANGE_LOST * r < e < np.inf]
    if not lost:
        return ""
    return (
        f"Position error of {', '.join(lost)}: over {100 * RANGE_LOST:g} % of the distance, so one ping does not tell "
        "the range."
    )


def comparison_rows(result: Comparison) -> Rows:
    """A row a quantity: the first scene's value, then each other's with its difference."""
    first, *others = result.names
    header = ["quantity", first]
    for name in others:
        header += [name, "difference"]
    rows = []
    for quantity in result.quantities:
        unit = f" {quantity.unit}" if quantity.unit else ""
        kind = f" ({quantity.kind})" if quantity.kind in ("bound", "prediction") else ""
        cells = [f"{quantity.name}{unit}{kind}", value_text(quantity, 0)]
        for k in range(1, len(result.names)):
            cells += [value_text(quantity, k), difference_text(quantity, k)]
        rows.append(cells)
    return header, rows


def value_text(quantity: ComparedQuantity, k: int) -> str:
    """A scene's value with three digits; in words where there is none."""
    value = quantity.value[k]
    if np.isnan(value):
        return "-"
    if np.isinf(value):
        return "not observed" if quantity.kind == "bound" else "none"
    if quantity.unit == "%" and value < _LEAST_PERCENT:
        return "0" if value == 0 else f"<{_LEAST_PERCENT:g}"
    return f"{value:.0f}" if abs(value) >= 100 or not quantity.unit else number(value, 3)


def difference_text(quantity: ComparedQuantity, k: int) -> str:
    """By how much it differs from the first's, with its sign; 0 where both are the same in the digits shown."""
    if value_text(quantity, k) == value_text(quantity, 0):
        return "0" if np.isfinite(quantity.value[k]) else "-"
    difference = quantity.difference[k]
    if np.isnan(difference):
        return "-" if np.isnan(quantity.value[[0, k]]).any() else "differs"
    size = f"{abs(difference):.0f}" if not quantity.unit else number(abs(difference))
    return f"{'+' if difference > 0 else '-'}{size}"


def headline(result: Comparison) -> str:
    """Best bearing and fewest wrong integers, here or over the site, wherever they are more: the first is worth nothing
    without the second."""
    said = dict(zip(_JUDGED, conclusions(result), strict=True))
    most = {q.name: np.nanmax(q.value, initial=0.0) for q in result.quantities if q.name.startswith("wrong integers")}
    return f"{said['bearing error']} {said[max(most, key=lambda name: most[name])]}"


def conclusions(result: Comparison) -> list[str]:
    """Who is best by what decides, a sentence each."""
    found = {quantity.name: quantity for quantity in result.quantities}
    return [_best(result.names, found[name]) for name in _JUDGED]


def _best(names: tuple[str, ...], quantity: ComparedQuantity) -> str:
    """Which of them is best by one quantity, less being better."""
    what = quantity.name[0].upper() + quantity.name[1:]
    values = np.where(np.isnan(quantity.value), np.inf, quantity.value)
    if np.isinf(values).all():
        return f"{what}: not observed by any."
    best, worst = int(np.argmin(values)), int(np.argmax(values))
    unit = f" {quantity.unit}" if quantity.unit else ""
    alike = max(_SAME * abs(values[best]), _LEAST_PERCENT if quantity.unit == "%" else 0.0)
    if values[worst] - values[best] <= alike:
        return f"{what}: all alike, {value_text(quantity, best)}{unit} ({quantity.kind})."
    leads = values - values[best] <= alike
    others = "; ".join(
        f"{names[k]} {value_text(quantity, k)}{unit if np.isfinite(values[k]) else ''}"
        for k in np.argsort(values)
        if not leads[k]
    )
    leaders = " and ".join(name for name, lead in zip(names, leads, strict=True) if lead)
    return f"{what}: least with {leaders}, {value_text(quantity, best)}{unit} ({quantity.kind}); {others}."
