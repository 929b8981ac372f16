"""Sums over samples of bursts on their carrier: all that the fits of direct sound and echoes ask of the samples.

A burst at one channel is ``Re(a E(t) exp(i w t))`` with a complex amplitude a, an envelope E and the carrier's angular
frequency w. The product of two over the samples is ``Re(a b S + a b* L) / 2`` by the sums S of ``E F exp(2 i w t)`` and
L of ``E F*``; that with the samples x is ``Re(a M)`` by the sum M of ``E x exp(i w t)``. So no sample is looked at
again for another phase or amplitude.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.tdoa.running_sums import RunningSums
from acoustics.estimate.tdoa.segment import AlignedSegments
from acoustics.physics.burst import Burst, Complexes, Envelopes

# By amplitude, phase and onset a burst changes as bursts of its envelope, its envelope and its slope do, of amplitudes:
ENVELOPE_OR_SLOPE, _FACTORS = np.array([0, 0, 1]), np.array([1.0, 1.0j, -1.0])
_PAIRS = np.array([[0, 1], [1, 2]])  # of envelope and slope: both, one with the other, both


@record
class CarriedSegments(AlignedSegments):
    """Aligned samples of m pings, ready for sums over bursts. Complex values stand as real and imaginary parts.

    Parameters
    ----------
    burst : Burst
        What was sent.
    mixed : ndarray, shape (m, n_channels, 2, n)
        Samples times the carrier ``exp(i w t)``.
    doubled : ndarray, shape (m, n_channels, 2, n)
        The square of the carrier.
    running : RunningSums, optional
        Running sums over the samples, where there are any that serve.
    """

    burst: Burst
    mixed: Floats
    doubled: Floats
    running: RunningSums | None

    @classmethod
    def of(cls, aligned: AlignedSegments, burst: Burst) -> CarriedSegments:
        """Aligned samples on a burst's carrier."""
        cosine, sine = np.cos(burst.carrier * aligned.time_s), np.sin(burst.carrier * aligned.time_s)
        mixed = aligned.samples[:, :, None] * np.stack([cosine, sine], axis=2)
        doubled = np.stack([2.0 * cosine**2 - 1.0, 2.0 * cosine * sine], axis=2)
        running = RunningSums.of(aligned.time_s, aligned.held, mixed, burst)
        return cls(aligned.samples, aligned.time_s, aligned.held, burst, mixed, doubled, running)

    def some(self, rows: NDArray[np.intp] | slice, n_samples: int | None = None) -> Self:
        """Some of the pings, and of each channel the first samples."""
        part = super().some(rows, n_samples)
        if self.running is None:  # as a part may have them where the whole is too long or has gaps
            return replace(part, running=RunningSums.of(part.time_s, part.held, part.mixed, self.burst))
        return replace(part, running=self.running.some(rows, n_samples))

    def count_before(self, end_s: Floats) -> int:
        """How many of each channel's first samples may lie before some ends of shape (m, n_channels) [s]."""
        interval = self.time_s[0, 0, 1] - self.time_s[0, 0, 0] if self.time_s.shape[-1] > 1 else 1.0
        last = float(((end_s - self.time_s[..., 0]) / interval).max(initial=1.0))
        # One more: whether a sample at the very end lies before it is a matter of rounding.
        return min(int(last) + 2, self.time_s.shape[-1])

    def envelopes_squared(self, envelopes: Envelopes) -> tuple[Complexes, Floats]:
        """S and L of envelopes (m, n_channels, k, n) at the first samples with themselves, (m, n_channels, k)."""
        square = envelopes * envelopes
        level = np.abs(square) if np.iscomplexobj(square) else square
        return products(square, self.doubled[:, :, None, :, : square.shape[-1]])[..., 0], level.sum(axis=-1)


def products(envelopes: Envelopes, others: Floats) -> Complexes:
    """Sums over samples of envelopes (..., k, n) times others in parts (..., j, 2, n), shape (..., k, j)."""
    if np.iscomplexobj(envelopes):
        return products(envelopes.real.copy(), others) + 1j * products(envelopes.imag.copy(), others)
    parts = envelopes @ transposed(others.reshape(*others.shape[:-3], -1, others.shape[-1]))
    return np.ascontiguousarray(parts).view(np.complex128)


def product_of(one: Complexes, other: Complexes, doubled: Complexes, level: Envelopes) -> Floats:
    """Product of two bursts of complex amplitudes by their S and L, all of one shape."""
    return np.asarray(0.5 * (one * (other * doubled + np.conj(other) * level)).real)


