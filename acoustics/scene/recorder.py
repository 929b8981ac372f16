"""The recorder: from volts at the hydrophone to numbers."""

from __future__ import annotations

from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from acoustics.physics.noise import quantisation_noise_density
from acoustics.scene.model import Flag, Positive, SceneModel, TimingSd


class Recorder(SceneModel):
    """Sample rate, converter and the timing faults of the channels.

    `skew_sd_s`, `phase_sd_deg` and `gain_sd_db` are what stays unknown of the time offset, the phase and the gain of
    each channel; `full_scale_v` is the peak voltage.
    """

    sample_rate_hz: Annotated[
        Annotated[float, Field(strict=True, ge=1e3, le=1e8)],
        Field(description="Samples a second of each channel. It is a setting of the recorder."),
    ] = 250e3
    bits: Annotated[
        Annotated[int, Field(strict=True, ge=4, le=32)],
        Field(description="Bits of a sample. It is on the converter's data sheet."),
    ] = 16
    full_scale_v: Annotated[
        Annotated[float, Field(strict=True, ge=1e-6, le=1e6)],
        Field(description="Largest voltage the converter takes, from zero to peak. It is on the data sheet."),
    ] = 1.0
    gain_db: Annotated[
        Annotated[float, Field(strict=True, ge=-60, le=120)],
        Field(description="Gain between hydrophone and converter. It is a setting of the preamplifier."),
    ] = 20.0
    passband_hz: Annotated[
        tuple[Positive, Positive] | None,
        Field(description="Lowest and highest frequency that the preamplifier passes; left out: all."),
    ] = None
    multiplexed: Annotated[
        Flag, Field(description="Whether one converter takes the channels in turn instead of all at once.")
    ] = False
    skew_sd_s: Annotated[
        TimingSd,
        Field(description="What stays unknown of the time between channels. Feed all inputs one signal and compare."),
    ] = 0.0
    phase_sd_deg: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=90)],
        Field(
            description="What stays unknown of each channel's phase. Hydrophones of one type differ by a few degrees."
        ),
    ] = 0.0
    gain_sd_db: Annotated[
        Annotated[float, Field(strict=True, ge=0, le=40)],
        Field(description="What stays unknown of each channel's gain."),
    ] = 0.0
    clock_error_ppm: Annotated[
        Annotated[float, Field(strict=True, ge=-10_000, le=10_000)],
        Field(description="How much faster than its nominal rate the recorder's clock runs."),
    ] = 0.0
    aperture_jitter_s: Annotated[
        TimingSd,
        Field(description="Standard deviation of the moment at which a sample is taken."),
    ] = 0.0

    @model_validator(mode="after")
    def _band_in_order(self) -> Self:
        if self.passband_hz is not None and self.passband_hz[0] >= self.passband_hz[1]:
            raise ValueError(f"passband_hz must be [low, high], got {list(self.passband_hz)}")
        if self.passband_hz is not None and self.passband_hz[0] >= self.sample_rate_hz / 2:
            raise ValueError(
                f"passband_hz begins at {self.passband_hz[0]:g} Hz, above half the sample rate, "
                f"{self.sample_rate_hz / 2:g} Hz"
            )
        return self

    def timing_sd_s(self, frequency_hz: float) -> float:
        """Skew and phase of a channel together, as a standard deviation of time at a frequency [s]."""
        return float(np.hypot(self.skew_sd_s, self.phase_sd_deg / 360 / frequency_hz))

    def quantisation_pressure_density(self, sensitivity_db_re_v_per_upa: float) -> float:
        """Noise density of the converter's steps as pressure in the water [Pa^2/Hz], one-sided."""
        volts = quantisation_noise_density(self.full_scale_v, self.bits, self.sample_rate_hz)
        volts_per_pa = 10 ** ((sensitivity_db_re_v_per_upa + self.gain_db) / 20) * 1e6
        return float(volts) / volts_per_pa**2
