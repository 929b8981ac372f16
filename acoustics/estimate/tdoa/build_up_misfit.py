"""Misfit of the samples to a burst that begins whole cycles earlier or later at some of the channels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa.burst_sums import products
from acoustics.estimate.tdoa.direct_sound import DirectSound
from acoustics.estimate.tdoa.toa import LOST_CYCLES
from acoustics.physics.burst import Burst

# Onsets further from the fitted ones than this count as if they were this far;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_SPAN_CYCLES = 3
# The build-up has run its course after so many time constants, and later samples tell nothing about its beginning.
_BUILT_UP = 7.0


@record
class OnsetMisfit:
    """Misfit of m pings by the onset of each channel, on steps of a cycle divided by the number of channels.

    Parameters
    ----------
    cycles : ndarray of int, shape (m, n_channels - 1)
        Those to be added to the phase delays for delays next to the onsets'.
    steps : ndarray, shape (m, n_channels, n_steps)
        Drop of twice the log likelihood from the best step of the channel; the middle step stands for `cycles`.
    """

    cycles: NDArray[np.int64]
    steps: Floats

    def of(self, rows: NDArray[np.intp] | slice) -> OnsetMisfit:
        """The same of some of the pings."""
        return OnsetMisfit(self.cycles[rows], self.steps[rows])

    @classmethod
    def none(cls, m: int, n: int) -> OnsetMisfit:
        """Of m pings that have none: the steps are NaN."""
        return cls(np.zeros((m, n - 1), dtype=np.int64), np.full((m, n, 2 * _SPAN_CYCLES * n + 1), np.nan))

    @classmethod
    def joined(cls, parts: Sequence[OnsetMisfit]) -> OnsetMisfit:
        """Those of several one after the other."""
        return cls(np.concatenate([p.cycles for p in parts]), np.concatenate([p.steps for p in parts]))

    def put(self, rows: NDArray[np.intp], those: OnsetMisfit) -> None:
        """Write that of some rows."""
        self.cycles[rows], self.steps[rows] = those.cycles, those.steps

    def rewired(self, order: Sequence[int], turned: Floats, phases: Floats, rewired_phases: Floats) -> OnsetMisfit:
        """The same if hydrophone h is on channel ``order[h]``, whose phase is ``turned[h]`` cycles off.

        Parameters
        ----------
        order : sequence of int
            Channel of each hydrophone.
        turned : ndarray, shape (n_channels,)
            Half a cycle where the channel is inverted [cycles].
        phases, rewired_phases : ndarray, shape (m, n_channels - 1)
            The phase delays to which `cycles` are added, and those to which the answer's are [cycles].
        """
        n, count = self.steps.shape[1:]
        centre = np.concatenate([np.zeros((len(phases), 1)), phases + self.cycles], axis=-1)[:, list(order)] + turned
        cycles = np.rint(centre[:, 1:] - centre[:, :1] - rewired_phases).astype(np.int64)
        # The onsets' mean stays where it is: half a cycle of one channel is half a step of all others the other way.
        at = np.clip(np.arange(count) + (n * turned - turned.sum())[:, None], 0, count - 1)
        low = np.minimum(np.floor(at).astype(int), count - 2)
        steps = self.steps[:, list(order)]
        below, above = (np.take_along_axis(steps, (low + k)[None], axis=-1) for k in (0, 1))
        return OnsetMisfit(cycles, below + (at - low) * (above - below))

    def weighed(self, share: float) -> OnsetMisfit:
        """The same, believed to so much only."""
        return OnsetMisfit(self.cycles, share * self.steps)

    def of_sets(self, sets: Floats) -> Floats:
        """Misfit, shape (m, n_sets), of sets of cycles of shape (m, n_sets, n_channels - 1)."""
        n, last = self.steps.shape[1], self.steps.shape[2] - 1
        moved = np.rint(sets).astype(np.int64) - self.cycles[:, None]
        # The onsets' mean stays where it is, so a channel moves by its cycles less their mean: whole steps.
        total = moved.sum(axis=-1)
        misfit = np.zeros(sets.shape[:-1])
        for channel in range(n):
            step = (n * moved[..., channel - 1] if channel else 0) - total + last // 2
            misfit += np.take_along_axis(self.steps[:, channel], np.clip(step, 0, last), axis=-1)
        return misfit


def onset_misfit(
    sound: DirectSound, rows: NDArray[np.intp], burst: Burst, fine_s: Floats, *, gain_sd: float
) -> OnsetMisfit:
    """Misfit of the samples for onsets that keep the phase delays, so that it may choose among their cycles.

    Parameters
    ----------
    sound : DirectSound
        The mean of its onsets and its amplitude are kept, and its window ends where the samples cease to count.
    rows : ndarray of int, shape (m,)
        Pings that are asked about.
    burst : Burst
        What was sent.
    fine_s : ndarray, shape (m, n_channels - 1)
        Time differences by the phase against the first channel [s].
    gain_sd : float
        Relative standard deviation of the amplitude from channel to channel, which is integrated out.

    Notes
    -----
    For normal noise the log likelihood of an onset is ``A u - A^2 e / 2``, with u the samples times the burst that
    begins there, e the square of that burst and A its amplitude; small changes of the phase are eliminated. It knows
    that the burst begins with a corner, which a normal distribution of the fitted onsets does not: the choice by
    likelihood errs less often. An onset that echoes may have moved has a tail as high as one anywhere would have.
    """
    fit = sound.fit.some(rows)
    n = fit.onset_s.shape[1]
    step_s = 1.0 / (burst.frequency_hz * n)
    relative = np.concatenate([np.zeros((len(fine_s), 1)), fine_s], axis=-1)
    cycles = np.rint((fit.onset_s - fit.onset_s[:, :1] - relative) * burst.frequency_hz)[:, 1:].astype(np.int64)
    relative[:, 1:] += cycles / burst.frequency_hz
    begin = relative + (fit.onset_s - relative).mean(axis=-1, keepdims=True)

    longest = np.inf if burst.sweep_hz else _BUILT_UP * burst.q / (np.pi * burst.frequency_hz)
    end = fit.onset_s + np.minimum(sound.window_s[rows], longest)[:, None]
    carried = sound.carried.some(rows, sound.carried.some(rows).count_before(end))
    amplitude = fit.expected_amplitude[..., None]
    spread = (gain_sd * amplitude) ** 2
    moves = np.arange(-_SPAN_CYCLES * n, _SPAN_CYCLES * n + 1) * step_s
    envelopes = burst.later_envelopes(carried.time_s - begin[..., None], moves)
    envelopes = envelopes * carried.before(end)[:, :, None]
    doubled, level = carried.envelopes_squared(envelopes)
    turn = np.exp(1j * fit.phase)[..., None]
    doubled, mixed = doubled * turn**2, products(envelopes, carried.mixed[:, :, None])[..., 0] * turn
    # In phase u and in quadrature v: their products with each other and with the samples.
    uu, uv, vv, ux, vx = (
        (level + doubled.real) / 2,
        -doubled.imag / 2,
        (level - doubled.real) / 2,
        mixed.real,
        -mixed.imag,
    )
    vv = np.maximum(vv, 1e-9)
    size, found = uu - uv**2 / vv, ux - uv * vx / vv
    weight = 1.0 + spread * size
    likely = (amplitude * found - 0.5 * amplitude**2 * size + 0.5 * spread * found**2) / weight
    likely += 0.5 * vx**2 / vv - 0.5 * np.log(weight)
    misfit = 2.0 * (likely.max(axis=-1, keepdims=True) - likely)
    return OnsetMisfit(cycles, _with_lost(misfit, sound.onset_moved[rows]))


def _with_lost(misfit: Floats, lost: Floats) -> Floats:
    """Misfits (m, n, steps) of onsets that are, with a probability at each ping (m,), anywhere about."""
    if not lost.any():
        return misfit
    likely, lost = np.exp(-0.5 * misfit), lost[:, None, None]
    cycles = likely.sum(axis=-1, keepdims=True) / misfit.shape[1]  # width of the peak
    likely = (1.0 - lost) * likely + lost * np.minimum(cycles / (2.0 * LOST_CYCLES), 1.0)
    return np.asarray(2.0 * np.log(likely.max(axis=-1, keepdims=True) / likely))
