"""Pings as lines of JSON: written by the locator, read by whatever joins several of them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Self

import numpy as np
from pydantic import Field, model_validator

from acoustics.base.errors import InputError
from acoustics.base.table_model import (
    Flag,
    NotNegative,
    Number,
    Place,
    Point,
    Positive,
    TableModel,
    Text,
    all_wrong,
)
from acoustics.base.toml_tables import validated
from acoustics.io.echo_fix import EchoLine, echo_fix, echo_table
from acoustics.io.ping import Candidate, IntegerAlternative, NavigatedPose, Ping

__all__ = [
    "Candidate",
    "IntegerAlternative",
    "NavigatedPose",
    "Ping",
    "ping_from_line",
    "ping_from_table",
    "ping_line",
    "ping_table",
    "read_pings",
]

LONGEST_LINE_BYTES = 200_000
_MOST_PINGS = 100_000  # two days of a ping every two seconds; they then take some 300 MB
# Standard deviation of a pose that still says something [m, deg].
_Spread = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e5)]
_Square = tuple[Point, Point, Point]
_Share = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]
_MOST_CYCLES = 10**6  # of an array of a kilometre at a megahertz


class _CandidateLine(TableModel):
    """A candidate of a ping; null: not observed."""

    bearing_deg: Number
    depression_deg: Number
    bearing_sd_deg: NotNegative | None
    depression_sd_deg: NotNegative | None
    probability: NotNegative
    depression_share: NotNegative = 0.0


class _IntegersLine(TableModel):
    """A vector of integers of a ping."""

    cycles: tuple[Annotated[int, Field(strict=True, ge=-_MOST_CYCLES, le=_MOST_CYCLES)], ...]
    weight: _Share
    build_up_misfit: NotNegative


class _PoseLine(TableModel):
    """The pose of a ping."""

    position_m: Place
    roll_deg: Number
    pitch_deg: Number
    heading_deg: Number
    position_sd_m: _Spread
    depth_sd_m: _Spread
    roll_sd_deg: _Spread
    pitch_sd_deg: _Spread
    heading_sd_deg: _Spread


class _PingLine(TableModel):
    """The keys of a ping's line, in their order; `Ping` says what they mean. Null: missing or infinite."""

    ping: Annotated[int, Field(strict=True, ge=1, le=10**9)]
    pinger: Text
    time_s: Number
    frequency_hz: Positive
    ok: Flag
    reason: Text
    energy_ratio_db: Number | None
    window_s: Number | None
    method: Text
    integer_probability: Number | None
    channels: tuple[Text, ...]
    hydrophones_m: tuple[Point, ...]
    tolerances_m: tuple[NotNegative, ...]
    reference: Annotated[int, Field(strict=True)]
    tdoa_s: tuple[Number, ...]
    tdoa_covariance_s2: tuple[tuple[Number, ...], ...]
    skew_sd_s: NotNegative
    flags: tuple[Text, ...]
    sound_speed_m_s: Positive
    sound_speed_sd_m_s: NotNegative
    candidates: tuple[_CandidateLine, ...]
    p_value: Number | None
    position_m: Place | None
    position_covariance_m2: _Square | None
    position_reason: Text
    pose: _PoseLine
    depth_m: Number | None
    depth_sd_m: Number | None
    site_bearing_deg: tuple[Number, ...]
    site_position_m: Place | None
    echoes: EchoLine | None = None
    measured_frequency_hz: Positive | None = None
    integers: tuple[_IntegersLine, ...] = ()
    integers_left_out: _Share = 0.0
    lasting_share: _Share = 0.0

    @model_validator(mode="after")
    def _keys_agree(self) -> Self:
        n, faults = len(self.channels), []
        lengths = {"hydrophones_m": n, "tolerances_m": n, "site_bearing_deg": len(self.candidates)}
        if self.ok or self.tdoa_s:
            lengths["tdoa_s"] = max(n - 1, 1)
            if n < 2:
                faults.append(f"channels: expected at least 2 for delays, got {n}")
            elif not _is_covariance(self.tdoa_covariance_s2, n - 1):
                faults.append(_NO_COVARIANCE.format("tdoa_covariance_s2", n - 1))
        faults += [
            f"{key}: expected {length} {'places' if key == 'hydrophones_m' else 'numbers'}, got {got}"
            for key, length in lengths.items()
            if (got := len(getattr(self, key))) != length
        ]
        faults += [
            f"integers[{k}].cycles: expected {len(self.tdoa_s)} numbers, got {len(one.cycles)}"
            for k, one in enumerate(self.integers, 1)
            if len(one.cycles) != len(self.tdoa_s)
        ]
        if self.integers and any(self.integers[0].cycles):
            faults.append("integers[1].cycles: expected zeros, as the first is the one that tdoa_s has")
        if not 0 <= self.reference < max(n, 1):
            faults.append(f"reference: expected an index from 0 to {max(n, 1) - 1}, got {self.reference}")
        if (self.position_m is None) != (self.position_covariance_m2 is None):
            faults.append("position_covariance_m2: must be given if and only if position_m is")
        elif self.position_covariance_m2 is not None and not _is_covariance(self.position_covariance_m2, 3):
            faults.append(_NO_COVARIANCE.format("position_covariance_m2", 3))
        all_wrong("ping", faults)
        return self


