"""What an estimator answers about one ping, and the reasons why an answer does not count."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, model_validator

from acoustics.base.errors import InputError
from acoustics.base.record import record
from acoustics.base.table_model import TableModel
from acoustics.base.toml_tables import shown, validated
from acoustics.io.ping import Ping

MOST_CANDIDATES = 2  # of a program: an array leaves at most a direction and its mirror image
_LONGEST_REASON = 160


class EstimatorFailure(Exception):
    """An estimator gave no answer that can be used; the text is the reason."""


@record
class Answer:
    """One estimator's answer about one ping, angles from the bow and the horizontal [rad].

    Attributes
    ----------
    bearings : tuple of float
        Candidates; one, two where the array leaves a mirror image, more where integers are in doubt. Empty: refused.
    depressions : tuple of float
        Of the candidates; empty if not given.
    bearing_sds : tuple of float
        Stated standard deviations of the candidates; empty if not given.
    position_m : tuple of float, or None
        Of the pinger, body frame [m].
    refused : str
        The reason, where no bearing is given.
    shares : tuple of float
        Stated probabilities of the candidates; empty: all alike.
    """

    bearings: tuple[float, ...] = ()
    depressions: tuple[float, ...] = ()
    bearing_sds: tuple[float, ...] = ()
    position_m: tuple[float, float, float] | None = None
    refused: str = ""
    shares: tuple[float, ...] = ()


def _as_float(value: Any) -> float:
    """A number of Python, numpy or whatever else an estimator computes with; no text, though it may look like one."""
    try:
        if not isinstance(value, bool | str | bytes):
            return float(value)
    except (TypeError, ValueError, OverflowError):
        pass
    raise ValueError(f"should be a number, got {shown(value)}")


_Number = Annotated[float, Field(allow_inf_nan=False, ge=-1e6, le=1e6), BeforeValidator(_as_float)]
_Candidates = Annotated[tuple[_Number, ...], Field(min_length=1, max_length=MOST_CANDIDATES)]


class _AnswerTable(TableModel):
    """The keys of the protocol."""

    bearing_deg: _Number | None = None
    bearings_deg: _Candidates | None = None
    depression_deg: _Number | None = None
    depressions_deg: _Candidates | None = None
    bearing_sd_deg: Annotated[_Number, Field(ge=0)] | None = None
    position_m: tuple[_Number, _Number, _Number] | None = None

    @property
    def bearings(self) -> tuple[float, ...]:
        return self.bearings_deg or (() if self.bearing_deg is None else (self.bearing_deg,))

    @property
    def depressions(self) -> tuple[float, ...]:
        return self.depressions_deg or (() if self.depression_deg is None else (self.depression_deg,))

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if not self.bearings:
            raise ValueError("gives neither bearing_deg nor refused")
        if self.depressions and len(self.depressions) != len(self.bearings):
            raise ValueError(f"gives {len(self.depressions)} depressions for {len(self.bearings)} bearings")
        return self


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
    try:
        known = validated(_AnswerTable, {key: table[key] for key in _AnswerTable.model_fields if key in table}, "")
    except InputError as error:
        raise EstimatorFailure(short_reason(str(error))) from None
    return Answer(
        bearings=tuple(map(math.radians, known.bearings)),
        depressions=tuple(map(math.radians, known.depressions)),
        bearing_sds=() if known.bearing_sd_deg is None else (math.radians(known.bearing_sd_deg),) * len(known.bearings),
        position_m=known.position_m,
    )


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
        tuple(c.bearing for c in seen),
        tuple(c.depression for c in seen),
        tuple(c.bearing_sd for c in seen),
        position,
        shares=tuple(c.probability for c in seen),
    )
