"""Pings as lines of JSON: written by the locator, read by whatever joins several of them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats
from acoustics.io.json_table import LARGEST_NUMBER, TableReader
from acoustics.io.ping import Candidate, NavigatedPose, Ping

__all__ = ["Candidate", "NavigatedPose", "Ping", "ping_from_table", "ping_line", "ping_table", "read_pings"]

_LONGEST_LINE_BYTES = 200_000
_MOST_PINGS = 100_000  # two days of a ping every two seconds; they then take some 300 MB
_VAGUEST = 1e5  # standard deviation of a pose that still says something [m, deg]
_POSE_KEYS = (
    "position_m",
    "roll_deg",
    "pitch_deg",
    "heading_deg",
    "position_sd_m",
    "depth_sd_m",
    "roll_sd_deg",
    "pitch_sd_deg",
    "heading_sd_deg",
)
_TEXTS = ("pinger", "reason", "method", "position_reason")
_MAY_BE_NULL = dict.fromkeys(("energy_ratio_db", "window_s", "integer_probability", "p_value"), np.nan) | dict.fromkeys(
    ("depth_m", "depth_sd_m")
)
_CANDIDATE_KEYS = ("bearing_deg", "depression_deg", "bearing_sd_deg", "depression_sd_deg", "probability")


_KEYS = [f.name.replace("site_bearing", "site_bearing_deg") for f in fields(Ping)]


def ping_table(ping: Ping) -> dict[str, Any]:
    """The ping as the table that its line holds, the inverse of `read_pings`; what is missing or infinite is null."""
    table = {key: _plain(value) for key, value in vars(ping).items() if key in _KEYS}
    table["candidates"] = [
        {key: _degrees(getattr(c, key.removesuffix("_deg"))) for key in _CANDIDATE_KEYS[:4]}
        | {"probability": c.probability}
        for c in ping.candidates
    ]
    pose = {key: getattr(ping.pose, key) for key in _POSE_KEYS if not key.endswith("_deg")}
    angles = {key: _degrees(getattr(ping.pose, key.removesuffix("_deg"))) for key in _POSE_KEYS if key.endswith("_deg")}
    table["pose"] = {**pose, "position_m": list(ping.pose.position_m), **angles}
    table["site_bearing_deg"] = [_degrees(angle) for angle in ping.site_bearing]
    return {key: table[key] for key in _KEYS}


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
                line = handle.readline(_LONGEST_LINE_BYTES + 1)
                if not line:
                    return
                source = f"{path}: line {number}"
                if len(line) > _LONGEST_LINE_BYTES:
                    raise InputError(source, "", f"is longer than {_LONGEST_LINE_BYTES:,} bytes, so not a ping")
                if line.strip():
                    yield ping_from_table(_parsed(line, source), source)
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    raise InputError(str(path), "", f"holds over {_MOST_PINGS:,} lines")


def _parsed(line: bytes, source: str) -> Any:
    try:
        return json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError(source, "", f"is not valid JSON: {error}") from None


def ping_from_table(table: Any, source: str) -> Ping:
    """A ping from its JSON table; `source` is named in the refusal.

    Raises
    ------
    InputError
        If a key is missing, unknown or wrong, or two of them contradict each other.
    """
    read = TableReader(source, "ping")
    read.known_keys(table, "", _KEYS)
    for key in _KEYS:
        read.value(table, key, object)
    channels, flags = (_names(read, table, key) for key in ("channels", "flags"))
    n = len(channels)
    ok = read.value(table, "ok", bool)
    reference = read.value(table, "reference", int)
    if not ok and not table["tdoa_s"]:
        delays, covariance = np.empty(0), np.empty((0, 0))
    elif n < 2:
        raise InputError(source, "channels", f"expected at least 2 for delays, got {n}")
    else:
        delays = np.array(read.numbers(table, "tdoa_s", length=n - 1))
        covariance = np.array(read.matrix(table, "tdoa_covariance_s2", rows=n - 1, columns=n - 1))
        _check_covariance(read, "tdoa_covariance_s2", covariance)
    if isinstance(reference, bool) or not 0 <= reference < max(n, 1):
        raise InputError(source, "reference", f"expected an index from 0 to {max(n, 1) - 1}, got {reference}")
    candidates = tuple(
        _candidate(read, entry, f"candidates[{k}].") for k, entry in enumerate(read.value(table, "candidates", list), 1)
    )
    position, position_covariance = _position(read, table)
    plain: dict[str, Any] = {key: read.value(table, key, str) for key in _TEXTS}
    plain |= {key: read.number(table, key, positive=True) for key in ("frequency_hz", "sound_speed_m_s")}
    plain |= {"time_s": read.number(table, "time_s")}
    plain |= {key: read.number(table, key, minimum=0) for key in ("sound_speed_sd_m_s", "skew_sd_s")}
    for key, missing in _MAY_BE_NULL.items():
        plain[key] = read.number(table, key) if read.given(table, key) else missing
    return Ping(
        ping=int(read.number(table, "ping", minimum=1)),
        ok=ok,
        channels=channels,
        flags=flags,
        hydrophones_m=np.array(read.matrix(table, "hydrophones_m", rows=n, columns=3)).reshape(n, 3),
        tolerances_m=np.array(read.numbers(table, "tolerances_m", length=n, minimum=0)),
        reference=reference,
        tdoa_s=delays,
        tdoa_covariance_s2=covariance,
        candidates=candidates,
        position_m=position,
        position_covariance_m2=position_covariance,
        pose=_pose(read, table["pose"]),
        site_bearing=tuple(np.deg2rad(read.numbers(table, "site_bearing_deg", length=len(candidates))).tolist()),
        site_position_m=None if table["site_position_m"] is None else np.array(read.point(table, "site_position_m")),
        **plain,
    )


def _names(read: TableReader, table: dict[str, Any], key: str) -> tuple[str, ...]:
    values = read.value(table, key, list)
    return tuple(read.value({key: value}, key, str) for value in values)


def _candidate(read: TableReader, entry: Any, where: str) -> Candidate:
    read.known_keys(entry, where, _CANDIDATE_KEYS)
    angles = {key.removesuffix("_deg"): np.deg2rad(read.number(entry, key, where)) for key in _CANDIDATE_KEYS[:2]}
    spreads = {
        key.removesuffix("_deg"): np.deg2rad(read.number(entry, key, where, minimum=0))
        if read.value(entry, key, object, where) is not None
        else np.inf
        for key in _CANDIDATE_KEYS[2:4]
    }
    probability = read.number(entry, "probability", where, minimum=0)
    return Candidate(**{key: float(value) for key, value in (angles | spreads).items()}, probability=probability)


def _position(read: TableReader, table: dict[str, Any]) -> tuple[Floats | None, Floats | None]:
    if (table["position_m"] is None) != (table["position_covariance_m2"] is None):
        raise InputError(read.source, "position_covariance_m2", "must be given if and only if position_m is")
    if table["position_m"] is None:
        return None, None
    covariance = np.array(read.matrix(table, "position_covariance_m2", rows=3, columns=3))
    _check_covariance(read, "position_covariance_m2", covariance)
    return np.array(read.point(table, "position_m")), covariance


def _check_covariance(read: TableReader, key: str, covariance: Floats) -> None:
    """Refuse what is no covariance: rounding aside, symmetric and positive definite."""
    scale = float(np.abs(covariance).max())
    if not np.allclose(covariance, covariance.T, rtol=0, atol=1e-9 * scale) or np.linalg.eigvalsh(covariance)[0] <= 0:
        raise InputError(read.source, key, "is no covariance: expected a symmetric, positive definite matrix")


def _pose(read: TableReader, table: Any) -> NavigatedPose:
    read.known_keys(table, "pose.", _POSE_KEYS)
    values: dict[str, Any] = {}
    for key in _POSE_KEYS[1:]:
        least, most = (0.0, _VAGUEST) if "_sd_" in key else (-LARGEST_NUMBER, LARGEST_NUMBER)
        value = read.number(table, key, "pose.", minimum=least, maximum=most)
        values[key.removesuffix("_deg")] = float(np.deg2rad(value)) if key.endswith("_deg") else value
    return NavigatedPose(position_m=read.point(table, "position_m", "pose."), **values)


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
