"""One ping out of a recording: faults of channels, delays, direction, position, and reasons where they fail."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.detect import (
    leading_edge,
    what_is_left,
)
from acoustics.estimate.direction import FARTHEST_M, NEAREST_M
from acoustics.estimate.locate.cabling import wiring_checked
from acoustics.estimate.locate.direction import with_directions
from acoustics.estimate.locate.echoes import with_echoes
from acoustics.estimate.locate.heard_ping import EventSegment, HeardPing, PingContext, usable_channels
from acoustics.estimate.spectrum import complex_envelope, off_carrier_hz
from acoustics.estimate.tdoa import Segment, TdoaMeasurement, channel_gain_sd, measure_tdoa, thinning_factor
from acoustics.io.ping import IntegerAlternative, Ping
from acoustics.io.sidecar import KnownPinger
from acoustics.physics.burst import Burst

# A burst is heard through its own spectrum, whose first zeros lie 1 / length off the carrier; what is heard from beyond
# them comes by a side lobe, and is another sound. Half as much again for what noise and echoes do to the measurement.
_FREQUENCY_LOBES = 1.5
_ENVELOPE_BAND = 0.2  # of the frequency: what is looked at on either side
# Vectors of integers that are weighed by their directions: that search knows no distance and is generous.
MOST_ALTERNATIVES, _NEGLIGIBLE_WEIGHT = 96, 1e-5
NO_CHANNELS = "fewer than two channels work"


@dataclass
class _Begun:
    """How far a ping has come: the channels used, what is known of it, what they measure of it, if two do, and whether
    directions are made of that.

    `working` names the channels that have not failed, those deaf to this ping included.
    """

    heard: HeardPing
    used: NDArray[np.bool_]
    working: tuple[str, ...]
    ping: Ping
    measured: TdoaMeasurement | None = None
    directed: bool = False

    @classmethod
    def of(cls, heard: HeardPing) -> _Begun:
        used, flags = usable_channels(heard.part, heard.density, heard.context, heard.burst.frequency_hz)
        working = tuple(c.name for c, use in zip(heard.context.sidecar.channels, used, strict=True) if use)
        return cls(heard, used, working, nothing_yet(heard.number, heard.pinger, heard.part, heard.context, flags))

    @property
    def deaf(self) -> NDArray[np.bool_]:
        """Which of the channels used hear nothing, where enough others hear the ping."""
        if self.measured is None:
            return np.zeros(0, dtype=bool)
        below = self.measured.below_threshold
        return below & ((~below).sum() >= 2)

    def leave_out_deaf(self) -> None:
        """Use the channels that hear the ping, and say so."""
        channels = self.heard.context.sidecar.channels
        out = np.flatnonzero(self.used)[self.deaf]
        self.used[out] = False
        positions = np.array([c.position_m for c in channels])
        hears = "hears nothing of this ping, left out; " + what_is_left(positions[self.used])
        flags = tuple(f"channel '{channels[k].name}': {hears}" for k in out)
        self.ping = replace(self.ping, flags=self.ping.flags + flags)

    def take_delays(self) -> None:
        """Make what was measured part of the ping."""
        heard = self.heard
        if self.measured is None:
            self.ping = replace(self.ping, ok=False, reason=NO_CHANNELS)
        else:
            ping = with_delays(self.ping, self.measured)
            self.ping = _with_frequency(ping, self.used, heard.pinger, heard.part, heard.density)


def locate_pings(heard: Sequence[HeardPing]) -> list[Ping]:
    """Tdoa, direction and position of pings, of one recording or of many.

    Those that have burst, channels and number of samples in common are measured together, which takes half the time;
    each has the answer that it has alone.

    Returns
    -------
    list of Ping
        With ``ok`` False and a reason where one cannot be located.
    """
    begun = [_Begun.of(one) for one in heard]
    _measure([one for one in begun if one.used.sum() >= 2])
    again = [one for one in begun if one.deaf.any()]
    for one in again:
        one.leave_out_deaf()
    _measure(again)
    for one in begun:
        one.take_delays()
    _direct([one for one in begun if one.ping.ok])
    return [_finished(one) for one in begun]


def _direct(pings: Sequence[_Begun]) -> None:
    """Directions and positions of pings that have delays, those in the same water together."""
    alike: dict[Hashable, list[_Begun]] = {}
    for one in pings:
        sidecar = one.heard.context.sidecar
        alike.setdefault((sidecar.farthest_m, sidecar.profile), []).append(one)
    for some in alike.values():
        sidecar = some[0].heard.context.sidecar
        farthest_m, profile = sidecar.farthest_m or FARTHEST_M, sidecar.sound_speed_profile
        told = with_directions([one.ping for one in some], farthest_m=farthest_m, profile=profile)
        for one, ping in zip(some, told, strict=True):
            one.ping, one.directed = ping, True


def _finished(begun: _Begun) -> Ping:
    """A ping with its directions, its channels checked, and with what its echoes tell."""
    heard, used, part, context, ping = begun.heard, begun.used, begun.heard.part, begun.heard.context, begun.ping
    if begun.measured is None:
        return ping
    if begun.directed:
        ping = wiring_checked(ping, begun.measured, context.wiring, begun.working)
    if heard.masked_by:
        return replace(ping, ok=False, reason=f"{heard.masked_by} was sounding when it came")
    if context.site is None or _is_another(ping, heard.pinger):
        return ping
    offset = np.array([c.sampling_offset_s for c in context.sidecar.channels])[used]
    segment = Segment(heard.pressure(used), part.sample_rate_hz, offset, part.first / part.sample_rate_hz)
    last = context.last_places.get(heard.pinger.name)
    ping = with_echoes(ping, segment, heard.density[used], heard.burst, context.site, last)
    if ping.echoes is not None and ping.echoes.ok and ping.echoes.sure:
        context.last_places[heard.pinger.name] = ping.echoes
    return ping


def _measure(pings: Sequence[_Begun]) -> None:
    """Measure pings by the channels that each uses, those alike together."""
    asked = [_Question.of(one) for one in pings]
    for question in dict.fromkeys(asked):
        alike = [k for k, other in enumerate(asked) if other == question]
        measured = question.answered([pings[k] for k in alike])
        for row, k in enumerate(alike):
            pings[k].measured = measured.of(row)


@record
class _Question:
    """What pings that are measured together have in common."""

    n_samples: int
    sample_rate_hz: float
    burst: Burst
    method: str
    hydrophones_m: tuple[tuple[float, float, float], ...]
    tolerances_m: tuple[float, ...]
    offsets_s: tuple[float, ...]
    skew_sd_s: float
    gain_sd_db: float
    sound_speed_sd_m_s: float

    @classmethod
    def of(cls, ping: _Begun) -> _Question:
        heard, sidecar = ping.heard, ping.heard.context.sidecar
        channels = [c for c, use in zip(sidecar.channels, ping.used, strict=True) if use]
        return cls(
            heard.part.volts.shape[-1],
            heard.part.sample_rate_hz,
            heard.burst,
            heard.context.method,
            tuple(c.position_m for c in channels),
            tuple(c.tolerance_m for c in channels),
            tuple(c.sampling_offset_s for c in channels),
            sidecar.skew_sd_s,
            sidecar.gain_sd_db,
            sidecar.sound_speed_sd_m_s,
        )

    def answered(self, pings: Sequence[_Begun]) -> TdoaMeasurement:
        """Measurement of the pings, batch shape (n_pings,); each is told its channels and the time of its onset."""
        heard, rate = [one.heard for one in pings], self.sample_rate_hz
        pressure = np.stack([one.heard.pressure(one.used) for one in pings])
        density = np.stack([one.heard.density[one.used] for one in pings])
        first = np.array([one.part.first for one in heard])
        onset = np.array(
            [
                leading_edge(samples[:, : one.part.search], rate, self.burst.frequency_hz, noise)
                for samples, noise, one in zip(pressure, density, heard, strict=True)
            ]
        )
        for one, time in zip(pings, (first + onset) / rate, strict=True):
            channels = one.heard.context.sidecar.channels
            names = tuple(c.name for c, use in zip(channels, one.used, strict=True) if use)
            one.ping = replace(
                one.ping,
                time_s=float(time),
                channels=names,
                hydrophones_m=np.array(self.hydrophones_m),
                tolerances_m=np.array(self.tolerances_m),
            )
        thinned, thinned_rate = _thinned(pressure, rate, self.burst)
        return measure_tdoa(
            Segment(thinned, thinned_rate, np.array(self.offsets_s), first / rate),
            self.burst,
            method=self.method,
            noise_density=density,
            onset_s=onset / rate,
            hydrophones_m=self.hydrophones_m,
            sound_speed_m_s=[one.context.sidecar.sound_speed_m_s for one in heard],
            skew_sd_s=self.skew_sd_s,
            element_sd_m=self.tolerances_m,
            gain_sd=channel_gain_sd(self.gain_sd_db),
            sound_speed_sd_m_s=self.sound_speed_sd_m_s,
            nearest_m=NEAREST_M,
            n_alternatives=MOST_ALTERNATIVES,
            keep_onsets=True,
        )


def _with_frequency(
    ping: Ping, used: NDArray[np.bool_], pinger: KnownPinger, part: EventSegment, density: Floats
) -> Ping:
    """The ping with the frequency that was heard; not ok where that is another's."""
    if not ping.ok:
        return ping
    rate = part.sample_rate_hz
    onset = int(np.clip(round(ping.time_s * rate) - part.first, 0, part.volts.shape[-1] - 2))
    # The last few samples, long after the burst, are not worth a transform of an awkward length.
    held = part.volts[used, : scipy.fft.prev_fast_len(part.volts.shape[-1])]
    volts = held / np.sqrt(np.maximum(density[used], 1e-300))[:, None]
    envelope, _ = complex_envelope(volts, rate, pinger.frequency_hz, _ENVELOPE_BAND)
    heard_hz = pinger.frequency_hz + off_carrier_hz(envelope[:, onset:][:, : int(pinger.length_s * rate) + 2], rate)
    ping = replace(ping, measured_frequency_hz=float(heard_hz))
    if not _is_another(ping, pinger):
        return ping
    return replace(
        ping,
        ok=False,
        reason=f"it was heard at {heard_hz:.0f} Hz, which is not the {pinger.frequency_hz:.0f} Hz of "
        f"'{pinger.name}': another sound, or a wrong frequency in the notes",
    )


