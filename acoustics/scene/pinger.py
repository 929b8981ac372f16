"""The pinger: what it sends, how loud and how often."""

from __future__ import annotations

from typing import Annotated, Self

from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.physics.burst import BurstMoments, burst_moments
from acoustics.scene.model import FrequencyHz, LevelDb, Name, NotNegative, Number, Point, SceneModel


class Pinger(SceneModel):
    """A tone burst (or a linear chirp) with a build-up set by the transducer's Q.

    `source_level_db` is re 1 uPa at 1 m, rms over the burst's plateau.
    """

    name: Name = "pinger"
    position_m: Point
    frequency_hz: FrequencyHz
    length_s: Annotated[float, Field(strict=True, ge=1e-5, le=1.0)] = 4e-3
    source_level_db: LevelDb = 170.0
    q: Annotated[float, Field(strict=True, ge=0.5, le=200)] = 8.0
    sweep_hz: Number = 0.0
    pri_s: Annotated[float, Field(strict=True, gt=0, le=3600)] = 2.0
    start_jitter_s: NotNegative = 0.0

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

    def moments(self, window_s: ArrayLike) -> BurstMoments:
        """Energy and mean squares of the part of the burst inside windows [s] of any shape."""
        return burst_moments(
            window_s, frequency_hz=self.frequency_hz, length_s=self.length_s, q=self.q, sweep_hz=self.sweep_hz
        )
