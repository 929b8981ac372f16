"""What an estimator answers about one ping, and the reasons why an answer does not count."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from acoustics.io.ping import Ping

MOST_CANDIDATES = 2  # an array leaves at most a direction and its mirror image
_LONGEST_REASON = 160
_LARGEST_DEG = 1e6
_LARGEST_M = 1e6


class EstimatorFailure(Exception):
    """An estimator gave no answer that can be used; the text is the reason."""


@dataclass(frozen=True)
class Answer:
    """One estimator's answer about one ping, angles from the bow and the horizontal [rad].

    Attributes
    ----------
    bearings : tuple of float
        Candidates; one, or two where the array leaves a mirror image. Empty: refused.
    depressions : tuple of float
        Of the candidates; empty if not given.
    bearing_sds : tuple of float
        Stated standard deviations of the candidates; empty if not given.
    position_m : tuple of float, or None
        Of the pinger, body frame [m].
    refused : str
        The reason, where no bearing is given.
    """

    bearings: tuple[float, ...] = ()
    depressions: tuple[float, ...] = ()
    bearing_sds: tuple[float, ...] = ()
    position_m: tuple[float, float, float] | None = None
    refused: str = ""


def short_reason(text: str) -> str:
    """A reason from anywhere, on one printable line of sensible length."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text[: 4 * _LONGEST_REASON]).split())
    return line if len(line) <= _LONGEST_REASON else line[: _LONGEST_REASON - 3] + "..."


def answer_of_line(output: bytes) -> Answer:
    """The answer in the output of a program: one line that holds one JSON object.

    Raises
    ------
    EstimatorFailure
        If it is anything else, or a value in it cannot be used.
    """
    try:
        lines = [line for line in output.decode("utf-8").splitlines() if line.strip()]
    except UnicodeDecodeError:
        raise EstimatorFailure("printed bytes that are not text") from None
    if len(lines) != 1:
        raise EstimatorFailure(f"printed {len(lines)} lines where one was expected" if lines else "printed nothing")
    try:
        table = json.loads(lines[0])
    except (ValueError, RecursionError):
        raise EstimatorFailure(f"printed no JSON: {short_reason(lines[0])[:60]}") from None
    return answer_of_table(table)


def answer_of_table(table: Any) -> Answer:
    """The answer in a table with the keys of the protocol; keys beyond these are ignored.

    Parameters
    ----------
    table : mapping
        `bearing_deg`, or `bearings_deg` with candidates; `depression_deg` or `depressions_deg`; `bearing_sd_deg`;
        `position_m`; or `refused` with a reason.

    Raises
    ------
    EstimatorFailure
        For a missing bearing, a value that is not a finite number, or too many candidates.
    """
    if not isinstance(table, Mapping):
        raise EstimatorFailure(f"answered {type(table).__name__} where a table was expected")
    if table.get("refused"):
        return Answer(refused=short_reason(str(table["refused"])))
    bearings = _angles(table, "bearing_deg", "bearings_deg")
    if not bearings:
        raise EstimatorFailure("gives neither bearing_deg nor refused")
    depressions = _angles(table, "depression_deg", "depressions_deg")
    if depressions and len(depressions) != len(bearings):
        raise EstimatorFailure(f"gives {len(depressions)} depressions for {len(bearings)} bearings")
    sds: tuple[float, ...] = ()
    if table.get("bearing_sd_deg") is not None:
        stated = math.radians(_finite(table["bearing_sd_deg"], "bearing_sd_deg", _LARGEST_DEG))
        if stated < 0:
            raise EstimatorFailure(f"bearing_sd_deg is {table['bearing_sd_deg']}, below 0")
        sds = (stated,) * len(bearings)
    position = None
    if table.get("position_m") is not None:
        x, y, z = _list(table["position_m"], "position_m", 3, 3, _LARGEST_M)
        position = (x, y, z)
    return Answer(bearings, depressions, sds, position)


def answer_of_ping(ping: Ping) -> Answer:
    """The answer in what pingfix's own path from a recording found."""
    seen = [c for c in ping.candidates if math.isfinite(c.bearing_sd)]
    if not ping.ok or not seen:
        return Answer(refused=short_reason(ping.reason or "the bearing is not observed"))
    position = None
    if ping.position_m is not None:
        x, y, z = map(float, ping.position_m)
        position = (x, y, z)
    return Answer(
        tuple(c.bearing for c in seen), tuple(c.depression for c in seen), tuple(c.bearing_sd for c in seen), position
    )


def _angles(table: Mapping[str, Any], one: str, several: str) -> tuple[float, ...]:
    """Angles [rad] under either key; none if both are missing."""
    if table.get(several) is not None:
        return tuple(map(math.radians, _list(table[several], several, 1, MOST_CANDIDATES, _LARGEST_DEG)))
    if table.get(one) is not None:
        return (math.radians(_finite(table[one], one, _LARGEST_DEG)),)
    return ()


def _list(values: Any, key: str, fewest: int, most: int, largest: float) -> tuple[float, ...]:
    if not isinstance(values, list | tuple):
        raise EstimatorFailure(f"{key} is no list")
    if not fewest <= len(values) <= most:
        wanted = f"{most}" if fewest == most else f"{fewest} to {most}"
        raise EstimatorFailure(f"{key} holds {len(values)} numbers where {wanted} were expected")
    return tuple(_finite(value, key, largest) for value in values)


def _finite(value: Any, key: str, largest: float) -> float:
    try:
        number = math.nan if isinstance(value, bool | str | bytes) else float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not abs(number) <= largest:
        raise EstimatorFailure(short_reason(f"{key} is {value!r:.40}, not a finite number of sensible size"))
    return number
