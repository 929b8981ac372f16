"""Samples of one ping as a narrow band about the carrier, and the burst as that band hears it."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.burst import Burst, burst_envelope

Complexes = NDArray[np.complex128]

# Complex samples in a cycle. The edge of a burst of Q = 8 reaches 1.9 kHz at 30 kHz; what lies outside +-9 kHz holds a
# tenth of its information.
_RATE_SHARE = 0.6
_FLAT_SHARE = 0.8  # of the band; then it falls by a cosine, so that edges ring for half a millisecond only
_SHARES = 200  # of the step from one baseband sample to the next
_MARGIN_S = 1e-3
_TABLE_BEGIN_S = -2 * _MARGIN_S
TAPER_S = _MARGIN_S / 2  # by which the samples fade in at the ends of what there is
_Q_STEP = 0.02
_PHASE_LAG = 4


@record
class Baseband:
    """Complex samples about the carrier, in units of the noise's standard deviation.

    Parameters
    ----------
    samples : ndarray of complex, shape (n_channels, n_samples)
        Each channel's in units of its own noise [1].
    time_s : ndarray, shape (n_channels, n_samples)
        When they were taken, the samples' clock [s].
    noise_sd : ndarray, shape (n_channels,)
        Of a complex sample [Pa].
    """

    samples: Complexes
    time_s: Floats
    noise_sd: Floats

    def carrier_offset_hz(self) -> float:
        """How far the carrier lies from where it was taken to be [Hz].

        Median of the phase's steps, each over a few samples and by its weight: where a path begins the phase jumps,
        elsewhere it runs as in a single tone, and most of a burst is elsewhere.
        """
        turn = np.sum(self.samples[:, _PHASE_LAG:] * self.samples[:, :-_PHASE_LAG].conj(), axis=0)
        span = float(self.time_s[0, _PHASE_LAG] - self.time_s[0, 0])
        order = np.argsort(np.angle(turn))
        weight = np.cumsum(np.abs(turn[order]))
        middle = order[int(np.searchsorted(weight, weight[-1] / 2))]
        return float(np.angle(turn[middle]) / (2 * np.pi * span))

    def turned(self, offset_hz: float) -> Baseband:
        """The samples about a carrier that lies otherwise by an offset [Hz]."""
        phase = np.exp(-2j * np.pi * offset_hz * (self.time_s - self.time_s.min()))
        return Baseband(self.samples * phase, self.time_s, self.noise_sd)

    def thinned(self) -> Baseband:
        """Mean of each two samples in succession, noise again of unit variance: half the work, coarse edges."""
        n = self.samples.shape[1] // 2 * 2
        pairs = self.samples[:, :n].reshape(len(self.samples), -1, 2)
        times = self.time_s[:, :n].reshape(len(self.samples), -1, 2)
        return Baseband(pairs.sum(axis=-1) / np.sqrt(2.0), times.mean(axis=-1), self.noise_sd / np.sqrt(2.0))


def to_baseband(
    pressure: Floats,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    offset_s: Floats,
    noise_density: Floats,
    begin_s: float,
    end_s: float,
) -> Baseband:
    """Samples from `begin_s` to `end_s` turned down by the carrier and thinned.

    Parameters
    ----------
    pressure : ndarray, shape (n_channels, n_samples)
        Samples [Pa].
    sample_rate_hz, frequency_hz : float
        Of the samples and of the carrier [Hz].
    offset_s : ndarray, shape (n_channels,)
        How much later than the first each channel is sampled [s].
    noise_density : ndarray, shape (n_channels,)
        One-sided [Pa^2/Hz].
    begin_s, end_s : float
        What to keep, from sample 0 [s].
    """
    first = max(int((begin_s - _MARGIN_S) * sample_rate_hz), 0)
    last = min(int((end_s + _MARGIN_S) * sample_rate_hz) + 1, pressure.shape[-1])
    part = pressure[:, first:last]
    n = part.shape[-1]
    edge = np.minimum(np.arange(n) + 1.0, n - np.arange(n)) / (TAPER_S * sample_rate_hz)
    part = part * np.sin(np.pi / 2 * np.minimum(edge, 1.0)) ** 2
    rate = _RATE_SHARE * frequency_hz
    spectrum = 2.0 * np.fft.rfft(part, axis=-1) * _passband(np.fft.rfftfreq(n, 1 / sample_rate_hz) - frequency_hz, rate)
    step = max(int(sample_rate_hz / rate), 1)
    # A whole number of input samples from one output sample to the next: no second interpolation.
    full = np.zeros((len(part), n), dtype=complex)
    full[:, : spectrum.shape[-1]] = spectrum
    index = np.arange(int(np.ceil(begin_s * sample_rate_hz)) - first, int(end_s * sample_rate_hz) - first, step)
    index = index[(index >= 0) & (index < n)]
    samples = np.fft.ifft(full, axis=-1)[:, index]
    time = ((first + index) / sample_rate_hz) + offset_s[:, None]
    samples = samples * np.exp(-2j * np.pi * frequency_hz * time)
    # The analytic signal's density is four times that of the samples per side, half of it one-sided: 2 N0.
    sd = np.sqrt(2.0 * noise_density * sample_rate_hz / step)
    return Baseband(samples / sd[:, None], time, sd)


def _passband(offset_hz: NDArray[Any], rate_hz: float) -> Floats:
    """Gain at offsets from the carrier [Hz]: flat, then falling by a cosine to nothing at half the rate."""
    share = np.abs(np.asarray(offset_hz, dtype=float)) / (rate_hz / 2)
    return np.cos(np.pi / 2 * np.clip((share - _FLAT_SHARE) / (1 - _FLAT_SHARE), 0.0, 1.0))


@record
class BurstTable:
    """The burst's envelope behind the band's filter by its age, with slope and derivatives by ``ln Q``.

    Samples of a path are a constant step apart, so that all of them lie at the same share of a step of the table: it is
    laid out by that share, and the samples of a path are a row.

    Parameters
    ----------
    begin_s, step_s : float
        Age of the first entry [s], and from one sample to the next.
    values : ndarray, shape (5, n_shares, n_steps)
        Envelope [1], slope [1/s], second derivative [1/s^2], first and second derivative by ``ln Q`` [1].
    """

    begin_s: float
    step_s: float
    values: Floats

    def __call__(self, baseband: Baseband, arrival_s: Floats, columns: int = 5) -> Floats:
        """The first columns of the table at a baseband's samples.

        Parameters
        ----------
        baseband : Baseband
            That of the table, or the same thinned.
        arrival_s : ndarray, shape (..., n_channels, n_paths)
            When each path comes [s].

        Returns
        -------
        ndarray, shape (columns, ..., n_channels, n_paths, n_samples)
            From the nearest entry by its derivatives among these columns: good to 1e-5.
        """
        time, n_shares = baseband.time_s, self.values.shape[1]
        every = int(np.rint((time[0, 1] - time[0, 0]) / self.step_s))
        span = every * time.shape[1]
        place = (time[:, :1] - arrival_s - self.begin_s) / self.step_s * n_shares
        nearest = np.rint(place)
        off_s = (place - nearest)[..., None] * (self.step_s / n_shares)
        first, share = np.divmod(nearest.astype(np.int64), n_shares)
        rows = sliding_window_view(self.values[:columns], span, axis=-1)[..., ::every]
        taken = rows[:, share, np.clip(first, 0, rows.shape[2] - 1)]
        if columns > 2:
            bend = off_s * taken[2]
            taken[0] += 0.5 * off_s * bend
            taken[0] += off_s * taken[1]
            taken[1] += bend
        else:
            taken[0] += off_s * taken[1]
        return np.asarray(taken)


def burst_table(burst: Burst, baseband: Baseband) -> BurstTable:
    """The table of a tone burst for the samples of a baseband."""
    # Steps that differ by rounding alone have one table.
    step = round(float(baseband.time_s[0, 1] - baseband.time_s[0, 0]), 12)
    values, aside = _table_values(burst, step), baseband.time_s.shape[1] + 1
    # Where all samples come before the burst or long after it, a row still has to be there.
    padded = np.pad(values, ((0, 0), (0, 0), (aside, aside)))
    return BurstTable(_TABLE_BEGIN_S - aside * step, step, padded)


@lru_cache(maxsize=8)
def _table_values(burst: Burst, step: float) -> Floats:
    """Values of `BurstTable` from `_TABLE_BEGIN_S` to as long after the burst's end as it rings."""
    rate, n_steps = _RATE_SHARE * burst.frequency_hz, int(np.ceil((burst.length_s + 6 * _MARGIN_S) / step))
    begin, fine = _TABLE_BEGIN_S, step / _SHARES
    age = begin + np.arange(n_steps * _SHARES) * fine
    hz = np.fft.fftfreq(len(age), fine)
    gain, by_age = _passband(hz, rate), 2j * np.pi * hz

    def spectrum(q: float) -> Complexes:
        return gain * np.fft.fft(burst_envelope(age, frequency_hz=burst.frequency_hz, length_s=burst.length_s, q=q))

    low, middle, high = (spectrum(burst.q * np.exp(k * _Q_STEP)) for k in (-1, 0, 1))
    by_q, by_q_twice = (high - low) / (2 * _Q_STEP), (high - 2 * middle + low) / _Q_STEP**2
    values = np.fft.ifft([middle, by_age * middle, by_age**2 * middle, by_q, by_q_twice], axis=-1).real
    return np.asarray(np.swapaxes(values.reshape(5, n_steps, _SHARES), -1, -2))