@record
class BurstSums:
    """Sums over bursts that begin at given onsets and count up to given times after them.

    Parameters
    ----------
    carried : CarriedSegments
        Whose samples may count.
    onset_s : ndarray, shape (m, n_channels)
        Where the bursts begin [s].
    window_s : ndarray, shape () or (m, 1)
        For how long they count [s].
    doubled, level : ndarray, shape (m, n_channels, 2, 2)
        S and L of envelope and slope of the bursts with each other.
    mixed : ndarray of complex, shape (m, n_channels, 2)
        M of these.
    running : RunningSums, optional
        Over the samples, where the bursts are driven all the while they count.
    """

    carried: CarriedSegments
    onset_s: Floats
    window_s: Floats
    doubled: Complexes
    level: Envelopes
    mixed: Complexes
    running: RunningSums | None

    @classmethod
    def of(cls, carried: CarriedSegments, onset_s: Floats, window_s: Floats) -> BurstSums:
        """Onsets of shape (m, n_channels), and for how long the bursts count, shape () or (m, 1) [s]."""
        running = carried.running if np.max(window_s) <= carried.burst.length_s else None
        if running is None:
            samples = BurstSamples.of(carried, onset_s, window_s)
            return cls(carried, onset_s, window_s, *samples.sums(), None)
        begin = onset_s[..., None]
        end, grown = begin + np.asarray(window_s)[..., None], running.grown(begin)
        sums = running.between(np.nextafter(begin, np.inf), end)  # where a burst begins its slope is none yet
        doubled, level = (_of_envelope_and_slope(of, grown, running.rate)[:, :, 0] for of in sums[:2])
        mixed, faded = sums.mixed
        by_samples = np.concatenate([mixed - grown * faded, running.rate * grown * faded], axis=-1)
        return cls(carried, onset_s, window_s, doubled, level, by_samples, running)

    @property
    def end_s(self) -> Floats:
        """Up to when samples count, shape (m, n_channels) [s]."""
        return self.onset_s + self.window_s

    @cached_property
    def samples(self) -> BurstSamples:
        """The bursts sample by sample."""
        return BurstSamples.of(self.carried, self.onset_s, self.window_s)

    def normal_equations(self, phase: Floats) -> tuple[Floats, Floats]:
        """Products (m, n_channels, 3, 3) of the bursts' derivatives by amplitude, phase and onset, and theirs with the
        samples (m, n_channels, 3); for unit amplitude and phases of shape (m, n_channels)."""
        factor = direct_factors(phase)
        pick = (..., ENVELOPE_OR_SLOPE[:, None], ENVELOPE_OR_SLOPE)
        normal = product_of(factor[..., :, None], factor[..., None, :], self.doubled[pick], self.level[pick])
        return normal, (factor * self.mixed[..., ENVELOPE_OR_SLOPE]).real


@record
class BurstSamples:
    """Bursts that begin at given onsets and count up to given times after them, sample by sample.

    Parameters
    ----------
    carried : CarriedSegments
        Whose first samples, n for each channel, may count.
    since_s : ndarray, shape (m, n_channels, n)
        Times of the samples since each channel's onset [s].
    inside : ndarray, shape (m, n_channels, n)
        1 for samples that count, else 0.
    envelopes : ndarray, shape (m, n_channels, 2, n)
        Envelope and slope of the bursts at the samples, 0 at those that do not count.
    """

    carried: CarriedSegments
    since_s: Floats
    inside: Floats
    envelopes: Envelopes

    @classmethod
    def of(cls, carried: CarriedSegments, onset_s: Floats, window_s: Floats) -> BurstSamples:
        """As `BurstSums.of` takes them."""
        end = onset_s + window_s
        n = carried.count_before(end)
        time = carried.time_s[..., :n]
        since, inside = time - onset_s[..., None], (carried.held[..., :n] & (time < end[..., None])).astype(float)
        envelopes = np.stack(carried.burst.complex_envelope_and_slope(since), axis=-2) * inside[..., None, :]
        return cls(carried, since, inside, envelopes)

    def sums(self) -> tuple[Complexes, Envelopes, Complexes]:
        """S and L of envelope and slope with each other, (m, n_channels, 2, 2) each, and their M, (..., 2)."""
        n, envelopes = self.since_s.shape[-1], self.envelopes
        squares = envelopes[..., [0, 0, 1], :] * envelopes[..., [0, 1, 1], :]
        pairs = products(squares, self.carried.doubled[:, :, None, :, :n])[..., 0]
        mixed = products(envelopes, self.carried.mixed[:, :, None, :, :n])[..., 0]
        return pairs[..., _PAIRS], envelopes @ np.conj(transposed(envelopes)), mixed

    @cached_property
    def factors(self) -> Floats:
        """By which any envelope gives its S and L with envelope and slope of these bursts, and its M, in parts,
        (m, n_channels, 5, 2, n)."""
        envelopes, n = self.envelopes, self.since_s.shape[-1]
        doubled = self.carried.doubled[:, :, None, :, :n]
        factors = np.zeros((*self.since_s.shape[:2], 5, 2, n))
        factors[:, :, :2] = envelopes.real[..., None, :] * doubled
        factors[:, :, 2:4, 0], factors[:, :, 4] = envelopes.real, self.carried.mixed[..., :n]
        if np.iscomplexobj(envelopes):
            turned = envelopes.imag[..., None, :] * doubled
            factors[:, :, :2, 0] -= turned[..., 1, :]
            factors[:, :, :2, 1] += turned[..., 0, :]
            factors[:, :, 2:4, 1] = -envelopes.imag
        return factors

    def with_echoes(self, envelopes: Envelopes) -> tuple[Complexes, Complexes, Complexes]:
        """S and L of other envelopes (m, n_channels, k, n) with the bursts, (m, n_channels, k, 2) each, and their M."""
        found = products(envelopes, self.factors)
        return found[..., :2], found[..., 2:4], found[..., 4]


def _of_envelope_and_slope(sums: Envelopes, grown: Floats, rate: float) -> Envelopes:
    """Of envelope ``1 - grown e`` and slope ``rate grown e`` with each other, (..., 2, 2), by `sums` (3, ...) of
    something times 1, e and e^2."""
    steady, faded, twice = sums
    both = rate * grown * (faded - grown * twice)
    found = np.stack([steady - grown * (2.0 * faded - grown * twice), both, both, (rate * grown) ** 2 * twice], axis=-1)
    return found.reshape(*grown.shape, 2, 2)


def direct_factors(phase: Floats) -> Complexes:
    """Complex amplitudes (..., 3) of a burst's derivatives by amplitude, phase and onset, for its phase (...)."""
    return np.asarray(np.exp(1j * phase)[..., None] * _FACTORS)
