"""Monte Carlo at TDOA level: true arrivals with errors, through the vehicle's own estimators.

No waveform is made: each hydrophone's arrival time is the true one plus errors of the size that the bounds
allow. It shows what geometry, cycles, mounting, skew and sound speed do, and what echoes inside the window shift where
that is given.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, direction, rotation_matrix, wrap_angle
from acoustics.base.record import record
from acoustics.base.regions import inside_region
from acoustics.estimate.direction import estimate_bearing
from acoustics.estimate.position import Fix, locate_source
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.direct_rays import direct_rays
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix, plane_wave_time, spherical_time
from acoustics.study.draws.integers import resolved_integers

IN_SHADOW = "no direct ray comes there: a shadow zone of the sound-speed profile"


@record
class ArrivalErrors:
    """Everything that moves an arrival time of one ping.

    Parameters
    ----------
    phase_variance_s2, envelope_variance_s2 : float or ndarray
        Variance of one arrival time by the carrier's phase, and by the envelope as it counts in the choice of a cycle
        [s^2]; 0 of the latter: the cycles are known.
    sizes : ErrorSizes
        Of all other errors.
    carrier_shift_s, envelope_shift_s : float or ndarray, shape (n_trials, n_hydrophones)
        What echoes inside the window add to the arrival times by either [s].
    """

    phase_variance_s2: float | Floats
    envelope_variance_s2: float | Floats
    sizes: ErrorSizes
    carrier_shift_s: float | Floats = 0.0
    envelope_shift_s: float | Floats = 0.0

    def elements_sd_m(self, n_hydrophones: int) -> Floats:
        """Of each hydrophone's place, shape (n_hydrophones,) [m]."""
        return np.broadcast_to(self.sizes.element_sd_m, n_hydrophones)


@record
class BearingTrials:
    """One entry a trial, shape (n_trials,): error of the bearing [rad], wrong cycle, inside the stated 95 % region."""

    error: Floats
    wrong_integer: NDArray[np.bool_]
    inside_95: NDArray[np.bool_]


def simulate_bearings(
    hydrophones_m: Floats,
    bearing: Floats,
    depression: Floats,
    sound_speed_m_s: float,
    errors: ArrivalErrors,
    frequency_hz: float,
    rng: np.random.Generator,
) -> BearingTrials:
    """Bearings of far pingers, the cycle resolved as on the vehicle.

    Parameters
    ----------
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Positions in the body frame as the vehicle assumes them [m].
    bearing, depression : ndarray, shape (n_trials,)
        True direction of each trial [rad].
    sound_speed_m_s : float
        What the vehicle assumes [m/s].
    errors : ArrivalErrors
        Sizes of the errors.
    frequency_hz : float
        Of the carrier [Hz].
    rng : Generator
        Source of randomness.

    Notes
    -----
    Where several candidates remain (a plane's mirror image) the one nearest to the truth counts, as a crew that
    knows on which side the pinger is would take it.
    """
    n_trials, n = len(bearing), len(hydrophones_m)
    truth = direction(bearing, depression)
    elements = errors.elements_sd_m(n)
    moved = hydrophones_m + rng.normal(size=(n_trials, n, 3)) * elements[:, None]
    speed = sound_speed_m_s + rng.normal(size=n_trials) * errors.sizes.sound_speed_sd_m_s
    skew = rng.normal(size=(n_trials, n)) * errors.sizes.skew_sd_s
    times = plane_wave_time(moved, truth, speed) + skew
    difference = difference_matrix(n)
    exact = times @ difference.T
    noise = rng.normal(size=(n_trials, n)) * np.sqrt(errors.phase_variance_s2)
    noise = noise + errors.carrier_shift_s
    if not np.any(errors.envelope_variance_s2):
        delay = (times + noise) @ difference.T
    else:
        delay = resolved_integers(
            times + errors.envelope_shift_s,
            noise - errors.envelope_shift_s,
            carrier_variance_s2=errors.phase_variance_s2,
            cycle_variance_s2=errors.envelope_variance_s2,
            shared_variance_s2=errors.sizes.channel_variance_s2(sound_speed_m_s),
            hydrophones_m=hydrophones_m,
            sound_speed_m_s=sound_speed_m_s,
            frequency_hz=frequency_hz,
            rng=rng,
        ).tdoa.tdoa_s
    covariance = (errors.phase_variance_s2 + errors.sizes.skew_sd_s**2) * (difference @ difference.T)
    found = estimate_bearing(
        Tdoa(delay, covariance),
        hydrophones_m,
        sound_speed_m_s,
        sound_speed_sd_m_s=errors.sizes.sound_speed_sd_m_s,
        element_sd_m=elements,
        assumed_depression=float(np.mean(depression)),
    )
    candidates = direction(found.bearing, found.depression)
    closeness = np.where(found.probability >= 0.5, np.einsum("tci,ti->tc", candidates, truth), -np.inf)
    nearest = np.argmax(closeness, axis=-1)[:, None]
    error = wrap_angle(np.take_along_axis(found.bearing, nearest, -1)[:, 0] - bearing)
    variance = np.take_along_axis(found.covariance[..., 0, 0], nearest, -1)
    wrong = np.any(np.abs(delay - exact) > 0.5 / frequency_hz, axis=-1)
    return BearingTrials(error, wrong, inside_region(error[:, None], variance[..., None]))