_NO_COVARIANCE = "{0}: is no covariance: expected a symmetric, positive definite matrix of {1} rows"
_KEYS = tuple(_PingLine.model_fields)
_NAN_IF_NULL = ("energy_ratio_db", "window_s", "integer_probability", "p_value", "measured_frequency_hz")
_ARRAYS = ("hydrophones_m", "tolerances_m", "position_m", "position_covariance_m2", "site_position_m")


def ping_table(ping: Ping) -> dict[str, Any]:
    """The ping as the table that its line holds, the inverse of `read_pings`; what is missing or infinite is null."""
    table = {key: _plain(value) for key, value in vars(ping).items() if key in _KEYS}
    table["candidates"] = [
        {key: _value(candidate, key) for key in _CandidateLine.model_fields} for candidate in ping.candidates
    ]
    table["integers"] = [
        {key: _plain(getattr(one, key)) for key in _IntegersLine.model_fields} for one in ping.integers
    ]
    table["pose"] = {key: _value(ping.pose, key) for key in _PoseLine.model_fields}
    table["site_bearing_deg"] = [_degrees(angle) for angle in ping.site_bearing]
    if ping.echoes is None:  # a line without a site sketch is as it was before there were any
        return {key: table[key] for key in _KEYS if key != "echoes"}
    return {key: table[key] for key in _KEYS} | {"echoes": echo_table(ping.echoes)}


def ping_line(ping: Ping) -> str:
    """The ping as one line of JSON, without the line break."""
    return json.dumps(ping_table(ping), allow_nan=False)


def read_pings(path: str | Path) -> tuple[Ping, ...]:
    """Read the pings of a recording, one JSON object a line; empty lines are passed over.

    Raises
    ------
    InputError
        If the file cannot be read or a line is not a ping: names line and key.
    """
    return tuple(_lines(Path(path)))


def _lines(path: Path) -> Iterator[Ping]:
    try:
        with open(path, "rb") as handle:
            for number in range(1, _MOST_PINGS + 2):
                line = handle.readline(LONGEST_LINE_BYTES + 1)
                if not line:
                    return
                source = f"{path}: line {number}"
                if line.strip():
                    yield ping_from_line(line, source)
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    raise InputError(str(path), "", f"holds over {_MOST_PINGS:,} lines")


def ping_from_line(line: bytes, source: str) -> Ping:
    """A ping from its line of JSON; `source` is named in the refusal.

    Raises
    ------
    InputError
        As `ping_from_table`, or if the line is no JSON or endless.
    """
    if len(line) > LONGEST_LINE_BYTES:
        raise InputError(source, "", f"is longer than {LONGEST_LINE_BYTES:,} bytes, so not a ping")
    return ping_from_table(_parsed(line, source), source)


def _parsed(line: bytes, source: str) -> Any:
    try:
        return json.loads(line.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise InputError(source, "", f"is not valid JSON: {error}") from None


def ping_from_table(table: Any, source: str) -> Ping:
    """A ping from its JSON table; `source` is named in the refusal.

    Raises
    ------
    InputError
        If a key is missing, unknown or wrong, or two of them contradict each other.
    """
    line = validated(_PingLine, table, source)
    plain = {key: getattr(line, key) for key in _KEYS if key not in ("site_bearing_deg", *_ARRAYS)}
    n, measured = len(line.channels), bool(line.tdoa_s)
    return Ping(
        **plain
        | {key: np.nan for key in _NAN_IF_NULL if plain[key] is None}
        | {key: None if (value := getattr(line, key)) is None else np.array(value) for key in _ARRAYS}
        | {
            "hydrophones_m": np.array(line.hydrophones_m).reshape(n, 3),
            "tdoa_s": np.array(line.tdoa_s),
            "tdoa_covariance_s2": np.array(line.tdoa_covariance_s2) if measured else np.empty((0, 0)),
            "candidates": tuple(Candidate(**_radians(candidate)) for candidate in line.candidates),
            "integers": tuple(IntegerAlternative(**vars(one)) for one in line.integers),
            "pose": NavigatedPose(**_radians(line.pose)),
            "echoes": None if line.echoes is None else echo_fix(line.echoes),
            "site_bearing": tuple(np.deg2rad(line.site_bearing_deg).tolist()),
        }
    )


def _is_covariance(rows: Sequence[Sequence[float]], n: int) -> bool:
    """Whether the rows are, rounding aside, a symmetric and positive definite matrix (n, n)."""
    if len(rows) != n or any(len(row) != n for row in rows):
        return False
    matrix = np.array(rows)
    symmetric = np.allclose(matrix, matrix.T, rtol=0, atol=1e-9 * float(np.abs(matrix).max()))
    return bool(symmetric and np.linalg.eigvalsh(matrix)[0] > 0)


def _radians(line: TableModel) -> dict[str, Any]:
    """The values of a line by the name that they have in radians; a standard deviation that is null is infinite."""
    values = {key: np.inf if value is None else value for key, value in vars(line).items()}
    return {
        key.removesuffix("_deg"): float(np.deg2rad(value)) if key.endswith("_deg") else value
        for key, value in values.items()
    }


def _value(of: Candidate | NavigatedPose, key: str) -> Any:
    """What a line gives under a key, angles in degrees."""
    value = getattr(of, key.removesuffix("_deg"))
    return _degrees(value) if key.endswith("_deg") else _plain(value)


def _degrees(angle: float) -> float | None:
    return float(np.rad2deg(angle)) if np.isfinite(angle) else None


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
