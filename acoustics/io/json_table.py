"""Values of a JSON table by key, or one line that names the key and says what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from acoustics.base.errors import InputError

LARGEST_NUMBER = 1e9
FARTHEST_M = 1e7  # of any origin that a navigation may have, be it the equator


@dataclass(frozen=True)
class TableReader:
    """Reads tables of one file. `where` is the dotted path of a table, with a dot at its end.

    Every method raises InputError, with the file and the key, for what it does not accept.
    """

    source: str
    kind: str

    def known_keys(self, table: Any, where: str, keys: Iterable[str]) -> None:
        """Refuse what is no table, and keys that nobody knows."""
        if not isinstance(table, dict):
            raise InputError(self.source, where.rstrip("."), f"expected a table, got {type(table).__name__}")
        for key in table:
            if key not in (known := list(keys)):
                near = get_close_matches(key, known, 1)
                hint = f"; did you mean {near[0]}?" if near else f"; known: {', '.join(known)}"
                raise InputError(self.source, f"{where}{key}"[:60], f"is not a key of a {self.kind}{hint}")

    def given(self, table: dict[str, Any], key: str) -> bool:
        """Whether the key is there and not null."""
        return table.get(key) is not None

    def value(self, table: Any, key: str, kind: type, where: str = "") -> Any:
        """The value of a key, which must be there and of that kind."""
        if not isinstance(table, dict) or key not in table:
            raise InputError(self.source, where + key, "is missing")
        if not isinstance(table[key], kind):
            raise InputError(self.source, where + key, f"expected {kind.__name__}, got {type(table[key]).__name__}")
        if kind is str and not table[key].isprintable():
            raise InputError(self.source, where + key, "must be one line of printable characters")
        return table[key]

    def number(
        self,
        table: Any,
        key: str,
        where: str = "",
        *,
        positive: bool = False,
        minimum: float = -LARGEST_NUMBER,
        maximum: float = LARGEST_NUMBER,
    ) -> float:
        """A finite number of a size that something real may have."""
        value = self.value(table, key, object, where)
        good = isinstance(value, int | float) and not isinstance(value, bool) and -LARGEST_NUMBER <= value <= maximum
        if not good or (positive and value <= 0):
            expected = f"expected a number{' above 0' if positive else ''} of at most {maximum:g}"
            raise InputError(self.source, where + key, f"{expected}, got {value!r}"[:160])
        if value < minimum:
            raise InputError(self.source, where + key, f"expected {minimum:g} or more, got {value:g}")
        return float(value)

    def numbers(
        self, table: Any, key: str, where: str = "", *, length: int | None = None, minimum: float = -1e9
    ) -> tuple[float, ...]:
        """A list of numbers, of a given length or of any."""
        values = self.value(table, key, list, where)
        if length is not None and len(values) != length:
            raise InputError(self.source, where + key, f"expected {length} numbers, got {len(values)}")
        return tuple(self.number({key: value}, key, where, minimum=minimum) for value in values)

    def matrix(
        self, table: Any, key: str, where: str = "", *, rows: int, columns: int
    ) -> tuple[tuple[float, ...], ...]:
        """A list of rows of numbers."""
        values = self.value(table, key, list, where)
        if len(values) != rows:
            raise InputError(self.source, where + key, f"expected {rows} rows, got {len(values)}")
        return tuple(self.numbers({key: row}, key, where, length=columns) for row in values)

    def point(self, table: Any, key: str, where: str = "") -> tuple[float, float, float]:
        """A place [m]."""
        x, y, z = self.numbers(table, key, where, length=3)
        for value in (x, y, z):
            if abs(value) > FARTHEST_M:
                raise InputError(self.source, where + key, f"expected places within {FARTHEST_M:g} m, got {value:g}")
        return x, y, z
