"""Lines of a text file, one at a time, none of them endless: a file that is no table must not fill the memory."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TextIO

from acoustics.base.errors import InputError

MOST_LINES = 1_000_000  # of a table with a row a ping or a pose: three hours of poses at 100 a second
_LONGEST_LINE = 1_000


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
