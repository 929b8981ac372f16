"""The navigation's track of a run: a CSV file, and the poses at the times of the pings."""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats, wrap_angle
from acoustics.base.table_model import FARTHEST_M, LARGEST_NUMBER
from acoustics.estimate.fuse.run import Track
from acoustics.io.csv_table import short_lines

COLUMNS = ("time_s", "x_m", "y_m", "z_m", "roll_deg", "pitch_deg", "heading_deg")
_LARGEST_BYTES = 200_000_000


@dataclass(frozen=True)
class Navigation:
    """Poses in order of time, shape (n,) and (n, 3): times on the recording's clock [s], site frame [m], [rad]."""

    source: str
    time_s: Floats
    position_m: Floats
    roll: Floats
    pitch: Floats
    heading: Floats

    def track_at(self, times_s: ArrayLike) -> Track:
        """Poses at times (k,) in rising order [s]: between rows linear, headings the short way round.

        Raises
        ------
        InputError
            If a time lies outside those of the navigation.
        """
        times = np.asarray(times_s, dtype=float)
        first, last = float(self.time_s[0]), float(self.time_s[-1])
        outside = times[~((times >= first) & (times <= last))]
        if outside.size:
            raise InputError(
                self.source,
                "time_s",
                f"has no row for a ping at {outside[0]:.3f} s: it spans {first:.3f} to {last:.3f} s",
            )
        steps = np.linalg.norm(np.diff(self.position_m[:, :2], axis=0), axis=-1)
        travelled = np.append(0.0, np.cumsum(steps))

        def at(values: Floats) -> Floats:
            return np.interp(times, self.time_s, values)

        return Track(
            position_m=np.stack([at(column) for column in self.position_m.T], axis=-1),
            roll=at(np.unwrap(self.roll)),
            pitch=at(np.unwrap(self.pitch)),
            heading=wrap_angle(at(np.unwrap(self.heading))),
            distance_m=at(travelled),
            origin_m=self.position_m[0],
        )


def read_navigation(path: str | Path) -> Navigation:
    """Read a track: a header of the seven columns in any order, then one row a pose, times rising.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or unknown, or a row is wrong: names line and column.
    """
    source = str(path)
    try:
        if os.path.getsize(path) > _LARGEST_BYTES:
            raise InputError(source, "", f"is larger than {_LARGEST_BYTES // 10**6} MB, so not a navigation file")
        with open(path, encoding="utf-8-sig", newline="") as handle:
            rows = csv.reader(short_lines(handle, source))
            header = [name.strip() for name in next(rows, [])]
            _check_header(header, source)
            cells = (cell for k, row in enumerate(rows, 2) if row for cell in _numbers(row, header, source, k))
            values = np.fromiter(cells, dtype=float).reshape(-1, len(COLUMNS))
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(source, "", f"is not a CSV file in UTF-8: {error}") from None
    if len(values) == 0:
        raise InputError(source, "", "holds no row below its header")
    time, x, y, z, roll, pitch, heading = (values[:, header.index(name)] for name in COLUMNS)
    late = np.flatnonzero(np.diff(time) <= 0)
    if late.size:
        raise InputError(source, "time_s", f"does not rise from {time[late[0]]:.3f} to {time[late[0] + 1]:.3f} s")
    return Navigation(source, time, np.stack([x, y, z], axis=-1), *np.deg2rad([roll, pitch, heading]))


def _check_header(header: list[str], source: str) -> None:
    for name in COLUMNS:
        if header.count(name) != 1:
            problem = "is missing" if name not in header else "stands there twice"
            raise InputError(source, name, f"{problem}; the header must be {','.join(COLUMNS)}")
    for name in header:
        if name not in COLUMNS:
            raise InputError(source, name[:60], f"is not a column of a navigation file; known: {', '.join(COLUMNS)}")


def _numbers(row: list[str], header: list[str], source: str, line: int) -> list[float]:
    if len(row) != len(header):
        raise InputError(source, f"line {line}", f"expected {len(header)} values, got {len(row)}")
    values = []
    for name, text in zip(header, row, strict=True):
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if not abs(value) <= (FARTHEST_M if name.endswith("_m") else LARGEST_NUMBER):
            raise InputError(source, f"line {line}: {name}", f"expected a number, got {text[:40]!r}")
        values.append(value)
    return values
