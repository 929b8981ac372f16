"""Noise at the hydrophones: the water's own and the vehicle's."""

from __future__ import annotations

from typing import Annotated, Self

from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.base.frames import Floats
from acoustics.physics.levels import power_sum_db
from acoustics.physics.noise import thermal_noise_mellen1952_db, wind_noise_coates1989_db
from acoustics.scene.model import Flag, FrequencyHz, LevelDb, SceneModel


class Tone(SceneModel):
    """A steady tone of the vehicle's electronics, such as a motor controller's.

    `level_db` is re 1 uPa rms at every hydrophone; its phase differs from hydrophone to hydrophone.
    """

    frequency_hz: Annotated[FrequencyHz, Field(description="Frequency of the tone.")]
    level_db: Annotated[LevelDb, Field(description="Its level at every hydrophone, rms, re 1 uPa.")]


class Noise(SceneModel):
    """Spectral density levels, dB re 1 uPa^2/Hz. Without `ambient_density_db` it follows from heat and wind.

    Tones are rendered in recordings; bounds leave them out, since a filter does too unless they fall in the band.
    """

    ambient_density_db: Annotated[
        LevelDb | None,
        Field(description=("Noise of the water and what is in it, re 1 uPa^2/Hz; left out: from heat and wind.")),
    ] = None
    wind_speed_m_s: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=50)] | None,
        Field(description="Wind over the water, from which its noise follows; instead of ambient_density_db."),
    ] = None
    self_noise_density_db: Annotated[
        LevelDb | None,
        Field(description=("Noise of the vehicle itself, re 1 uPa^2/Hz. Record with thrusters on.")),
    ] = None
    isotropic_coherence: Annotated[
        Flag,
        Field(
            description=(
                "Whether noise is alike at hydrophones closer than half a wavelength, as noise from all sides is."
            )
        ),
    ] = False
    tones: Annotated[
        Annotated[tuple[Tone, ...], Field(alias="tone", max_length=32)],
        Field(description="Steady tones of motor controllers and the like."),
    ] = ()

    @model_validator(mode="after")
    def _one_ambient(self) -> Self:
        if self.ambient_density_db is not None and self.wind_speed_m_s is not None:
            raise ValueError("ambient_density_db and wind_speed_m_s exclude each other; keep one of them")
        return self

    def density_db(self, frequency_hz: ArrayLike) -> Floats:
        """Ambient and self noise together [dB re 1 uPa^2/Hz] at frequencies [Hz] of any shape."""
        parts = [thermal_noise_mellen1952_db(frequency_hz)]
        if self.ambient_density_db is not None:
            parts = [self.ambient_density_db + 0 * parts[0]]
        elif self.wind_speed_m_s is not None:
            parts.append(wind_noise_coates1989_db(frequency_hz, self.wind_speed_m_s))
        if self.self_noise_density_db is not None:
            parts.append(self.self_noise_density_db + 0 * parts[0])
        return power_sum_db(*parts)
