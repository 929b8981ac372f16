"""From a scene to the numbers of its recorder, block by block."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.levels import pressure_from_level_pa
from acoustics.propagate.render.bursts import ping_pressure, ping_samples
from acoustics.propagate.render.draw import DrawnRecording, PingSeries
from acoustics.propagate.render.noise import IsotropicPieces, RandomPieces, SteadyTones
from acoustics.scene.recorder import Recorder

DEFAULT_BLOCK_SAMPLES = 16_384  # small enough for the processor's cache
_PASSBAND_ORDER = 2


def render(drawn: DrawnRecording, *, block_samples: int = DEFAULT_BLOCK_SAMPLES) -> Iterator[NDArray[np.int32]]:
    """Counts of the converter, one block after another.

    Parameters
    ----------
    take : DrawnRecording
        What is to be recorded.
    block_samples : int
        Samples of each channel in a block. The numbers do not depend on it.

    Yields
    ------
    ndarray of int32, shape (n, n_channels)
        From ``-2^(bits - 1)`` to ``2^(bits - 1) - 1``; what would go beyond is clipped there.

    Raises
    ------
    ParameterError
        A block under one sample.

    Notes
    -----
    Memory: some ten arrays of a block or of a noise piece (both 16,384 samples) by channels by 8 bytes, and those pings
    that sound in the block, each as long as its burst and echoes. It does not grow with the recording.
    """
    convert = converter(drawn)
    start = 0
    for pressure in render_pressure(drawn, block_samples=block_samples):
        counts = convert(pressure)
        for first, last in drawn.dropouts:
            counts[max(first - start, 0) : max(last - start, 0)] = 0
        yield counts
        start += len(counts)


def render_pressure(drawn: DrawnRecording, *, block_samples: int = DEFAULT_BLOCK_SAMPLES) -> Iterator[Floats]:
    """Pressure with its noise at the moments of sampling, shape (n, n_channels) [Pa], one block after another.

    As `render`, before the pass band of the recorder and its converter.
    """
    if block_samples < 1:
        raise ParameterError(f"block_samples={block_samples} must be at least 1")
    noise = _Noise.of(drawn)
    tones = SteadyTones(drawn.scene.noise.tones, drawn.tone_phase, drawn.times)
    pings = _Pings(drawn)
    for start in range(0, drawn.n_samples, block_samples):
        stop = min(start + block_samples, drawn.n_samples)
        pressure = noise.take(start, stop)
        tones.add_to(pressure, start)
        pings.add_to(pressure, start)
        yield pressure


def converter(drawn: DrawnRecording) -> _Converter:
    """What turns blocks of pressure [Pa], given in their order, into counts: sensitivity, gain, pass band, steps."""
    recorder = drawn.scene.recorder
    sensitivity = np.array([h.sensitivity_db_re_v_per_upa for h in drawn.scene.array.hydrophones])[drawn.hydrophone]
    volts_per_pa = 10 ** ((sensitivity + recorder.gain_db) / 20) * 1e6
    return _Converter(drawn.channel_gain * volts_per_pa, recorder)


class _Converter:
    """Keeps the state of the pass band's filter from block to block."""

    def __init__(self, volts_per_pa: Floats, recorder: Recorder) -> None:
        half = 2.0 ** (recorder.bits - 1)
        self._counts_per_pa = volts_per_pa * (half / recorder.full_scale_v)
        self._lowest, self._highest = -half, half - 1
        self._sections = _passband(recorder)
        n_sections = 0 if self._sections is None else len(self._sections)
        self._state = np.zeros((n_sections, 2, len(volts_per_pa)))

    def __call__(self, pressure: Floats) -> NDArray[np.int32]:
        if self._sections is not None:
            from scipy.signal import sosfilt

            pressure, self._state = sosfilt(self._sections, pressure, axis=0, zi=self._state)
        counts = pressure * self._counts_per_pa
        np.rint(counts, out=counts)
        return np.clip(counts, self._lowest, self._highest, out=counts).astype(np.int32)


def _passband(recorder: Recorder) -> Floats | None:
    """Second-order Butterworth edges of the amplifier; one above half the sample rate does nothing."""
    if recorder.passband_hz is None:
        return None
    low, high = recorder.passband_hz
    half = recorder.sample_rate_hz / 2
    from scipy.signal import butter  # here, for it takes long to load and maps render nothing unless asked to

    edges, kind = ((low, high), "bandpass") if high < half else (low, "highpass")
    return np.asarray(butter(_PASSBAND_ORDER, edges, kind, fs=recorder.sample_rate_hz, output="sos"))


