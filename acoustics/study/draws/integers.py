"""Integers of the carrier as the vehicle would find them in simulated pings, the wrong ones included."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.frames import Floats
from acoustics.estimate.direction import NEAREST_M
from acoustics.estimate.tdoa import Cycles, Tdoa, resolve_ambiguity
from acoustics.physics.tdoa import curvature_covariance, difference_matrix, plane_wave_time

# An envelope that tells nothing of the integers has a variance of infinity; one of this many times the longest delay
# tells as little.
_TELLS_NOTHING = 10.0
_LISTED, _LEAST_WEIGHT = 16, 1e-3  # vectors of integers that `locate` hands on, and their least weight
HALF_A_CYCLE = 0.5  # of two directions over a baseline: beyond, the carrier's phase takes one for another integer


def resolved_integers(
    times_s: Floats,
    noise_s: Floats,
    *,
    carrier_variance_s2: float | Floats,
    cycle_variance_s2: float | Floats,
    shared_variance_s2: Floats,
    hydrophones_m: Floats,
    sound_speed_m_s: float,
    frequency_hz: float,
    rng: np.random.Generator,
    sound_speed_sd_m_s: float = 0.0,
    nearest_m: float = np.inf,
    n_alternatives: int = 1,
) -> Cycles:
    """Time differences by the carrier, integers resolved as on the vehicle, batch shape (m,).

    Parameters
    ----------
    times_s, noise_s : ndarray, shape (m, n)
        Arrival times without noise, and the noise of the carrier's phase [s].
    carrier_variance_s2, cycle_variance_s2 : float or ndarray, shape (n,)
        Of one arrival by the phase, and by the envelope as it counts in the choice of an integer [s^2].
    shared_variance_s2 : ndarray, shape (n,)
        Of skew and mounting, with which the search must bear [s^2].
    hydrophones_m : ndarray, shape (n, 3)
        In the body frame as the vehicle assumes them [m].
    sound_speed_m_s, frequency_hz : float
        Assumed sound speed [m/s] and the carrier's frequency [Hz].
    rng : Generator
        Of the envelope's noise, which is independent of the phase's.
    sound_speed_sd_m_s, nearest_m, n_alternatives
        As `measure_tdoa` takes them.
    """
    n = times_s.shape[-1]
    difference = difference_matrix(n)
    longest_s = np.ptp(hydrophones_m, axis=0).sum() / sound_speed_m_s + 1 / frequency_hz
    envelope_variance = np.minimum(cycle_variance_s2, (_TELLS_NOTHING * longest_s) ** 2)
    phase = (times_s + noise_s) @ difference.T
    coarse = (times_s + rng.normal(size=times_s.shape) * np.sqrt(envelope_variance)) @ difference.T

    fine, rough = (
        np.diag(np.broadcast_to(v, n)) for v in (carrier_variance_s2 + shared_variance_s2, envelope_variance)
    )
    fine = fine + curvature_covariance(hydrophones_m, sound_speed_m_s, nearest_m)
    return resolve_ambiguity(
        Tdoa(phase - np.round(phase * frequency_hz) / frequency_hz, difference @ fine @ difference.T),
        Tdoa(coarse, difference @ rough @ difference.T),
        hydrophones_m,
        sound_speed_m_s,
        frequency_hz,
        sound_speed_sd_m_s=sound_speed_sd_m_s,
        n_alternatives=n_alternatives,
    )


class DrawnIntegers(NamedTuple):
    """Of p pings in each of r runs: whole periods by which the resolved delays are off, (r, p, n - 1), 0 where rightly
    resolved; what may have to be added to them, (r, p, m, n - 1), zeros first; and the envelope's misfit to each,
    (r, p, m), infinite for one that is not listed."""

    off: NDArray[np.int64]
    alternatives: NDArray[np.int64]
    misfit: Floats


def drawn_integers(
    times_s: Floats,
    noise_s: Floats,
    *,
    carrier_variance_s2: Floats,
    cycle_variance_s2: Floats,
    shared_variance_s2: Floats,
    hydrophones_m: Floats,
    sound_speed_m_s: float,
    sound_speed_sd_m_s: float,
    frequency_hz: float,
    rng: np.random.Generator,
) -> DrawnIntegers:
    """Integers of runs as the vehicle resolves them, with those that it leaves open.

    Parameters
    ----------
    times_s, noise_s : ndarray, shape (r, p, n)
        As `resolved_integers` takes them, of p pings in each of r runs.
    carrier_variance_s2, cycle_variance_s2 : ndarray, shape (p,)
        Of each ping.
    shared_variance_s2, hydrophones_m, sound_speed_m_s, sound_speed_sd_m_s, frequency_hz, rng
        As `resolved_integers` takes them.

    Notes
    -----
    The search is the estimator's own: mistakes so have the shares, the jumps and the dependence on skew and mounting
    that they have on the vehicle. Arrays beyond eight hydrophones have no search: 0, and no alternative.
    """
    r, p, n = times_s.shape
    m = _LISTED if n <= LARGEST_DIMENSION + 1 else 1
    off = np.zeros((r, p, n - 1), dtype=np.int64)
    drawn = DrawnIntegers(off, np.zeros((r, p, m, n - 1), dtype=np.int64), np.zeros((r, p, m)))
    for k in range(p if m > 1 else 0):  # one covariance for all runs is searched fastest
        found = resolved_integers(
            times_s[:, k],
            noise_s[:, k],
            carrier_variance_s2=carrier_variance_s2[k],
            cycle_variance_s2=cycle_variance_s2[k],
            shared_variance_s2=shared_variance_s2,
            hydrophones_m=hydrophones_m,
            sound_speed_m_s=sound_speed_m_s,
            frequency_hz=frequency_hz,
            rng=rng,
            sound_speed_sd_m_s=sound_speed_sd_m_s,
            nearest_m=NEAREST_M,
            n_alternatives=m,
        )
        phase = (times_s[:, k] + noise_s[:, k]) @ difference_matrix(n).T
        off[:, k] = np.rint((found.tdoa.tdoa_s - phase) * frequency_hz)
        those = found.alternatives
        listed = those.weight >= _LEAST_WEIGHT
        listed[:, 0] = True
        drawn.alternatives[:, k] = np.where(listed[..., None], those.cycles, 0)
        drawn.misfit[:, k] = np.where(listed, those.build_up_misfit, np.inf)
    most = int(np.isfinite(drawn.misfit).sum(axis=-1).max())
    return DrawnIntegers(off, drawn.alternatives[:, :, :most], drawn.misfit[:, :, :most])


def cycles_apart(
    hydrophones_m: Floats, one: Floats, other: Floats, sound_speed_m_s: float, frequency_hz: float
) -> Floats:
    """Largest difference over the baselines between the delays of plane waves from two directions, in periods.

    Parameters
    ----------
    hydrophones_m : ndarray, shape (n, 3)
        Positions [m].
    one, other : ndarray, shape (..., 3)
        Unit vectors that point to the pinger, in the same frame.
    sound_speed_m_s, frequency_hz : float
        Sound speed [m/s] and the carrier's frequency [Hz].

    Returns
    -------
    ndarray, shape (...)
    """
    times = (plane_wave_time(hydrophones_m, unit, sound_speed_m_s) for unit in (one, other))
    # The largest difference over all baselines is that between the extremes.
    return np.asarray(np.ptp(np.subtract(*times), axis=-1) * frequency_hz)
