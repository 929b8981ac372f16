"""What a crew knows about a recording, and the JSON file beside it that says so."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from acoustics.errors import InputError

_LARGEST_SIDECAR_BYTES = 1_000_000
_POSE = ("position_m", "roll_deg", "pitch_deg", "heading_deg")


@dataclass(frozen=True)
class Channel:
    """One channel as the crew knows it.

    Attributes
    ----------
    name : str
        Of its hydrophone.
    position_m : tuple of float
        Nominal place in the body frame [m].
    sensitivity_db_re_v_per_upa : float
        From the data sheet.
    sampling_offset_s : float
        How much later than the first a multiplexed channel is sampled [s].
    """

    name: str
    position_m: tuple[float, float, float]
    sensitivity_db_re_v_per_upa: float
    sampling_offset_s: float


@dataclass(frozen=True)
class Sidecar:
    """What a crew knows about a recording: nothing in it comes from the truth. Angles and position: navigation."""

    sample_rate_hz: float
    volts_per_count: float
    gain_db: float
    channels: tuple[Channel, ...]
    temperature_degc: float
    absolute_salinity_g_kg: float
    sound_speed_m_s: float
    position_m: tuple[float, float, float]
    roll_deg: float
    pitch_deg: float
    heading_deg: float


def read_sidecar(path: str | Path) -> Sidecar:
    """Read what the crew noted.

    Raises
    ------
    InputError
        If the file cannot be read, is not JSON, or a key is missing or wrong.
    """
    source = str(path)
    try:
        if os.path.getsize(path) > _LARGEST_SIDECAR_BYTES:
            raise InputError(source, "", f"larger than {_LARGEST_SIDECAR_BYTES:,} bytes, so not a recording's sidecar")
        table = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (ValueError, RecursionError) as error:
        raise InputError(source, "", f"is not valid JSON: {error}") from None
    read = _Reader(source)
    channels = read.value(table, "channels", list)
    if not channels:
        raise InputError(source, "channels", "is empty; expected one entry a channel")
    pose = read.value(table, "pose", dict)
    return Sidecar(
        sample_rate_hz=read.number(table, "sample_rate_hz", positive=True),
        volts_per_count=read.number(table, "volts_per_count", positive=True),
        gain_db=read.number(table, "gain_db"),
        channels=tuple(
            Channel(
                name=read.value(channel, "name", str),
                position_m=read.point(channel, "position_m"),
                sensitivity_db_re_v_per_upa=read.number(channel, "sensitivity_db_re_v_per_upa"),
                sampling_offset_s=read.number(channel, "sampling_offset_s"),
            )
            for channel in channels
        ),
        temperature_degc=read.number(table, "temperature_degc"),
        absolute_salinity_g_kg=read.number(table, "absolute_salinity_g_kg"),
        sound_speed_m_s=read.number(table, "sound_speed_m_s", positive=True),
        position_m=read.point(pose, "position_m"),
        roll_deg=read.number(pose, "roll_deg"),
        pitch_deg=read.number(pose, "pitch_deg"),
        heading_deg=read.number(pose, "heading_deg"),
    )


def sidecar_table(sidecar: Sidecar) -> dict[str, Any]:
    """The sidecar as the table that its file holds, the inverse of `read_sidecar`."""
    table = {key: value for key, value in vars(sidecar).items() if key not in ("channels", *_POSE)}
    channels = [{**vars(c), "position_m": list(c.position_m)} for c in sidecar.channels]
    pose = {key: getattr(sidecar, key) for key in _POSE} | {"position_m": list(sidecar.position_m)}
    return table | {"channels": channels, "pose": pose}


@dataclass(frozen=True)
class _Reader:
    """Values of a JSON table by key, or one line that says what is wrong with it."""

    source: str

    def value(self, table: Any, key: str, kind: type) -> Any:
        if not isinstance(table, dict) or key not in table:
            raise InputError(self.source, key, "is missing")
        if not isinstance(table[key], kind):
            raise InputError(self.source, key, f"expected {kind.__name__}, got {type(table[key]).__name__}")
        return table[key]

    def number(self, table: Any, key: str, *, positive: bool = False) -> float:
        value = self.value(table, key, object)
        good = isinstance(value, int | float) and not isinstance(value, bool) and np.isfinite(value)
        if not good or (positive and value <= 0):
            raise InputError(
                self.source, key, f"expected a finite number{' above 0' if positive else ''}, got {value!r}"[:160]
            )
        return float(value)

    def point(self, table: Any, key: str) -> tuple[float, float, float]:
        values = self.value(table, key, list)
        if len(values) != 3:
            raise InputError(self.source, key, f"expected 3 numbers, got {len(values)}")
        x, y, z = (self.number({key: value}, key) for value in values)
        return x, y, z
