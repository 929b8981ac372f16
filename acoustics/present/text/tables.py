"""Aligned text tables with sensible digits, and results as JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from acoustics.base.intervals import Interval
from acoustics.scene.model import SceneModel

# Header and rows of a table, for text and for pages alike.
Rows = tuple[Sequence[str], Sequence[Sequence[str]]]

# Share of samples; too loud pings with their strong echoes last a smaller part of their interval.
OFTEN_CLIPPED = 0.1


_WIDEST = 100  # columns of a terminal that a table should fit


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns aligned under their headings: the first to the left, the others to the right.

    Headings take up to three lines where the table would otherwise be too wide for a terminal.
    """
    for most_lines in (1, 2, 3):
        columns = [_folded(heading, [row[k] for row in rows], most_lines) for k, heading in enumerate(header)]
        height = max(map(len, columns))
        heads = list(zip(*([""] * (height - len(lines)) + lines for lines in columns), strict=True))
        widths = [max(len(str(row[k])) for row in (*heads, *rows)) for k in range(len(header))]
        if sum(widths) + 2 * (len(widths) - 1) <= _WIDEST:
            break

    def line(cells: Sequence[str]) -> str:
        first = str(cells[0]).ljust(widths[0])
        others = (str(cell).rjust(width) for cell, width in zip(cells[1:], widths[1:], strict=True))
        return "  ".join((first, *others)).rstrip()

    return "\n".join([*map(line, heads), "  ".join("-" * width for width in widths), *(line(row) for row in rows)])


def _folded(heading: str, cells: Sequence[str], most_lines: int) -> list[str]:
    """A heading on so many lines at most, no wider than that needs, nor narrower than the cells under it."""
    width = max(map(len, (*heading.split(), *map(str, cells))), default=1)
    while len(lines := textwrap.wrap(heading, width)) > most_lines:
        width += 1
    return lines or [""]


def number(value: float, digits: int = 2) -> str:
    """A number to so many significant digits and never more than a reader can use; 'none' for what is infinite."""
    if not np.isfinite(value):
        return "none"
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))
    return f"{value:.{min(decimals, 6)}f}"


def percent(probability: float) -> str:
    """A probability as a percentage; small ones are named by the limit they are under."""
    return (
        "<0.01 %"
        if probability < 1e-4
        else f"{100 * probability:.2g} %"
        if probability < 0.1
        else f"{100 * probability:.0f} %"
    )


def share_text(probability: float) -> str:
    """A probability as a percentage that rounding does not turn into certainty."""
    return "over 99 %" if 0.99 < probability < 1.0 else percent(probability)


def with_interval(value: Interval, form: Callable[[float], str] = number) -> str:
    """A value with the ends of its interval in brackets."""
    return f"{form(value.value)} ({form(value.low)} to {form(value.high)})"


def counted(n: int, noun: str) -> str:
    """A number with its noun, which has an s for more or less than one."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


def observed(error: float, unit: str) -> str:
    """An error with its unit; infinite: not observed."""
    return "not observed" if np.isinf(error) else f"{number(error)} {unit}"


def variances(scale: float) -> str:
    """How much larger those of rendered places are than their bound's."""
    return f"with {scale:.1f} times the variance of their bound with echoes"


def known_pool_words(to_first_wall_m: float, whole_burst_m: float) -> str:
    """What who knows the pool could reach; without walls, or none that echoes within the burst, in one figure."""
    whole = f"{observed(whole_burst_m, 'm')} by the whole burst"
    if to_first_wall_m == whole_burst_m:
        return whole
    return f"{observed(to_first_wall_m, 'm')} before the first echo from a wall, {whole}"


def decibels(level_db: float) -> str:
    """A level to a tenth; 'none' for that of no power."""
    return f"{level_db:.1f}" if np.isfinite(level_db) else "none"


def to_dict(result: Any) -> Any:
    """Turn a result (dataclasses, arrays, tuples) into what JSON can hold; infinite and missing numbers become null."""
    if is_dataclass(result):
        return {field.name: to_dict(getattr(result, field.name)) for field in fields(result)}
    if isinstance(result, SceneModel):
        return to_dict(result.model_dump(by_alias=True))
    if isinstance(result, dict):
        return {str(key): to_dict(value) for key, value in result.items()}
    if isinstance(result, np.ndarray):
        return to_dict(result.tolist())
    if isinstance(result, list | tuple):
        return [to_dict(value) for value in result]
    if isinstance(result, np.generic):
        return to_dict(result.item())
    if isinstance(result, float) and not np.isfinite(result):
        return None
    return result


def to_json(result: Any) -> str:
    """A result as JSON text (RFC 8259: no NaN, no infinity)."""
    return json.dumps(to_dict(result), indent=2, allow_nan=False)
