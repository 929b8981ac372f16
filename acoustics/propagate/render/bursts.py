"""One ping at every channel: the sum of its paths, evaluated at the very times at which the channels are sampled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.physics.burst import burst_envelope, burst_phase
from acoustics.propagate.images import Bools, Complexes
from acoustics.scene.pinger import Pinger

# Time constants of the decay after which a burst has ended: exp(-20) is 174 dB under its plateau.
_TAIL_TIME_CONSTANTS = 20.0
_FINE = 64
_MOST_GROWTH = 300.0  # its exponential is a number, and so is its inverse


@dataclass(frozen=True)
class SampleTimes:
    """When the channels are sampled: sample k of channel i at ``k * interval_s + offset_s[i]`` [s]."""

    interval_s: float
    offset_s: Floats  # (n_channels,)

    def first_after(self, time_s: Floats) -> np.ndarray:
        """Index of the first sample at or after times of shape (n_channels, ...) [s]."""
        offset = self.offset_s.reshape(-1, *[1] * (np.ndim(time_s) - 1))
        return np.ceil((time_s - offset) / self.interval_s).astype(np.int64)


def burst_span_s(pinger: Pinger) -> float:
    """Time from the start of a burst until its decay is over [s]."""
    return pinger.length_s + _TAIL_TIME_CONSTANTS * pinger.q / (np.pi * pinger.frequency_hz)


def ping_pressure(
    pinger: Pinger, start_s: float, delay_s: Floats, amplitude: Complexes, valid: Bools, times: SampleTimes
) -> tuple[int, Complexes]:
    """Analytic pressure of one ping over all its paths.

    Parameters
    ----------
    pinger : Pinger
        What is sent.
    start_s : float
        When it is sent [s].
    delay_s, amplitude, valid : ndarray, shape (n_channels, n_paths)
        Paths as in `Arrivals`.
    times : SampleTimes
        When the channels are sampled.

    Returns
    -------
    first : int
        Index of the first sample.
    pressure : ndarray of complex, shape (n, n_channels)
        Its real part is the pressure [Pa] at that sample and those after it; zero before and after them.

    Notes
    -----
    Exact at any delay: nothing is interpolated. A tone's burst is a sum of two exponentials, of poles ``i w`` and
    ``i w - r`` with r the rate of its build-up, switched on and off at each path's arrival and end. Paths then add
    up in one recursion over the samples, whatever their number; a sweep is evaluated path by path.
    """
    arrival = start_s + np.where(valid, delay_s, delay_s[:, :1])
    gain = np.where(valid, pinger.peak_pressure_pa * amplitude, 0.0)
    begins = times.first_after(arrival)
    first = int(begins.min())
    span = arrival.max() - arrival.min() + times.offset_s.max() - times.offset_s.min() + burst_span_s(pinger)
    n_samples = int(np.ceil(span / times.interval_s)) + 2
    # Time since the burst's own start at the first sample that hears it: between 0 and one interval.
    late = begins * times.interval_s + times.offset_s[:, None] - arrival
    render = _sweep if pinger.sweep_hz else _tone
    return first, render(pinger, begins - first, late, gain, times.interval_s, n_samples)


def _tone(
    pinger: Pinger, begins: np.ndarray, late: Floats, gain: Complexes, interval_s: float, n_samples: int
) -> Complexes:
    """All paths of a tone by recursion.

    While driven the burst is ``exp(i w t) - exp((i w - r) t)``; after its length L it is
    ``(exp(r L) - 1) exp((i w - r) t)``. The carrier ``exp(i w t)`` is taken out and put on again at the end: the first
    term then switches each path's phasor on and off, and the second is a recursion of real decay.
    """
    rate = np.pi * pinger.frequency_hz / pinger.q
    turn = 2 * np.pi * pinger.frequency_hz
    n_channels = len(begins)
    whole = np.ceil((pinger.length_s - late) / interval_s).astype(np.int64)
    phasor = gain * np.exp(1j * turn * (late - begins * interval_s))
    first = np.exp(-rate * late)
    last = np.exp(-rate * (late + whole * interval_s - pinger.length_s))
    place = begins + np.arange(n_channels)[:, None] * n_samples

    def impulses(begin: Complexes, end: Complexes) -> Complexes:
        summed = np.zeros(n_channels * n_samples, dtype=complex)
        np.add.at(summed, place.ravel(), begin.ravel())
        np.subtract.at(summed, (place + whole).ravel(), end.ravel())
        return summed.reshape(n_channels, n_samples)

    total = impulses(phasor, phasor)
    np.cumsum(total, axis=1, out=total)
    total -= decaying_sum(impulses(phasor * first, phasor * last), rate * interval_s)
    total *= _powers(1j * turn * interval_s, n_samples)
    return total.T


def decaying_sum(values: Complexes, decay: float) -> Complexes:
    """Recursion ``y[k] = x[k] + exp(-decay) y[k - 1]`` along the last axis, shape (n_channels, n), in place.

    A plain sum of the values grown by ``exp(decay k)``, shrunk again, in blocks so short that nothing overflows; each
    begins with what the one before it leaves. (scipy.signal, which has a recursion, takes long to load.)
    """
    n = values.shape[1]
    block = min(max(int(_MOST_GROWTH / decay), 1), n)
    growth, shrink = _powers(decay, block), _powers(-decay, block)
    for start in range(0, n, block):
        part = values[:, start : start + block]
        part *= growth[: part.shape[1]]
        if start:
            part[:, 0] += np.exp(-decay) * values[:, start - 1]
        np.cumsum(part, axis=1, out=part)
        part *= shrink[: part.shape[1]]
    return values


def _powers(step: complex, n: int) -> NDArray:
    """``exp(step k)`` for k from 0 to before n, as products of two short tables."""
    fine = np.exp(step * np.arange(min(_FINE, n)))
    coarse = np.exp(step * _FINE * np.arange(-(-n // _FINE)))
    return (coarse[:, None] * fine).ravel()[:n]


def _sweep(
    pinger: Pinger, begins: np.ndarray, late: Floats, gain: Complexes, interval_s: float, n_samples: int
) -> Complexes:
    """All paths of a sweep, one after another."""
    total = np.zeros((n_samples, len(begins)), dtype=complex)
    span = np.arange(int(burst_span_s(pinger) / interval_s))[:, None]
    channel = np.arange(len(begins))
    shape = {"frequency_hz": pinger.frequency_hz, "length_s": pinger.length_s}
    for path in np.flatnonzero(np.any(gain != 0, axis=0)):
        t = span * interval_s + late[:, path]
        burst = burst_envelope(t, q=pinger.q, **shape) * np.exp(1j * burst_phase(t, sweep_hz=pinger.sweep_hz, **shape))
        total[begins[:, path] + span, channel] += gain[:, path] * burst
    return total
