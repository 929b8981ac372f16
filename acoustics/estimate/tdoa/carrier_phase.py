"""Time differences by the carrier's phase, with their whole cycles from the onsets and from all baselines together."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit
from acoustics.estimate.tdoa.differences import Tdoa
from acoustics.estimate.tdoa.integer_ambiguity import resolve_ambiguity
from acoustics.physics.tdoa import difference_matrix

# Cycles as probable as this by normal errors of the onsets are not looked at again.
_SURE = 1.0 - 1e-5


def phase_delays(phase: Floats, phase_covariance: Floats, carrier: float) -> tuple[Floats, Floats]:
    """Time differences against the first channel within half a cycle, (m, n - 1), and their covariance, from phases
    (m, n)."""
    d = difference_matrix(phase.shape[-1])
    turned = -(phase @ d.T)
    return (turned - 2.0 * np.pi * np.round(turned / (2.0 * np.pi))) / carrier, d @ phase_covariance @ d.T / carrier**2


def with_cycles(
    fine_s: Floats,
    fine_s2: Floats,
    coarse_s: Floats,
    coarse_s2: Floats,
    *,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: float,
    frequency_hz: float,
    envelope_misfit: Callable[[NDArray[np.intp]], OnsetMisfit] | None = None,
) -> tuple[Floats, Floats]:
    """Fine delays with their cycles resolved, shape (m, n - 1), and the probability of the cycles, (m,).

    Parameters
    ----------
    fine_s, coarse_s : ndarray, shape (m, n - 1)
        Time differences by the phase and by the envelope, against the first channel [s].
    fine_s2, coarse_s2 : ndarray, shape (m, n - 1, n - 1)
        Their covariances [s^2].
    hydrophones_m, sound_speed_m_s, frequency_hz
        As `resolve_ambiguity` takes them.
    envelope_misfit : callable, optional
        Of the pings with given numbers. Cycles that the coarse delays leave in doubt are decided by it.
    """
    whole = np.isfinite(fine_s2).all(axis=(-1, -2)) & np.isfinite(coarse_s2).all(axis=(-1, -2))
    resolved, probability = np.full_like(fine_s, np.nan), np.full(len(fine_s), np.nan)
    rows = np.flatnonzero(whole)
    for misfit in (None, envelope_misfit):
        cycles = resolve_ambiguity(
            Tdoa(fine_s[rows], fine_s2[rows]),
            Tdoa(coarse_s[rows], coarse_s2[rows]),
            hydrophones_m,
            sound_speed_m_s,
            frequency_hz,
            envelope_misfit=misfit and misfit(rows),
        )
        resolved[rows], probability[rows] = cycles.tdoa.tdoa_s, cycles.probability
        rows = rows[cycles.probability < _SURE]
        if envelope_misfit is None or not len(rows):
            break
    return resolved, probability
