"""What a crew knows about a recording, and the JSON file beside it that says so."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Self

import numpy as np
from pydantic import Field, model_validator

from acoustics.base.checks import whole_metres, wide_aperture
from acoustics.base.errors import InputError
from acoustics.base.table_model import (
    LEAST_ROW_M,
    Name,
    NotNegative,
    Number,
    Place,
    Positive,
    TableModel,
    Text,
    TimingSd,
    all_wrong,
    same_names,
)
from acoustics.base.toml_tables import read_json, validated
from acoustics.physics.refraction import SoundSpeedProfile

_LARGEST_SIDECAR_BYTES = 1_000_000
_MOST_BURST_SAMPLES = 2_000_000  # a filter for it takes some 100 MB


def _within(least: float, most: float) -> Any:
    """What a recorder, a hydrophone or a pinger may have; the scenario's ranges are the same."""
    return Field(strict=True, allow_inf_nan=False, ge=least, le=most)


class _Notes(TableModel):
    """Base of the sidecar's tables; `remark` is for people, no command reads it."""

    remark: Text | None = None

    @model_validator(mode="before")
    @classmethod
    def _null_is_not_given(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        needed = {name for name, field in cls.model_fields.items() if field.is_required()}
        return {key: value for key, value in data.items() if value is not None or key in needed}


class Channel(_Notes):
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

    name: Name
    position_m: Place
    tolerance_m: Annotated[float, _within(0, 1)] = 1e-3
    sensitivity_db_re_v_per_upa: Annotated[float, _within(-260, -100)] = -190.0
    sampling_offset_s: Annotated[float, _within(-1, 1)] = 0.0


class KnownPinger(_Notes):
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

    name: Name
    frequency_hz: Annotated[float, _within(1e3, 1e6)]
    length_s: Annotated[float, _within(1e-5, 1)]
    pri_s: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=60)]  # more is a time in ms
    q: Annotated[float, _within(0.5, 200)] = 8.0
    sweep_hz: Number = 0.0
    depth_m: Number | None = None
    depth_sd_m: NotNegative | None = None

    @model_validator(mode="after")
    def _one_burst_at_a_time(self) -> Self:
        faults = []
        if self.length_s >= self.pri_s:
            faults.append(f"length_s = {self.length_s:g} must be shorter than pri_s = {self.pri_s:g}")
        if abs(self.sweep_hz) >= self.frequency_hz:
            faults.append(f"sweep_hz = {self.sweep_hz:g} must be under frequency_hz = {self.frequency_hz:g}")
        all_wrong("pinger", faults)
        return self


class ProfileRow(_Notes):
    """Sound speed [m/s] at a depth [m]."""

    depth_m: Annotated[float, _within(0, 1e4)]
    sound_speed_m_s: Annotated[float, _within(1e3, 2e3)]


class NotedPose(_Notes):
    """Pose of the vehicle as its navigation gives it; keys with `_sd_` are standard deviations."""

    position_m: Place = (0.0, 0.0, 0.0)
    roll_deg: Number = 0.0
    pitch_deg: Number = 0.0
    heading_deg: Number = 0.0
    position_sd_m: NotNegative = 0.0
    depth_sd_m: NotNegative = 0.0
    roll_sd_deg: NotNegative = 0.0
    pitch_sd_deg: NotNegative = 0.0
    heading_sd_deg: NotNegative = 0.0


class Sidecar(_Notes):
    """What a crew knows about a recording: nothing in it comes from the truth.

    Keys that end in `_sd_` and a unit are standard deviations. A sidecar written by hand needs `sample_rate_hz`,
    `sound_speed_m_s`, the channels' names and places, and the pingers' names, frequencies, lengths and intervals;
    all else has the default that stands here. `hull_m`, the box of the vehicle's hull, lets a large array at whole
    metres pass, which without it looks like one typed in millimetres. `farthest_m`, the longest way in the water, tells
    how far a pinger can be; without it 200 m are taken. `profile`, rows by depth, lets `locate` bend the direct ray
    where the depths of pinger and vehicle make a position.
    """

    sample_rate_hz: Annotated[float, _within(1e3, 1e8)]
    channels: Annotated[tuple[Channel, ...], Field(min_length=1)]
    pingers: Annotated[tuple[KnownPinger, ...], Field(min_length=1)]
    sound_speed_m_s: Annotated[float, _within(1e3, 2e3)]
    sound_speed_sd_m_s: NotNegative = 0.0
    temperature_degc: Number | None = None
    absolute_salinity_g_kg: Number | None = None
    volts_per_count: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1e3)] | None = None
    gain_db: Annotated[float, _within(-60, 120)] = 0.0
    skew_sd_s: TimingSd = 0.0
    gain_sd_db: Annotated[float, _within(0, 40)] = 0.0
    hull_m: tuple[Positive, Positive, Positive] | None = None
    farthest_m: Annotated[float, _within(2, 1e5)] | None = None
    profile: Annotated[tuple[ProfileRow, ...], Field(min_length=2)] | None = None
    pose: NotedPose = NotedPose()

    @model_validator(mode="after")
    def _all_fits_together(self) -> Self:
        places = [c.position_m for c in self.channels]
        faults = [f"channels: {same}" for same in same_names([c.name for c in self.channels], "channels")]
        faults += [f"pingers: {same}" for same in same_names([p.name for p in self.pingers], "pingers")]
        if too_wide := wide_aperture(places) or whole_metres(places, self.hull_m):
            faults.append(f"channels: {too_wide}")
        faults += [
            f"pingers[{k}].length_s: makes a burst of over {_MOST_BURST_SAMPLES:,} samples at that rate"
            for k, pinger in enumerate(self.pingers, 1)
            if pinger.length_s * self.sample_rate_hz > _MOST_BURST_SAMPLES
        ]
        if any(below.depth_m - row.depth_m < LEAST_ROW_M for row, below in pairwise(self.profile or ())):
            faults.append(f"profile: depth_m must increase by {LEAST_ROW_M:g} m at least from row to row")
        all_wrong("sidecar", faults)
        return self

    @property
    def sound_speed_profile(self) -> SoundSpeedProfile | None:
        """The profile as formulas take it; None where there is none."""
        if not self.profile:
            return None
        rows = np.array([(row.depth_m, row.sound_speed_m_s) for row in self.profile])
        return SoundSpeedProfile(*rows.T)


def notes_beside(recording: Path) -> Path:
    """Where the sidecar of a recording stands unless told otherwise.

    Raises
    ------
    InputError
        If the recording has no name, as '.' has none.
    """
    if not recording.name:
        raise InputError(str(recording), "", "is no name of a recording")
    return recording.with_suffix(".json")


def read_sidecar(path: str | Path) -> Sidecar:
    """Read what the crew noted.

    Raises
    ------
    InputError
        If the file cannot be read, is not JSON, or a key is missing or wrong.
    """
    table = read_json(Path(path), _LARGEST_SIDECAR_BYTES, "a recording's sidecar")
    return validated(Sidecar, table, str(path))


def sidecar_table(sidecar: Sidecar) -> dict[str, Any]:
    """The sidecar as the table that its file holds, the inverse of `read_sidecar`."""
    return sidecar.model_dump(mode="json", exclude_none=True)
