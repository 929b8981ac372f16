"""One ping at every channel: the sum of its paths, evaluated at the very times at which the channels are sampled."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.burst import burst_envelope, burst_phase
from acoustics.propagate.images import Bools, Complexes
from acoustics.scene.pinger import Pinger

# Time constants of the decay after which a burst has ended: exp(-20) is 174 dB under its plateau.
_TAIL_TIME_CONSTANTS = 20.0
_ROWS = 16  # samples of a block
_POINTS = 1024
_ON_THE_CIRCLE = np.exp(2j * np.pi * np.arange(_POINTS) / _POINTS)
_MOST_GROWTH = 300.0  # its exponential is a number, and so is its inverse


@record
class SampleTimes:
    """When the channels are sampled: sample k of channel i at ``k * interval_s + offset_s[i]`` [s]."""

    interval_s: float
    offset_s: Floats  # (n_channels,)


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
    first, blocks = _sounding(pinger, start_s, delay_s, amplitude, valid, times)
    return first, _in_order(blocks)


def ping_samples(
    pinger: Pinger, start_s: float, delay_s: Floats, amplitude: Complexes, valid: Bools, times: SampleTimes
) -> tuple[int, Floats]:
    """The real part of `ping_pressure`, in less time."""
    first, blocks = _sounding(pinger, start_s, delay_s, amplitude, valid, times)
    return first, _in_order(blocks.real)


def _in_order(blocks: NDArray) -> NDArray:
    """Samples (n_rows, n_channels, n_blocks), of which one row after another follows in time, as (n, n_channels)."""
    return np.ascontiguousarray(blocks.transpose(2, 0, 1)).reshape(-1, blocks.shape[1])


def _sounding(
    pinger: Pinger, start_s: float, delay_s: Floats, amplitude: Complexes, valid: Bools, times: SampleTimes
) -> tuple[int, Complexes]:
    """As `ping_pressure`, its samples as `_in_order` takes them."""
    if valid.all():
        arrival, gain = start_s + delay_s, pinger.peak_pressure_pa * amplitude
    else:
        arrival = start_s + np.where(valid, delay_s, delay_s[:, :1])
        gain = np.where(valid, pinger.peak_pressure_pa * amplitude, 0.0)
    place = (arrival - times.offset_s[:, None]) / times.interval_s
    # Time since the burst's own start at the first sample that hears it: between 0 and one interval.
    whole = np.ceil(place)
    late, begins = whole - place, whole.astype(np.int64)
    first = int(begins.min())
    n_samples = int(begins.max()) - first + math.ceil(burst_span_s(pinger) / times.interval_s) + 1
    render = _sweep if pinger.sweep_hz else _tone
    return first, render(pinger, begins - first, late, gain, times.interval_s, n_samples)


def _tone(
    pinger: Pinger, begins: np.ndarray, late: Floats, gain: Complexes, interval_s: float, n_samples: int
) -> Complexes:
    """All paths of a tone by recursion.

    While driven the burst is ``exp(i w t) - exp((i w - r) t)``; after its length L it is
    ``(exp(r L) - 1) exp((i w - r) t)``. The carrier ``exp(i w t)`` is taken out and put on again at the end: the first
    term then switches each path's phasor on and off, and the second is a recursion of real decay.

    Samples that follow each other lie in rows below each other, so that one addition of rows is a step of as many
    recursions as there are blocks: each waits for the one before, which takes most of the time of a sum along a row.
    """
    decay = np.pi * pinger.frequency_hz / pinger.q * interval_s
    turn = 2 * np.pi * pinger.frequency_hz * interval_s
    n_channels, n_blocks = len(begins), -(-n_samples // _ROWS)
    length = pinger.length_s / interval_s
    whole = np.ceil(length - late)
    phasor = _unit_phasors(pinger.frequency_hz * interval_s * (late - begins))
    phasor *= gain
    steady, dying = trains = np.zeros((2, _ROWS, n_channels, n_blocks), dtype=complex)
    channel = np.arange(n_channels)[:, None] * n_blocks

    def switch(at: np.ndarray, since: Floats, add: Callable[..., None]) -> None:
        """Phasors at samples, the second term as it has decayed since, grown by its decay from the top to its row."""
        block = at // _ROWS
        row = at - block * _ROWS
        place = row * (n_channels * n_blocks) + (block + channel)
        add(steady.reshape(-1), place.ravel(), phasor.ravel())
        add(dying.reshape(-1), place.ravel(), (phasor * np.exp(decay * (row - since))).ravel())

    switch(begins, late, np.add.at)
    switch(begins + whole.astype(np.int64), late + whole - length, np.subtract.at)
    # What each block begins with is what the one before it ends with.
    ends = trains.sum(axis=1)
    np.cumsum(ends[0], axis=1, out=ends[0])
    decaying_sum(ends[1], decay * _ROWS)
    ends[1] *= math.exp(-decay * _ROWS)
    trains[:, 0, :, 1:] += ends[:, :, :-1]
    for row in range(1, _ROWS):
        trains[:, row] += trains[:, row - 1]
    rows = np.arange(_ROWS)[:, None, None]
    dying *= np.exp(-decay * rows).astype(complex)
    steady -= dying
    steady *= np.exp(1j * turn * rows) * np.exp(1j * turn * _ROWS * np.arange(n_blocks))
    return steady


def _unit_phasors(turns: Floats) -> Complexes:
    """``exp(2 pi i x)`` of numbers of turns x of any shape, as good as numpy's sine and cosine of ``2 pi x``.

    A table of points on the circle, and from the nearest of them five terms of the series: half the time.
    """
    step = turns * _POINTS
    nearest = np.rint(step)
    step -= nearest
    step *= 2 * np.pi / _POINTS
    square = step * step
    phasors = np.empty(turns.shape, dtype=complex)
    np.add(square * (square / 24 - 0.5), 1, out=phasors.real)
    np.multiply(step, square * (square / 120 - 1 / 6) + 1, out=phasors.imag)
    phasors *= _ON_THE_CIRCLE.take(nearest.astype(np.int64) & (_POINTS - 1))
    return phasors


def decaying_sum(values: Complexes, decay: float) -> Complexes:
    """Recursion ``y[k] = x[k] + exp(-decay) y[k - 1]`` along the last axis, shape (n_channels, n), in place.

    A plain sum of the values grown by ``exp(decay k)``, shrunk again, in blocks so short that nothing overflows; each
    begins with what the one before it leaves. (scipy.signal, which has a recursion, takes long to load.)
    """
    n = values.shape[1]
    block = min(max(int(_MOST_GROWTH / decay), 1), n)
    growth = np.exp(decay * np.arange(block))
    for start in range(0, n, block):
        part = values[:, start : start + block]
        part *= growth[: part.shape[1]]
        if start:
            part[:, 0] += np.exp(-decay) * values[:, start - 1]
        np.cumsum(part, axis=1, out=part)
        part /= growth[: part.shape[1]]
    return values


def _sweep(
    pinger: Pinger, begins: np.ndarray, late: Floats, gain: Complexes, interval_s: float, n_samples: int
) -> Complexes:
    """All paths of a sweep, one after another, late by so many intervals; in one row."""
    total = np.zeros((n_samples, len(begins)), dtype=complex)
    span = np.arange(int(burst_span_s(pinger) / interval_s))[:, None]
    channel = np.arange(len(begins))
    shape = {"frequency_hz": pinger.frequency_hz, "length_s": pinger.length_s}
    for path in np.flatnonzero(np.any(gain != 0, axis=0)):
        t = (span + late[:, path]) * interval_s
        burst = burst_envelope(t, q=pinger.q, **shape) * np.exp(1j * burst_phase(t, sweep_hz=pinger.sweep_hz, **shape))
        total[begins[:, path] + span, channel] += gain[:, path] * burst
    return total.T[None]