@record
class _Noise:
    """Ambient and self noise: each of constant density over the recorder's band, that at the first pinger's frequency.

    Ambient noise may be coherent between hydrophones, self noise is taken as independent.
    """

    ambient: RandomPieces | IsotropicPieces
    own: RandomPieces
    ambient_pa: float
    own_pa: float

    @classmethod
    def of(cls, drawn: DrawnRecording) -> _Noise:
        """Of the scene's densities at the first pinger's frequency."""
        scene, n = drawn.scene, len(drawn.hydrophones_m)
        frequency, rate = scene.pingers[0].frequency_hz, scene.recorder.sample_rate_hz
        # White noise of one-sided density N0 has the variance N0 fs / 2.
        to_rms = np.sqrt(rate / 2)
        ambient_pa = to_rms * float(pressure_from_level_pa(scene.noise.water_density_db(frequency)))
        level = scene.noise.self_noise_density_db
        own_pa = 0.0 if level is None else to_rms * float(pressure_from_level_pa(level))
        ambient, own = RandomPieces(drawn.ambient_seed, n), RandomPieces(drawn.self_noise_seed, n)
        if scene.noise.isotropic_coherence:
            coherent = IsotropicPieces(ambient, drawn.hydrophones_m, rate, scene.sound_speed_m_s)
            return cls(coherent, own, ambient_pa, own_pa)
        # Two independent contributions are one of the sum of their powers.
        return cls(ambient, own, float(np.hypot(ambient_pa, own_pa)), 0.0)

    def take(self, start: int, stop: int) -> Floats:
        total = self.ambient.take(start, stop)
        total *= self.ambient_pa
        if self.own_pa:
            total += self.own_pa * self.own.take(start, stop)
        return total


@dataclass
class _Pings:
    """Pings in the order in which they are heard; each is rendered when its first block comes, and dropped after."""

    drawn: DrawnRecording
    waiting: list[tuple[int, int, int]] = field(init=False)  # first sample, one, ping
    sounding: list[tuple[int, Floats]] = field(init=False, default_factory=list)  # first sample, pressure
    jitter: RandomPieces = field(init=False)

    def __post_init__(self) -> None:
        self.jitter = RandomPieces(self.drawn.jitter_seed, len(self.drawn.hydrophones_m))
        interval = self.drawn.times.interval_s
        earliest = float(self.drawn.times.offset_s.max())
        self.waiting = [
            (int(np.floor((start + one.paths.delay_s.min() - earliest) / interval)) - 1, t, k)
            for t, one in enumerate(self.drawn.series)
            for k, start in enumerate(one.start_s)
        ]
        heapq.heapify(self.waiting)

    def add_to(self, pressure: Floats, start: int) -> None:
        """Add to a block (n_samples, n_channels) [Pa], which begins at a sample, what sounds in it."""
        stop = start + len(pressure)
        while self.waiting and self.waiting[0][0] < stop:
            _, one, ping = heapq.heappop(self.waiting)
            self.sounding.append(self._render(self.drawn.series[one], ping))
        for first, ping_pa in self.sounding:
            low, high = max(first, start), min(first + len(ping_pa), stop)
            if low < high:
                pressure[low - start : high - start] += ping_pa[low - first : high - first]
        self.sounding = [(first, ping_pa) for first, ping_pa in self.sounding if first + len(ping_pa) > stop]

    def _render(self, one: PingSeries, ping: int) -> tuple[int, Floats]:
        paths, recorder, start_s = one.paths, self.drawn.scene.recorder, float(one.start_s[ping])
        amplitude = paths.amplitude * np.exp(-1j * self.drawn.channel_phase)[:, None]
        heard = paths.delay_s, amplitude, paths.valid, self.drawn.times
        if not recorder.aperture_jitter_s:
            return ping_samples(one.pinger, start_s, *heard)
        # A sample taken late by far less than the build-up meets a later phase and the same envelope.
        first, analytic = ping_pressure(one.pinger, start_s, *heard)
        late = recorder.aperture_jitter_s * self.jitter.take(first, first + len(analytic))
        return first, (analytic * np.exp(2j * np.pi * one.pinger.frequency_hz * late)).real
