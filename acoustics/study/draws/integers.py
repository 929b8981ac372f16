"""Integers of the carrier as the vehicle would find them in simulated pings, the wrong ones included."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.frames import Floats
from acoustics.estimate.tdoa import Tdoa, resolve_ambiguity
from acoustics.physics.tdoa import difference_matrix

_MOST_PERIODS = 30.0  # an envelope worse than this tells nothing of the integers


def drawn_integers(
    times_s: Floats,
    noise_s: Floats,
    *,
    carrier_variance_s2: Floats,
    cycle_variance_s2: Floats,
    shared_variance_s2: Floats,
    hydrophones_m: Floats,
    sound_speed_m_s: float,
    frequency_hz: float,
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Whole periods by which resolved delays of runs are off, (r, p, n - 1); 0 where rightly resolved.

    Parameters
    ----------
    times_s : ndarray, shape (r, p, n)
        Arrival times without noise [s].
    noise_s : ndarray, shape (r, p, n)
        Noise of the carrier's phase [s].
    carrier_variance_s2, cycle_variance_s2 : ndarray, shape (p,)
        Of one arrival by the phase, and by the envelope as it counts in the choice of an integer [s^2].
    shared_variance_s2 : ndarray, shape (n,)
        Of skew and mounting, with which the search must bear [s^2].
    hydrophones_m : ndarray, shape (n, 3)
        In the body frame as the vehicle believes them [m].
    sound_speed_m_s, frequency_hz : float
        Assumed sound speed [m/s] and the carrier's frequency [Hz].
    rng : Generator
        Of the envelope's noise.

    Notes
    -----
    The search is the estimator's own, `resolve_ambiguity`, fed with phases and with envelope delays of that variance:
    mistakes so have the shares, the jumps and the dependence on skew and mounting that they have on the vehicle. The
    envelope's noise is independent of the phase's. Arrays beyond eight hydrophones have no search: 0.
    """
    r, p, n = times_s.shape
    if n > LARGEST_DIMENSION + 1:
        return np.zeros((r, p, n - 1), dtype=np.int64)
    difference = difference_matrix(n)
    cycle_variance = np.minimum(cycle_variance_s2, (_MOST_PERIODS / frequency_hz) ** 2)
    phase = (times_s + noise_s) @ difference.T
    coarse = (times_s + rng.normal(size=times_s.shape) * np.sqrt(cycle_variance)[:, None]) @ difference.T
    off = np.empty((r, p, n - 1), dtype=np.int64)
    whole = np.round(phase * frequency_hz).astype(np.int64)
    for k in range(p):  # one covariance for all runs is searched fastest
        found = resolve_ambiguity(
            Tdoa(
                phase[:, k] - whole[:, k] / frequency_hz,
                difference @ np.diag(carrier_variance_s2[k] + shared_variance_s2) @ difference.T,
            ),
            Tdoa(coarse[:, k], cycle_variance[k] * (difference @ difference.T)),
            hydrophones_m,
            sound_speed_m_s,
            frequency_hz,
        )
        off[:, k] = found.cycles - whole[:, k]
    return off
