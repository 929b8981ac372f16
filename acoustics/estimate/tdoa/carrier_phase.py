"""Time differences by the carrier's phase, with their whole cycles from the onsets and from all baselines together."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit
from acoustics.estimate.tdoa.differences import Tdoa
from acoustics.estimate.tdoa.integer_ambiguity import IntegerAlternatives, resolve_ambiguity
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
    sound_speed_sd_m_s: float = 0.0,
    n_alternatives: int = 1,
) -> tuple[Floats, IntegerAlternatives]:
    """Fine delays with their cycles resolved, shape (m, n - 1), and the best vectors of integers, batch shape (m,).

    Parameters
    ----------
    fine_s, coarse_s : ndarray, shape (m, n - 1)
        Time differences by the phase and by the envelope, against the first channel [s].
    fine_s2, coarse_s2 : ndarray, shape (m, n - 1, n - 1)
        Their covariances [s^2].
    hydrophones_m, sound_speed_m_s, frequency_hz, sound_speed_sd_m_s, n_alternatives
        As `resolve_ambiguity` takes them.
    envelope_misfit : callable, optional
        Of the pings with given numbers. Cycles that the coarse delays leave in doubt are decided by it.
    """
    m, k = fine_s.shape
    resolved = np.full_like(fine_s, np.nan)
    best = IntegerAlternatives.none((m,), n_alternatives, k)
    whole = np.isfinite(fine_s2).all(axis=(-1, -2)) & np.isfinite(coarse_s2).all(axis=(-1, -2))
    rows = np.flatnonzero(whole)
    for misfit in (None, envelope_misfit):
        found = resolve_ambiguity(
            Tdoa(fine_s[rows], fine_s2[rows]),
            Tdoa(coarse_s[rows], coarse_s2[rows]),
            hydrophones_m,
            sound_speed_m_s,
            frequency_hz,
            envelope_misfit=misfit and misfit(rows),
            sound_speed_sd_m_s=sound_speed_sd_m_s,
            n_alternatives=n_alternatives,
        )
        resolved[rows] = found.tdoa.tdoa_s
        best.put(rows, found.alternatives)
        rows = rows[found.probability < _SURE]
        if envelope_misfit is None or not len(rows):
            break
    return resolved, best
