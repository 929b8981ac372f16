"""A navigation that is still coming: rows in CSV or JSON lines from a file that grows, a pipe or a local socket."""

from __future__ import annotations

import csv
import json
import re
import socket
import stat
import time
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Self

import numpy as np
from pydantic import Field, model_validator

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats
from acoustics.base.table_model import NotNegative, Number, Place, TableModel
from acoustics.base.toml_tables import validated
from acoustics.io.csv_table import check_header
from acoustics.io.navigation import COLUMNS, Navigation

_LONGEST_LINE = 1_000
_LOCAL = re.compile(r"(localhost|127\.0\.0\.1|\[::1\]):(\d{1,5})")
_ADDRESS = re.compile(r"[\w.\-\[\]:]+:\d{1,5}")
_POLL_S = 0.02
MOST_ROWS = 12_000  # two minutes at 100 a second

Row = tuple[float, ...]
_Pose = tuple[Number, Number, Number, Number, Number, Number, Number]


class _PoseRow(TableModel):
    """One pose; the columns of a navigation file."""

    time_s: Number
    x_m: Number
    y_m: Number
    z_m: Number
    roll_deg: Number
    pitch_deg: Number
    heading_deg: Number


class RowReader:
    """Poses from lines: JSON objects, or CSV below a header that names the columns in any order."""

    def __init__(self, source: str) -> None:
        self._source, self._line, self._header = source, 0, list[str]()

    def take(self, line: bytes) -> Row | None:
        """The pose of a line, in the order of `COLUMNS`; None for a header or an empty line.

        Raises
        ------
        InputError
            If the line is neither: names line and column. The next line may be taken all the same.
        """
        self._line += 1
        where = f"{self._source}: line {self._line}"
        if len(line) > _LONGEST_LINE:
            raise InputError(where, "", f"is longer than {_LONGEST_LINE:,} bytes")
        try:
            text = line.decode("utf-8-sig").strip()
            if not text:
                return None
            table: Any = json.loads(text) if text.startswith("{") else self._from_csv(text, where)
        except (ValueError, RecursionError, csv.Error) as error:
            raise InputError(where, "", f"is neither JSON nor CSV of poses: {error}") from None
        if table is None:
            return None
        row = validated(_PoseRow, table, where)
        return tuple(getattr(row, name) for name in COLUMNS)

    def _from_csv(self, text: str, where: str) -> dict[str, float] | None:
        cells = [cell.strip() for cell in next(csv.reader([text], strict=True))]
        if not self._header:
            check_header(cells, where, COLUMNS)
            self._header = cells
            return None
        if len(cells) != len(self._header):
            raise InputError(where, "", f"expected {len(self._header)} values, got {len(cells)}")
        return {name: float(cell) for name, cell in zip(self._header, cells, strict=True)}


def navigation_lines(where: str, stopped: Callable[[], bool]) -> Iterator[bytes]:
    """Whole lines as they come; ends with a pipe or a socket, and for a file when `stopped` says so.

    Parameters
    ----------
    where : str
        A file, a named pipe, or `localhost:port`, `127.0.0.1:port` or `[::1]:port`.

    Raises
    ------
    InputError
        If it cannot be opened or read.
    """
    check_navigation(where)
    try:
        local = _local_address(where)
        if local is not None:
            with closing(socket.create_connection(local)) as connection, connection.makefile("rb") as handle:
                yield from handle
            return
        with open(where, "rb") as handle:
            yield from _growing(handle, stopped) if stat.S_ISREG(Path(where).stat().st_mode) else handle
    except OSError as error:
        raise InputError(where, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None


def check_navigation(where: str) -> None:
    """Refuse early what no navigation can come from.

    Raises
    ------
    InputError
        For a file that is not there, and a socket of another machine.
    """
    if Path(where).exists() or _local_address(where) is not None:
        return
    if _ADDRESS.fullmatch(where):
        raise InputError(where, "", "is no socket of this machine; expected 127.0.0.1:PORT")
    raise InputError(where, "", "cannot be read: no such file or directory")


def _local_address(where: str) -> tuple[str, int] | None:
    found = None if Path(where).exists() else _LOCAL.fullmatch(where)
    return None if found is None else (found[1].strip("[]"), int(found[2]))


def _growing(handle: BinaryIO, stopped: Callable[[], bool]) -> Iterator[bytes]:
    """Lines of a file that another program writes; a line without its end is waited for."""
    begun = b""
    while not stopped():
        part = handle.readline(_LONGEST_LINE + 1)
        begun += part
        if begun.endswith(b"\n") or len(begun) > _LONGEST_LINE:
            yield begun
            begun = b""
        elif not part:
            time.sleep(_POLL_S)


class NavigationState(TableModel):
    """What a `NavigationLog` is taken up from."""

    rows: Annotated[tuple[_Pose, ...], Field(max_length=MOST_ROWS)]
    origin_m: Place | None
    travelled_m: NotNegative

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if any(later[0] <= earlier[0] for earlier, later in pairwise(self.rows)):
            raise ValueError("rows are not in order of time")
        return self


class NavigationLog:
    """The latest rows of a navigation in order of time, however late one comes; at most `MOST_ROWS` of them."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.rows: list[Row] = []
        self.origin_m: tuple[float, ...] | None = None
        self.travelled_m = 0.0

    def add(self, rows: Iterable[Row]) -> None:
        """Take up rows; one from before all that is kept, or of a time that is known, is passed over."""
        for row in rows:
            place = len(self.rows) if not self.rows or row[0] > self.rows[-1][0] else bisect_left(self.rows, row[:1])
            known = place < len(self.rows) and self.rows[place][0] == row[0]
            if known or (place == 0 and self.origin_m is not None):
                continue
            self.rows.insert(place, row)
        if len(self.rows) > MOST_ROWS:
            self._drop(len(self.rows) - MOST_ROWS)

    def forget_before(self, time_s: float) -> None:
        """Drop the rows that no pose at or after a time needs [s]."""
        self._drop(bisect_left(self.rows, (time_s,)) - 1)

    def spans(self) -> tuple[float, float]:
        """First and last time kept [s]; the last before the first where there is no row."""
        return (self.rows[0][0], self.rows[-1][0]) if self.rows else (np.inf, -np.inf)

    def navigation(self) -> Navigation:
        """The rows kept, one or more, as a navigation."""
        values = np.array(self.rows)
        origin = None if self.origin_m is None else np.array(self.origin_m)
        roll, pitch, heading = np.deg2rad(values[:, 4:].T)
        place = values[:, 1:4]
        return Navigation(self.source, values[:, 0], place, roll, pitch, heading, origin, self.travelled_m)

    def table(self) -> dict[str, Any]:
        """What `restore` takes, of plain numbers."""
        return {"rows": self.rows.copy(), "origin_m": self.origin_m, "travelled_m": self.travelled_m}

    def restore(self, state: NavigationState) -> None:
        """Take up where `table` was made."""
        self.rows, self.origin_m, self.travelled_m = list(state.rows), state.origin_m, state.travelled_m

    def _drop(self, count: int) -> None:
        if count <= 0:
            return
        if self.origin_m is None:
            self.origin_m = self.rows[0][1:4]
        places: Floats = np.array(self.rows[: count + 1])[:, 1:3]
        steps = np.linalg.norm(np.diff(places, axis=0), axis=-1)
        # Added one after the other, as if no row had been dropped: to the last bit the same.
        self.travelled_m = float(np.cumsum(np.append(self.travelled_m, steps))[-1])
        del self.rows[:count]
