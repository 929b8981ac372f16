"""Tables in CSV: rows by column, one at a time, and one clear line for whatever is wrong with the file.

No line and no file is endless: what is no table must not fill the memory.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np

from acoustics.base.errors import InputError
from acoustics.base.table_model import LARGEST_NUMBER, nearest

MOST_LINES = 1_000_000  # of a table with a row a ping or a pose: three hours of poses at 100 a second
_LONGEST_LINE = 1_000


@dataclass(frozen=True, slots=True)
class CsvRow:
    """One row of a file: the number of its line, and its cells by column, without blanks round them."""

    source: str
    line: int
    cells: dict[str, str]

    def refusal(self, problem: str, column: str = "") -> InputError:
        """What is wrong with the row, or with one cell of it."""
        return InputError(self.source, f"line {self.line}{': ' if column else ''}{column}", problem)

    def number(self, column: str, *, largest: float = LARGEST_NUMBER, whole: bool = False) -> float:
        """The finite number in a cell, of a size up to `largest`; or InputError."""
        text = self.cells[column]
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if not abs(value) <= largest or (whole and value != round(value)):
            raise self.refusal(f"expected a {'whole ' if whole else ''}number, got {text[:40]!r}", column)
        return value


def read_rows(
    path: str | Path, needed: Sequence[str], *, optional: Sequence[str] = (), either: Sequence[str] = ()
) -> Iterator[CsvRow]:
    """The rows of a CSV file below its header; those without anything in them are passed over.

    Parameters
    ----------
    path : str or Path
        Text in UTF-8. Its first line names the columns, in any order.
    needed, optional : sequence of str
        Columns that must and that may be there; no others may.
    either : sequence of str
        Columns of which at least one must be there.

    Raises
    ------
    InputError
        If the file cannot be read, is no CSV, has other columns, or a row has more or fewer cells than there are
        columns. Names the line or the column.
    """
    source = str(path)
    try:
        with open(path, encoding="utf-8-sig", newline="") as handle:
            reader = csv.reader(short_lines(handle, source), strict=True)
            header = [name.strip() for name in next(reader, [])]
            check_header(header, source, needed, either, optional)
            for cells in reader:
                row = CsvRow(source, reader.line_num, dict(zip(header, map(str.strip, cells), strict=False)))
                if not any(row.cells.values()):
                    continue
                if len(cells) != len(header):
                    raise row.refusal(f"expected {len(header)} values, got {len(cells)}")
                yield row
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(source, "", f"is not a CSV file in UTF-8: {error}") from None


def short_lines(handle: TextIO, source: str) -> Iterator[str]:
    """Lines of an open file with their ends, as `csv.reader` wants them.

    Raises
    ------
    InputError
        If a line is longer than 1,000 characters, or the lines are over a million.
    """
    number = 0
    while line := handle.readline(_LONGEST_LINE + 2):
        number += 1
        if len(line.rstrip("\r\n")) > _LONGEST_LINE:
            raise InputError(source, f"line {number}", f"is longer than {_LONGEST_LINE:,} characters")
        if number > MOST_LINES:
            raise InputError(source, "", f"holds over {MOST_LINES:,} lines")
        yield line


def check_header(
    header: Sequence[str], source: str, needed: Sequence[str], either: Sequence[str] = (), optional: Sequence[str] = ()
) -> None:
    """Refuse a header without all the `needed` columns, or one of `either`, or with others than those and `optional`.

    Raises
    ------
    InputError
        Names the column.
    """
    known = [*needed, *either, *optional]
    for name in header:
        if header.count(name) > 1:
            raise InputError(source, name[:60], "stands there twice in the header")
    for name in needed:
        if name not in header:
            raise InputError(source, name, f"is missing in the header; expected {','.join(needed)}")
    if either and not set(either) & set(header):
        raise InputError(source, either[0], f"is missing in the header; expected it or {', '.join(either[1:])}")
    for name in header:
        if name not in known:
            near = nearest(name, known)
            hint = f"known: {', '.join(known)}" if near is None else f"did you mean {near}?"
            raise InputError(source, name[:60] or "header", f"is not a column of such a file; {hint}")
