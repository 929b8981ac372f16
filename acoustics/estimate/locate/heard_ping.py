"""A ping that was heard in a recording, before anything is measured of it: its samples, its noise, its channels."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.detect import (
    Singles,
    band_noise_density,
    clipped_channels,
    failed_channels,
    flat_topped_channels,
    noisy_channels,
    off_centre_channels,
    what_is_left,
)
from acoustics.estimate.direction import WiringMemory
from acoustics.io.echo_fix import EchoFix
from acoustics.io.ping import NavigatedPose
from acoustics.io.sidecar import KnownPinger, Sidecar
from acoustics.io.site_sketch import SiteSketch
from acoustics.physics.burst import Burst

_NOISE_BAND = 0.5  # of the carrier's frequency: what the shortest windows hear, those of two cycles


@record
class EventSegment:
    """Samples about an event.

    Attributes
    ----------
    before : ndarray, shape (n_channels, n_before)
        The samples just before, without the ping [V].
    volts : ndarray, shape (n_channels, n_samples)
        Noise, then the ping [V].
    search : int
        The burst begins in the first so many samples.
    first : int
        Index in the recording of the first of `volts`.
    sample_rate_hz : float
        Of each channel [Hz].
    noise_power : ndarray, shape (n_channels,)
        Power of the noise behind the matched filter, of what was heard recently [V^2].
    converter_density : float
        Noise density of the converters, by the steps of `volts` [V^2/Hz].
    """

    before: Singles
    volts: Floats
    search: int
    first: int
    sample_rate_hz: float
    noise_power: Floats
    converter_density: float


@dataclass
class PingContext:
    """What holds for all pings of a recording, and what is remembered of the last few."""

    sidecar: Sidecar
    method: str
    full_scale_v: float | None
    site: SiteSketch | None = None
    wiring: WiringMemory = field(default_factory=WiringMemory)
    last_places: dict[str, EchoFix] = field(default_factory=dict)  # by echoes, of each pinger

    @property
    def pa_per_volt(self) -> Floats:
        """Of each channel, shape (n_channels,), by sensitivity and gain."""
        sensitivity = np.array([c.sensitivity_db_re_v_per_upa for c in self.sidecar.channels])
        return np.asarray(10 ** (-(sensitivity + self.sidecar.gain_db) / 20) * 1e-6)

    @property
    def pose(self) -> NavigatedPose:
        """The sidecar's pose, in radians."""
        s = self.sidecar.pose
        angles = (s.roll_deg, s.pitch_deg, s.heading_deg, s.roll_sd_deg, s.pitch_sd_deg, s.heading_sd_deg)
        roll, pitch, heading, roll_sd, pitch_sd, heading_sd = (float(np.deg2rad(angle)) for angle in angles)
        return NavigatedPose(
            s.position_m, roll, pitch, heading, s.position_sd_m, s.depth_sd_m, roll_sd, pitch_sd, heading_sd
        )


@record
class HeardPing:
    """A ping to be located.

    Attributes
    ----------
    number : int
        Of the ping in the recording.
    pinger, burst : KnownPinger, Burst
        Whose band it was heard in, and what that one sends.
    part : EventSegment
        Samples about it.
    context : PingContext
        What holds for all pings of the recording; remembers how well each wiring of the channels fits.
    masked_by : str
        Other pingers that were sounding when it came; empty for none.
    """

    number: int
    pinger: KnownPinger
    burst: Burst
    part: EventSegment
    context: PingContext
    masked_by: str = ""

    @cached_property
    def density(self) -> Floats:
        """Of the noise at each channel [Pa^2/Hz]."""
        return _noise_density(self.part, self.burst) * self.context.pa_per_volt**2

    def pressure(self, used: NDArray[np.bool_]) -> Floats:
        """Samples of some channels without what is constant in them [Pa]."""
        volts = self.part.volts - self.part.volts.mean(axis=-1, keepdims=True)
        return np.asarray(volts[used] * self.context.pa_per_volt[used, None])


def _noise_density(part: EventSegment, burst: Burst) -> Floats:
    """One-sided, of each channel [V^2/Hz]: from just before the ping, or else from what was heard recently."""
    rate = part.sample_rate_hz
    width = max(_NOISE_BAND * burst.frequency_hz, abs(burst.sweep_hz))
    local = band_noise_density(part.before, rate, burst.frequency_hz, width)
    recent = 2.0 * part.noise_power / rate
    heard = np.maximum(recent if local is None else local, part.converter_density)
    return np.where(heard > 0, heard, recent)


def usable_channels(
    part: EventSegment, density: Floats, context: PingContext, frequency_hz: float
) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Which channels to use, and flags for those with faults."""
    names = [c.name for c in context.sidecar.channels]
    positions = np.array([c.position_m for c in context.sidecar.channels])
    failed = failed_channels(density)
    clipped = clipped_channels(part.volts, context.full_scale_v) | flat_topped_channels(
        part.volts, part.sample_rate_hz, frequency_hz
    )
    flags = [
        f"channel '{names[k]}': failed, left out; {what_is_left(positions[~failed])}" for k in np.flatnonzero(failed)
    ]
    flags += [
        f"channel '{names[k]}': clipped; its phase holds, its level does not" for k in np.flatnonzero(clipped & ~failed)
    ]
    flags += [
        f"channel '{names[k]}': noise over 20 dB above the others"
        for k in np.flatnonzero(noisy_channels(density) & ~failed)
    ]
    flags += [
        f"channel '{names[k]}': off centre, which takes from its range"
        for k in np.flatnonzero(off_centre_channels(part.volts, context.full_scale_v))
    ]
    return ~failed, tuple(flags)
