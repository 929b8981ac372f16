"""What a crew knows about a recording, and the JSON file beside it that says so."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from acoustics.base.checks import wide_aperture
from acoustics.base.errors import InputError
from acoustics.io.json_table import LARGEST_NUMBER, TableReader

_LARGEST_SIDECAR_BYTES = 1_000_000
_MOST_BURST_SAMPLES = 2_000_000  # a filter for it takes some 100 MB
# What a recorder and a pinger may have, by key: least and most. The scenario's ranges are the same.
_RANGES = {
    "sample_rate_hz": (1e3, 1e8),
    "sound_speed_m_s": (1e3, 2e3),
    "volts_per_count": (0.0, 1e3),
    "frequency_hz": (1e3, 1e6),
    "length_s": (1e-5, 1.0),
    "pri_s": (0.0, 3600.0),
    "q": (0.5, 200.0),
    "sensitivity_db_re_v_per_upa": (-260.0, -100.0),
    "gain_db": (-60.0, 120.0),
    "tolerance_m": (0.0, 1.0),
    "sampling_offset_s": (-1.0, 1.0),
    "skew_sd_s": (0.0, 1.0),
}
_POSITIVE = ("sample_rate_hz", "sound_speed_m_s", "volts_per_count", "frequency_hz", "length_s", "pri_s", "q")
_POSE = (
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


@dataclass(frozen=True)
class Channel:
    """One channel as the crew knows it.

    Attributes
    ----------
    name : str
        Of its hydrophone.
    position_m : tuple of float
        Nominal place in the body frame [m].
    tolerance_m : float
        Standard deviation of the place along each axis [m].
    sensitivity_db_re_v_per_upa : float
        From the data sheet.
    sampling_offset_s : float
        How much later than the first a multiplexed channel is sampled [s].
    """

    name: str
    position_m: tuple[float, float, float]
    tolerance_m: float = 1e-3
    sensitivity_db_re_v_per_upa: float = -190.0
    sampling_offset_s: float = 0.0


@dataclass(frozen=True)
class KnownPinger:
    """One pinger as its data sheet and the site's description give it.

    Attributes
    ----------
    name : str
        Of the pinger, or of the station that it marks.
    frequency_hz, length_s, q, sweep_hz, pri_s : float
        Of its burst: carrier [Hz], length [s], the transducer's Q, sweep of a chirp [Hz], interval [s].
    depth_m, depth_sd_m : float or None
        What is known of its depth [m]; None where nothing is.
    """

    name: str
    frequency_hz: float
    length_s: float
    pri_s: float
    q: float = 8.0
    sweep_hz: float = 0.0
    depth_m: float | None = None
    depth_sd_m: float | None = None


@dataclass(frozen=True)
class Sidecar:
    """What a crew knows about a recording: nothing in it comes from the truth. Angles and position: navigation.

    Keys that end in `_sd_` and a unit are standard deviations. A sidecar written by hand needs `sample_rate_hz`,
    `sound_speed_m_s`, the channels' names and places, and the pingers' names, frequencies, lengths and intervals;
    all else has the default that stands here.
    """

    sample_rate_hz: float
    channels: tuple[Channel, ...]
    pingers: tuple[KnownPinger, ...]
    sound_speed_m_s: float
    sound_speed_sd_m_s: float = 0.0
    temperature_degc: float | None = None
    absolute_salinity_g_kg: float | None = None
    volts_per_count: float | None = None
    gain_db: float = 0.0
    skew_sd_s: float = 0.0
    position_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    heading_deg: float = 0.0
    position_sd_m: float = 0.0
    depth_sd_m: float = 0.0
    roll_sd_deg: float = 0.0
    pitch_sd_deg: float = 0.0
    heading_sd_deg: float = 0.0


def read_sidecar(path: str | Path) -> Sidecar:
    """Read what the crew noted.

    Raises
    ------
    InputError
        If the file cannot be read, is not JSON, or a key is missing or wrong.
    """
    source = str(path)
    try:
        with open(path, "rb") as file:
            content = file.read(_LARGEST_SIDECAR_BYTES + 1)  # not by its size, which a pipe or a device does not tell
        if len(content) > _LARGEST_SIDECAR_BYTES:
            raise InputError(source, "", f"larger than {_LARGEST_SIDECAR_BYTES:,} bytes, so not a recording's sidecar")
        table = json.loads(content.decode("utf-8"))
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (ValueError, RecursionError) as error:
        raise InputError(source, "", f"is not valid JSON: {error}") from None
    return sidecar_from_table(table, source)


def sidecar_from_table(table: Any, source: str) -> Sidecar:
    """A sidecar from its JSON table; `source` is named in the refusal.

    Raises
    ------
    InputError
        If a key is missing, unknown or wrong.
    """
    read = TableReader(source, "sidecar")
    inside = [f.name for f in fields(Sidecar) if f.name not in _POSE]
    read.known_keys(table, "", [*inside, "pose"])
    channels, pingers = (read.value(table, key, list) for key in ("channels", "pingers"))
    pose = read.value(table, "pose", dict) if "pose" in table else {}
    read.known_keys(pose, "pose.", _POSE)
    numbers = [key for key in inside if key not in ("channels", "pingers")]
    values: dict[str, Any] = {
        key: _number(read, table, key)
        for key in numbers
        if key in ("sample_rate_hz", "sound_speed_m_s") or read.given(table, key)
    }
    angles: dict[str, Any] = {key: read.number(pose, key) for key in _POSE if key != "position_m" and key in pose}
    place: dict[str, Any] = {"position_m": read.point(pose, "position_m")} if "position_m" in pose else {}
    sidecar = Sidecar(
        channels=tuple(_channel(read, entry, f"channels[{k}].") for k, entry in enumerate(channels, 1)),
        pingers=tuple(_pinger(read, entry, f"pingers[{k}].") for k, entry in enumerate(pingers, 1)),
        **values,
        **angles,
        **place,
    )
    for key, entries in (("channels", channels), ("pingers", pingers)):
        if not entries:
            raise InputError(source, key, f"is empty; expected one entry a {key[:-1]}")
        if len({entry["name"] for entry in entries}) < len(entries):
            raise InputError(source, key, "holds a name twice")
    if too_wide := wide_aperture([c.position_m for c in sidecar.channels]):
        raise InputError(source, "channels", too_wide)
    for k, pinger in enumerate(sidecar.pingers, 1):
        if pinger.length_s * sidecar.sample_rate_hz > _MOST_BURST_SAMPLES:
            raise InputError(
                source, f"pingers[{k}].length_s", f"makes a burst of over {_MOST_BURST_SAMPLES:,} samples at that rate"
            )
    for key, value in values.items() | angles.items():
        if "_sd_" in key and value < 0:
            raise InputError(source, key, f"expected 0 or more, got {value:g}")
    return sidecar


def sidecar_table(sidecar: Sidecar) -> dict[str, Any]:
    """The sidecar as the table that its file holds, the inverse of `read_sidecar`."""
    table = {key: value for key, value in vars(sidecar).items() if key not in _POSE and value is not None}
    table["channels"] = [{**vars(c), "position_m": list(c.position_m)} for c in sidecar.channels]
    table["pingers"] = [{key: value for key, value in vars(p).items() if value is not None} for p in sidecar.pingers]
    return table | {"pose": {key: getattr(sidecar, key) for key in _POSE} | {"position_m": list(sidecar.position_m)}}


def _number(read: TableReader, table: Any, key: str, where: str = "") -> float:
    """A number within the range of its key."""
    least, most = _RANGES.get(key, (-LARGEST_NUMBER, LARGEST_NUMBER))
    return read.number(table, key, where, positive=key in _POSITIVE, minimum=least, maximum=most)


def _channel(read: TableReader, entry: Any, where: str) -> Channel:
    read.known_keys(entry, where, [f.name for f in fields(Channel)])
    rest = ("tolerance_m", "sensitivity_db_re_v_per_upa", "sampling_offset_s")
    return Channel(
        read.value(entry, "name", str, where),
        read.point(entry, "position_m", where),
        **{key: _number(read, entry, key, where) for key in rest if key in entry},
    )


def _pinger(read: TableReader, entry: Any, where: str) -> KnownPinger:
    read.known_keys(entry, where, keys := [f.name for f in fields(KnownPinger)])
    needed = ("frequency_hz", "length_s", "pri_s")
    given = [key for key in keys if key != "name" and (key in needed or read.given(entry, key))]
    pinger = KnownPinger(
        read.value(entry, "name", str, where),
        **{key: _number(read, entry, key, where) for key in given},
    )
    if pinger.length_s >= pinger.pri_s:
        raise InputError(read.source, where + "length_s", f"must be shorter than pri_s = {pinger.pri_s:g}")
    if abs(pinger.sweep_hz) >= pinger.frequency_hz:
        raise InputError(read.source, where + "sweep_hz", f"must be under frequency_hz = {pinger.frequency_hz:g}")
    if pinger.depth_sd_m is not None and pinger.depth_sd_m < 0:
        raise InputError(read.source, where + "depth_sd_m", f"expected 0 or more, got {pinger.depth_sd_m:g}")
    return pinger