def _is_another(ping: Ping, pinger: KnownPinger) -> bool:
    """Whether the frequency that was heard cannot be the pinger's; not so where none was measured."""
    return bool(abs(ping.measured_frequency_hz - pinger.frequency_hz) > heard_within_hz(pinger))


def heard_within_hz(pinger: KnownPinger) -> float:
    """How far from its frequency a pinger's bursts are heard [Hz]."""
    return _FREQUENCY_LOBES / pinger.length_s + abs(pinger.sweep_hz) / 2


def _thinned(pressure: Floats, rate: float, burst: Burst) -> tuple[Floats, float]:
    """The samples at a rate no higher than a short burst needs, and that rate; the first sample stays the first."""
    factor = thinning_factor(rate, burst)
    if factor < 2:
        return pressure, rate
    n = pressure.shape[-1] // factor
    spectrum = np.fft.rfft(pressure[..., : n * factor], axis=-1)[..., : n // 2 + 1]
    # Flat to three quarters of the new band, then falling to nothing.
    gain = np.cos(np.pi / 2 * np.clip(np.linspace(-3.0, 1.0, n // 2 + 1), 0.0, 1.0)) ** 2
    return np.fft.irfft(spectrum * gain, n, axis=-1) / factor, rate / factor


def nothing_yet(
    number: int, pinger: KnownPinger, part: EventSegment, context: PingContext, flags: tuple[str, ...]
) -> Ping:
    """A ping that was heard and of which nothing more is known."""
    return Ping(
        ping=number,
        pinger=pinger.name,
        time_s=(part.first + part.search) / part.sample_rate_hz,
        frequency_hz=pinger.frequency_hz,
        ok=False,
        reason="",
        energy_ratio_db=np.nan,
        window_s=np.nan,
        method=context.method,
        integer_probability=np.nan,
        channels=(),
        hydrophones_m=np.empty((0, 3)),
        tolerances_m=np.empty(0),
        reference=0,
        tdoa_s=np.empty(0),
        tdoa_covariance_s2=np.empty((0, 0)),
        skew_sd_s=context.sidecar.skew_sd_s,
        flags=flags,
        sound_speed_m_s=context.sidecar.sound_speed_m_s,
        sound_speed_sd_m_s=context.sidecar.sound_speed_sd_m_s,
        candidates=(),
        p_value=np.nan,
        position_m=None,
        position_covariance_m2=None,
        position_reason="",
        pose=context.pose,
        depth_m=pinger.depth_m,
        depth_sd_m=pinger.depth_sd_m,
        site_bearing=(),
        site_position_m=None,
    )


def with_delays(ping: Ping, measured: TdoaMeasurement) -> Ping:
    """The ping with its delays, or the reason why there are none."""
    ratio = float(measured.energy_ratio)
    ping = replace(
        ping,
        energy_ratio_db=10 * float(np.log10(ratio)) if ratio > 0 else np.nan,
        window_s=float(measured.window_s),
        integer_probability=float(measured.integer_probability),
    )
    if not bool(measured.ok):
        return replace(ping, reason=str(measured.reason))
    return replace(
        ping,
        ok=True,
        time_s=float(measured.arrival_s),
        reference=measured.tdoa.reference,
        tdoa_s=measured.tdoa.tdoa_s,
        tdoa_covariance_s2=measured.noise_covariance_s2,
        lasting_share=float(measured.lasting_share),
        **_integers(measured),
    )


def _integers(measured: TdoaMeasurement) -> dict[str, Any]:
    """The vectors of integers that may fit, to be weighed by the directions that they give, and what is left over."""
    found = measured.alternatives
    if found is None:
        return {}
    listed = [
        IntegerAlternative(tuple(cycles.tolist()), float(weight), float(misfit))
        for cycles, weight, misfit in zip(found.cycles, found.weight, found.build_up_misfit, strict=True)
        if weight >= _NEGLIGIBLE_WEIGHT
    ]
    return {"integers": tuple(listed), "integers_left_out": max(1.0 - sum(one.weight for one in listed), 0.0)}