def simulate_fixes(
    hydrophones_m: Floats,
    source_m: Floats,
    sound_speed_m_s: float,
    errors: ArrivalErrors,
    *,
    source_depth_sd_m: float,
    trials: int,
    rng: np.random.Generator,
    profile: SoundSpeedProfile | None = None,
) -> Fix:
    """Positions from one ping at each of many places of the pinger, the right cycle given.

    Parameters
    ----------
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Positions as the vehicle assumes them [m], in the frame that stands level in the vehicle and heads with it.
    source_m : ndarray, shape (n_cells, 3)
        True positions of the pinger in that frame [m].
    sound_speed_m_s : float
        What the vehicle assumes [m/s].
    errors : ArrivalErrors
        Sizes of the errors; `phase_variance_s2` may be of shape (n_cells,). With `position_sd_m` of 0 the position is
        that relative to the vehicle.
    source_depth_sd_m : float
        How well the pinger's depth below the vehicle is known, the vehicle's own depth included [m].
    trials : int
        Fixes for each cell.
    rng : Generator
        Source of randomness.
    profile : SoundSpeedProfile, optional
        Of water that bends the direct ray, its depths those of the frame; the vehicle knows it.

    Returns
    -------
    Fix
        Of batch shape (n_cells, trials).
    """
    n, shape, sizes = len(hydrophones_m), (len(source_m), trials), errors.sizes
    elements, attitude_sd = errors.elements_sd_m(n), sizes.single_attitude_sd
    turn = rotation_matrix(rng.normal(size=(*shape, 3)) * attitude_sd)
    moved = hydrophones_m @ np.swapaxes(turn, -1, -2)
    moved += rng.normal(size=(*shape, n, 3)) * elements[:, None]
    speed = sound_speed_m_s + rng.normal(size=shape) * errors.sizes.sound_speed_sd_m_s
    variance = np.broadcast_to(errors.phase_variance_s2 + errors.sizes.skew_sd_s**2, shape[:1])
    noise = rng.normal(size=(*shape, n)) * np.sqrt(variance)[:, None, None]
    depth = source_m[:, None, 2] + rng.normal(size=shape) * source_depth_sd_m
    own_sd = np.array([sizes.position_sd_m, sizes.position_sd_m, 0.0])
    if own_sd.any():
        moved += (rng.normal(size=(*shape, 3)) * own_sd)[..., None, :]
    difference = difference_matrix(n)
    seen, reached = source_m, np.ones(len(source_m), dtype=bool)
    if profile is not None:
        rays = direct_rays(profile, hydrophones_m.mean(axis=0), source_m)
        seen, reached = rays.apparent_m, rays.reached
    delays = (spherical_time(moved, seen[:, None], speed) + noise) @ difference.T
    covariance = variance[:, None, None, None] * (difference @ difference.T)
    fix = locate_source(
        Tdoa(delays, np.broadcast_to(covariance, (*shape, n - 1, n - 1))),
        hydrophones_m,
        sound_speed_m_s,
        source_depth_m=depth,
        source_depth_sd_m=source_depth_sd_m,
        sound_speed_sd_m_s=errors.sizes.sound_speed_sd_m_s,
        element_sd_m=elements,
        attitude_sd=attitude_sd,
        pivot_m=np.zeros(3),
        position_sd_m=own_sd,
        profile=profile,
    )
    if reached.all():
        return fix
    heard = np.broadcast_to(reached[:, None], shape)
    return replace(fix, ok=fix.ok & heard, reason=np.where(heard, fix.reason, IN_SHADOW))
