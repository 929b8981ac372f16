"""The pinger: what it sends, how loud and how often."""

from __future__ import annotations

from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.physics.burst import Burst, BurstMoments, burst_moments
from acoustics.physics.levels import pressure_from_level_pa
from acoustics.scene.model import FrequencyHz, LevelDb, Name, NotNegative, Number, Point, SceneModel

# Spreading alone takes 100 dB off there; what is built to be heard farther is no pinger. Our choice, no source.
FARTHEST_HEARD_M = 100_000.0
RATE_OVER_BAND = 2.5  # twice, and room for the anti-alias filter: common practice, no source


class Pinger(SceneModel):
    """A tone burst (or a linear chirp) with a build-up set by the transducer's Q.

    `source_level_db` is re 1 uPa at 1 m, rms over the burst's plateau.
    """

    name: Annotated[Name, Field(description="Name of the pinger, as answers give it.")] = "pinger"
    position_m: Annotated[Point, Field(description="Where it is in the site frame: x, y and depth.")]
    frequency_hz: Annotated[
        FrequencyHz,
        Field(description=("Frequency of the burst, the middle of a sweep. It is on the pinger's label.")),
    ]
    length_s: Annotated[
        Annotated[float, Field(strict=True, ge=1e-5, le=1.0)],
        Field(description="How long one burst lasts. It is on the data sheet."),
    ] = 4e-3
    source_level_db: Annotated[
        LevelDb,
        Field(
            description=(
                "Level of the burst once built up, rms, re 1 uPa at 1 m. It is on the data sheet; a peak level is 3 "
                "dB higher, a peak-to-peak one 9 dB."
            )
        ),
    ] = 170.0
    q: Annotated[
        Annotated[float, Field(strict=True, ge=0.5, le=200)],
        Field(description=("Sharpness of the transducer's resonance: the burst builds up as 1 - exp(-pi f t / q).")),
    ] = 8.0
    sweep_hz: Annotated[Number, Field(description="How far the frequency rises during the burst; 0 for a tone.")] = 0.0
    pri_s: Annotated[
        Annotated[float, Field(strict=True, gt=0, le=60)],  # more is a time in ms
        Field(description="Time from one burst to the next. Count bursts over a minute."),
    ] = 2.0
    pri_sd_ppm: Annotated[
        Annotated[float, Field(strict=True, gt=0, le=1e5)] | None,
        Field(
            description=(
                "How well that time is known, in millionths of it: 100 for a crystal. With it `fuse` and `waypoints` "
                "take arrival times for evidence; left out, they do not."
            )
        ),
    ] = None
    start_jitter_s: Annotated[
        NotNegative, Field(description="Standard deviation of when a burst starts, against a steady clock.")
    ] = 0.0

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        if self.length_s >= self.pri_s:
            raise ValueError(f"length_s = {self.length_s:g} must be shorter than pri_s = {self.pri_s:g}")
        if abs(self.sweep_hz) >= self.frequency_hz:
            raise ValueError(f"sweep_hz = {self.sweep_hz:g} must be smaller than frequency_hz = {self.frequency_hz:g}")
        return self

    @property
    def band_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency of the burst: the sweep, or the tone and the width of its build-up [Hz]."""
        half = max(abs(self.sweep_hz), self.frequency_hz / self.q, 2 / self.length_s) / 2
        return self.frequency_hz - half, self.frequency_hz + half

    @property
    def least_sample_rate_hz(self) -> float:
        """What a recorder needs for its band [Hz]."""
        return RATE_OVER_BAND * self.band_hz[1]

    @property
    def peak_pressure_pa(self) -> float:
        """Of the carrier on the burst's plateau, at 1 m [Pa]."""
        return float(np.sqrt(2.0) * pressure_from_level_pa(self.source_level_db))

    @property
    def burst(self) -> Burst:
        """What it sends."""
        return Burst(self.frequency_hz, self.length_s, self.q, self.sweep_hz)

    def moments(self, window_s: ArrayLike) -> BurstMoments:
        """Energy and mean squares of the part of the burst inside windows [s] of any shape."""
        return burst_moments(
            window_s, frequency_hz=self.frequency_hz, length_s=self.length_s, q=self.q, sweep_hz=self.sweep_hz
        )
