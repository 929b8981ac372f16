"""Noise at the hydrophones: the water's own and the vehicle's."""

from __future__ import annotations

from typing import Annotated, Self

from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.base.frames import Floats
from acoustics.base.table_model import all_wrong, same_names
from acoustics.physics.levels import power_sum_db
from acoustics.physics.noise import thermal_noise_mellen1952_db, wind_noise_coates1989_db
from acoustics.scene.model import Flag, FrequencyHz, LevelDb, Name, SceneModel


class Tone(SceneModel):
    """A steady tone of the vehicle's electronics, such as a motor controller's.

    `level_db` is re 1 uPa rms at every hydrophone; its phase differs from hydrophone to hydrophone.
    """

    frequency_hz: Annotated[FrequencyHz, Field(description="Frequency of the tone.")]
    level_db: Annotated[LevelDb, Field(description="Its level at every hydrophone, rms, re 1 uPa.")]


class NoiseState(SceneModel):
    """What the vehicle does while it listens, such as hold its place with thrusters, and how loud that is."""

    name: Annotated[Name, Field(description="What the vehicle does, such as 'thrusters on'.")]
    self_noise_density_db: Annotated[
        LevelDb,
        Field(
            description=(
                "Noise of the vehicle in this state, re 1 uPa^2/Hz. Record some in each state, with the pinger off."
            )
        ),
    ]


class Noise(SceneModel):
    """Spectral density levels, dB re 1 uPa^2/Hz. Without `ambient_density_db` it follows from heat and wind.

    Tones are rendered in recordings; bounds leave them out, since a filter does too unless they fall in the band.
    `states` are others in which the vehicle could listen; every question but that of `check` counts with
    `self_noise_density_db`.
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
    states: Annotated[
        Annotated[tuple[NoiseState, ...], Field(alias="state", max_length=8)],
        Field(description="Other states of the vehicle, which `check` sets side by side: thrusters on, thrusters off."),
    ] = ()

    @model_validator(mode="after")
    def _one_ambient(self) -> Self:
        if self.ambient_density_db is not None and self.wind_speed_m_s is not None:
            raise ValueError("ambient_density_db and wind_speed_m_s exclude each other; keep one of them")
        return self

    @model_validator(mode="after")
    def _one_name_each(self) -> Self:
        all_wrong("noise", same_names([state.name for state in self.states], "noise states"))
        return self

    def density_db(self, frequency_hz: ArrayLike) -> Floats:
        """Ambient and self noise together [dB re 1 uPa^2/Hz] at frequencies [Hz] of any shape."""
        ambient = self.water_density_db(frequency_hz)
        if self.self_noise_density_db is None:
            return ambient
        return power_sum_db(ambient, self.self_noise_density_db + 0 * ambient)

    def water_density_db(self, frequency_hz: ArrayLike) -> Floats:
        """Ambient noise alone, as `density_db`."""
        thermal = thermal_noise_mellen1952_db(frequency_hz)
        if self.ambient_density_db is not None:
            return self.ambient_density_db + 0 * thermal
        if self.wind_speed_m_s is None:
            return thermal
        return power_sum_db(thermal, wind_noise_coates1989_db(frequency_hz, self.wind_speed_m_s))
