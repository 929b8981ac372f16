"""Noise of a recording, drawn in pieces of fixed size, so that any part of it can be drawn alone."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

import numpy as np
import scipy

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.levels import pressure_from_level_pa
from acoustics.physics.noise import isotropic_coherence
from acoustics.propagate.render.bursts import SampleTimes
from acoustics.scene.noise import Tone

_PIECE = 16_384  # samples


@record
class RandomPieces:
    """Endless independent standard normal numbers, shape (n, n_channels), the same however they are asked for.

    Each piece of 16,384 samples has a seed of its own, spawned from `seed` by the piece's index.
    """

    seed: np.random.SeedSequence
    n_channels: int

    def piece(self, index: int, rows: int = _PIECE) -> Floats:
        """The first rows, shape (rows, n_channels), of the piece of an index, which may be negative."""
        key = (*self.seed.spawn_key, 2 * index if index >= 0 else -2 * index - 1)
        child = np.random.SeedSequence(self.seed.entropy, spawn_key=key)
        # Noise is a third of a recording's time: SFC64 and single precision, finer than any converter, take 3/4 of it.
        numbers = np.random.Generator(np.random.SFC64(child)).standard_normal((rows, self.n_channels), dtype=np.float32)
        return numbers.astype(float)

    def take(self, start: int, stop: int) -> Floats:
        """Numbers from `start` to before `stop`, shape (stop - start, n_channels)."""
        return _from_pieces(self.piece, start, stop)


@record
class IsotropicPieces:
    """Normal numbers of unit variance and white in each channel, with the coherence of isotropic noise between them.

    Spherically isotropic noise has the coherence ``sin(k d) / (k d)`` (Cook et al. 1955, J. Acoust. Soc. Am.
    27:1072-1077). At each frequency the symmetric root of its matrix mixes independent channels; over time that is a
    symmetric filter little longer than the sound takes across the array.
    """

    source: RandomPieces
    hydrophones_m: Floats  # (n_channels, 3)
    sample_rate_hz: float
    sound_speed_m_s: float

    @cached_property
    def _filter(self) -> tuple[Floats, int, int]:
        """Mixing matrices (n_frequencies, n_channels, n_channels), half length of the filter and FFT length."""
        distance = np.linalg.norm(self.hydrophones_m[:, None] - self.hydrophones_m, axis=-1)
        across = distance.max() / self.sound_speed_m_s * self.sample_rate_hz
        half = min(int(4 * across) + 64, _PIECE // 2)
        n_fft = scipy.fft.next_fast_len(_PIECE + 2 * half, real=True)
        frequency = scipy.fft.rfftfreq(n_fft, 1 / self.sample_rate_hz)
        coherence = isotropic_coherence(frequency[:, None, None], distance, self.sound_speed_m_s)
        value, vector = np.linalg.eigh(coherence)
        root = (vector * np.sqrt(np.maximum(value, 0.0))[:, None]) @ np.swapaxes(vector, -1, -2)
        return root, half, n_fft

    def take(self, start: int, stop: int) -> Floats:
        """Numbers from `start` to before `stop`, shape (stop - start, n_channels)."""
        return _from_pieces(self._piece, start, stop)

    def _piece(self, index: int, rows: int) -> Floats:
        root, half, n_fft = self._filter
        start = index * _PIECE
        white = self.source.take(start - half, start - half + n_fft)
        mixed = np.einsum("fij,fj->fi", root, scipy.fft.rfft(white, axis=0))
        return scipy.fft.irfft(mixed, n_fft, axis=0)[half : half + rows]


@record
class SteadyTones:
    """Tones that sound throughout, each with a phase of its own at every channel."""

    tones: tuple[Tone, ...]
    phase: Floats  # (n_tones, n_channels) [rad]
    times: SampleTimes

    def add_to(self, pressure: Floats, start: int) -> None:
        """Add them to pressure of shape (n, n_channels) [Pa] whose first sample is `start`."""
        if not self.tones:
            return
        seconds = (start + np.arange(len(pressure)))[:, None] * self.times.interval_s + self.times.offset_s
        for tone, phase in zip(self.tones, self.phase, strict=True):
            peak = np.sqrt(2.0) * float(pressure_from_level_pa(tone.level_db))
            pressure += peak * np.cos(2 * np.pi * tone.frequency_hz * seconds + phase)


def _from_pieces(piece: Callable[[int, int], Floats], start: int, stop: int) -> Floats:
    """Cut the samples from `start` to before `stop` out of the pieces that hold them."""
    out: list[Floats] = []
    for k in range(start // _PIECE, (stop - 1) // _PIECE + 1):
        out.append(piece(k, min(stop - k * _PIECE, _PIECE))[max(start - k * _PIECE, 0) :])
    return out[0] if len(out) == 1 else np.concatenate(out)
