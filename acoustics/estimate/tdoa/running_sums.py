"""Running sums over samples, by which sums over bursts of a steady tone are known for any onset and window.

While a tone without a sweep is driven, a burst that begins at b has the envelope ``1 - exp(r b) exp(-r t)``: of t alone
but for a factor of b. So its sums with anything are of a few running sums of that, and no sample is looked at again for
another onset, window or echo. Those of the carrier's square are of one tone at even times, whatever the samples.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.burst import Burst, Complexes

_LARGEST_EXPONENT = 300.0  # of the build-up by the last sample; its square is still a number


class Between(NamedTuple):
    """Sums over some of the samples: of the carrier's square, (3, m, n_channels, k), and of 1, (3, ...), each times 1,
    e and e^2; and of the samples on their carrier, (2, ...), times 1 and e."""

    doubled: Complexes
    level: Floats
    mixed: Complexes


@record
class RunningSums:
    """Of m pings with n samples at each channel: over those from one on, up to the last.

    Parameters
    ----------
    time_s : ndarray, shape (m, n_channels, n)
        Of the samples, evenly spaced [s].
    rate : float
        Reciprocal of the envelope's time constant [1/s].
    held : tuple of ndarray of int, shape (m, n_channels, 1) each
        Which sample is the first that counts, and which comes after the last one.
    begin : ndarray of complex, shape (m, n_channels, 1)
        The carrier's square at the first sample.
    doubled, level : ndarray, shape (3, n + 1)
        Of the carrier's square over that, and of 1, each times 1, e and e^2, where e is 1 at the first sample.
    mixed : ndarray, shape (m, n_channels, 4, n + 1)
        Of the samples on their carrier, in parts, times 1, and then times e.
    """

    time_s: Floats
    rate: float
    held: tuple[NDArray[np.intp], NDArray[np.intp]]
    begin: Complexes
    doubled: Complexes
    level: Floats
    mixed: Floats

    @classmethod
    def of(cls, time_s: Floats, held: NDArray[np.bool_], mixed: Floats, burst: Burst) -> RunningSums | None:
        """Over the samples that are held, of samples on a burst's carrier, (m, n_channels, 2, n). None for a swept one,
        for samples with gaps, and where a tone builds up too quickly for sums over the whole."""
        m, n, samples = time_s.shape
        first = held.argmax(axis=-1)[..., None]
        end = first + np.count_nonzero(held, axis=-1)[..., None]
        since = time_s[:1, :1].reshape(-1, samples).sum(axis=0)
        since = since - since[:1]
        whole = np.array_equal(held, (np.arange(samples) >= first) & (np.arange(samples) < end))
        if burst.sweep_hz or not whole or burst.build_up_rate * since.max(initial=0.0) > _LARGEST_EXPONENT:
            return None
        fading = np.exp(-burst.build_up_rate * since * np.arange(3)[:, None])
        sums = np.zeros((m, n, 4, samples + 1))
        backwards = sums[..., -2::-1]  # the last sample first, with nothing before
        np.multiply(mixed[..., ::-1], held[:, :, None, ::-1], out=backwards[:, :, :2])
        np.multiply(backwards[:, :, :2], fading[1, ::-1], out=backwards[:, :, 2:])
        np.cumsum(backwards, axis=-1, out=backwards)
        doubled, level = _from_each_on(np.exp(2j * burst.carrier * since) * fading), _from_each_on(fading)
        begin = np.exp(2j * burst.carrier * time_s[..., :1])
        return cls(time_s, burst.build_up_rate, (first, end), begin, doubled, level, sums)

    def between(self, first_s: Floats, end_s: Floats) -> Between:
        """Over the samples from some times on and before others, (m, n_channels, k) each [s]."""
        k = first_s.shape[-1]
        at = np.clip(_count_before(self.time_s, np.concatenate([first_s, end_s], axis=-1)), *self.held)
        doubled, level, mixed = self.doubled[:, at], self.level[:, at], _of_each_channel(self.mixed, at)
        parts = np.ascontiguousarray(mixed[..., :k, :] - mixed[..., k:, :]).view(np.complex128)
        return Between(
            self.begin * (doubled[..., :k] - doubled[..., k:]),
            level[..., :k] - level[..., k:],
            np.moveaxis(parts, -1, 0),
        )

    def some(self, rows: NDArray[np.intp] | slice, n_samples: int | None = None) -> RunningSums:
        """Of some of the pings, and of each channel the first samples: the sums between any two of these are alike."""
        first, end = self.held
        sums = slice(None if n_samples is None else n_samples + 1)
        return replace(
            self,
            time_s=self.time_s[rows, ..., :n_samples],
            held=(first[rows], end[rows]),
            begin=self.begin[rows],
            mixed=self.mixed[rows, ..., sums],
        )

    def grown(self, begin_s: Floats) -> Floats:
        """The factor of e in the envelope ``1 - grown e`` of bursts that begin then, (m, n_channels, k) [s]."""
        return np.exp(np.minimum(self.rate * (begin_s - self.time_s[..., :1]), _LARGEST_EXPONENT))


def _from_each_on(values: NDArray) -> NDArray:
    """Sums (..., n + 1) of values (..., n) from each on to the last, and of none."""
    sums = np.zeros((*values.shape[:-1], values.shape[-1] + 1), dtype=values.dtype)
    sums[..., :-1] = np.cumsum(values[..., ::-1], axis=-1)[..., ::-1]
    return sums


def _count_before(evenly_s: Floats, times_s: Floats) -> NDArray[np.intp]:
    """How many of evenly spaced samples (m, n, samples) come before times (m, n, k), shape (m, n, k)."""
    samples = evenly_s.shape[-1]
    interval = evenly_s[0, 0, 1] - evenly_s[0, 0, 0] if samples > 1 else 1.0
    count = np.clip(np.rint((times_s - evenly_s[..., :1]) / interval), 0, samples).astype(np.intp)
    # Whether the nearest one comes before is a matter of rounding.
    there = _of_each_channel(evenly_s, np.minimum(count, samples - 1))
    return np.asarray(count + ((count < samples) & (there < times_s)))


def _of_each_channel(values: Floats, at: NDArray[np.intp]) -> Floats:
    """Of values (m, n, ..., samples) each channel's at its own indices (m, n, k), shape (m, n, k, ...)."""
    rows = values.reshape(-1, *values.shape[2:])  # of channels, whose samples lie together
    found = rows[np.arange(len(rows))[:, None], ..., at.reshape(len(rows), -1)]
    return np.asarray(found.reshape(*at.shape, *values.shape[2:-1]))
