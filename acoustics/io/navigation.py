"""The navigation's poses over a run, from a CSV file."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.table_model import FARTHEST_M, LARGEST_NUMBER
from acoustics.io.csv_table import read_rows

COLUMNS = ("time_s", "x_m", "y_m", "z_m", "roll_deg", "pitch_deg", "heading_deg")
_LARGEST = {name: FARTHEST_M if name.endswith("_m") else LARGEST_NUMBER for name in COLUMNS}


@record
class Navigation:
    """Poses in order of time, shape (n,) and (n, 3): times on the recording's clock [s], site frame [m], [rad].

    Where the first rows are no longer kept, `origin_m` is the place at which the run began, shape (3,), and
    `travelled_m` the way from there to the first row.
    """

    source: str
    time_s: Floats
    position_m: Floats
    roll: Floats
    pitch: Floats
    heading: Floats
    origin_m: Floats | None = None
    travelled_m: float = 0.0


def read_navigation(path: str | Path) -> Navigation:
    """Read a track: a header of the seven columns in any order, then one row a pose, times rising.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or unknown, or a row is wrong: names line and column.
    """
    source = str(path)
    numbers = (row.number(name, largest=most) for row in read_rows(path, COLUMNS) for name, most in _LARGEST.items())
    values = np.fromiter(numbers, dtype=float).reshape(-1, len(COLUMNS))
    if len(values) == 0:
        raise InputError(source, "", "holds no row below its header")
    time = values[:, 0]
    late = np.flatnonzero(np.diff(time) <= 0)
    if late.size:
        raise InputError(source, "time_s", f"does not rise from {time[late[0]]:.3f} to {time[late[0] + 1]:.3f} s")
    return Navigation(source, time, values[:, 1:4], *np.deg2rad(values[:, 4:].T))
