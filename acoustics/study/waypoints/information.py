"""What pings heard at several waypoints of one run tell together about the pinger's position.

One array hears all the pings, so its mounting and skew errors, the sound speed's and part of the heading's are the
same at every waypoint; the position of a vehicle that reckons its way drifts from waypoint to waypoint. Each is a
normal error of known size, integrated out of the joint likelihood of all the delays: the bound of the linear model, as
in `accuracy.bounds`, with which it agrees for a single waypoint. Where the pinger keeps a steady clock, each waypoint
has an arrival time besides, and start and interval of that clock are two more unknowns of the run.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse import EPOCH_SD_S, PingClock
from acoustics.physics.direct_rays import direct_rays, with_times
from acoustics.physics.error_model import ErrorSizes, attitude_axes, sight_of_source
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix


@record
class Heard:
    """Derivatives and errors of the delays of waypoints, linear in every error.

    Attributes
    ----------
    by_source : ndarray, shape (..., n_delays, 3)
        Derivative by the pinger's position [s/m].
    shared : ndarray, shape (..., n_delays, n_errors)
        Effect of one standard deviation of each error that is the same all the run [s].
    own : ndarray, shape (..., n_delays, n_delays)
        Covariance of noise and of the errors that are new at each waypoint [s^2].
    variance_s2 : ndarray, shape (...)
        The noise's part of one arrival time [s^2].
    clock : PingClock, optional
        Of the pinger: the last delay of each waypoint is then when its pings arrived, at the first hydrophone.
    by_own : ndarray, shape (..., n_delays, 2), optional
        Derivative by the vehicle's own x and y; by default the opposite of that by the pinger's [s/m].
    """

    by_source: Floats
    shared: Floats
    own: Floats
    variance_s2: Floats
    clock: PingClock | None = None
    by_own: Floats | None = None

    def take(self, index: NDArray[np.intp]) -> Heard:
        """Waypoints of the first axis by an index of shape (..., n_waypoints); their axis becomes the last of the
        batch."""
        axis = index.ndim - 1
        by_source, shared, own = (
            np.moveaxis(part[index], axis, -3) for part in (self.by_source, self.shared, self.own)
        )
        by_own = None if self.by_own is None else np.moveaxis(self.by_own[index], axis, -3)
        return Heard(by_source, shared, own, np.moveaxis(self.variance_s2[index], axis, -1), self.clock, by_own)


def hear(
    elements_m: Floats,
    pose: Pose,
    source_m: Floats,
    variance_s2: ArrayLike,
    start_m: Floats,
    errors: ErrorSizes,
    sound_speed_m_s: float,
    *,
    clock: PingClock | None = None,
    profile: SoundSpeedProfile | None = None,
) -> Heard:
    """Derivatives and errors of the delays at waypoints.

    Parameters
    ----------
    elements_m : ndarray, shape (n_hydrophones, 3)
        Hydrophones in the body frame [m].
    pose : Pose
        Waypoints, batch shape (...).
    source_m : ndarray, shape (..., 3)
        Pinger [m]; broadcasts against the waypoints.
    variance_s2 : array_like, shape (...)
        Variance of each arrival time from noise, all the pings of the waypoint together [s^2].
    start_m : ndarray, shape (3,)
        Where the run starts [m].
    errors : ErrorSizes
        Sizes of the errors; what is new at each ping is taken as new at each waypoint, where the vehicle keeps still.
    sound_speed_m_s : float
        Assumed [m/s].
    clock : PingClock, optional
        Of the pinger, where arrival times count; its jitter with all the pings of the waypoint together.
    profile : SoundSpeedProfile, optional
        Of water that bends the direct ray.
    """
    position, rotation = np.asarray(pose.position_m, dtype=float), pose.rotation
    hydrophones, rays = pose.to_site(elements_m), None
    if profile is not None:
        middle = hydrophones.mean(axis=-2)
        rays = direct_rays(profile, middle, source_m)
        rays = rays if clock is None else with_times(profile, middle, rays)
    sight = sight_of_source(hydrophones, source_m, sound_speed_m_s, position, rays)
    travelled = (position - start_m) * [1.0, 1.0, 0.0]  # the depth does not come from the log
    batch = sight.time_s.shape[:-1]
    rotation = np.broadcast_to(rotation, (*batch, 3, 3))
    difference = times_taken(len(elements_m), clock)
    turns = difference @ sight.by_attitude(attitude_axes(rotation)) * errors.attitude_sd
    variance = np.broadcast_to(np.asarray(variance_s2, dtype=float), batch)
    own = variance[..., None, None] * (difference @ difference.T) + turns @ transposed(turns)
    if clock is not None:
        own[..., -1, -1] += clock.jitter_sd_s**2
    shared = sight.shared_effects(errors, rotation, np.broadcast_to(travelled, (*batch, 3)), difference)
    return Heard(difference @ sight.by_source, shared, own, variance, clock)


def times_taken(n_hydrophones: int, clock: PingClock | None) -> Floats:
    """What is measured at a waypoint as sums of its arrival times: their differences, and with a clock the first."""
    difference = difference_matrix(n_hydrophones)
    return difference if clock is None else np.vstack([difference, np.eye(n_hydrophones)[:1]])


def run_covariance(heard: Heard, legs_m: ArrayLike, drift_sd_m_per_root_m: float) -> Floats:
    """Covariance of all the delays of a run, shape (..., n_waypoints * n_delays, n_waypoints * n_delays) [s^2].

    Parameters
    ----------
    heard : Heard
        Of shape (..., n_waypoints, ...), in the order of the visit.
    legs_m : array_like, shape (..., n_waypoints)
        Distance travelled to each waypoint from the one before [m].
    drift_sd_m_per_root_m : float
        As in `ErrorSizes`.
    """
    *batch, k, m, _ = heard.by_source.shape
    by_own = -heard.by_source[..., :2] if heard.by_own is None else heard.by_own
    shared, place = (of.reshape(*batch, k * m, -1) for of in (heard.shared, by_own))
    covariance = shared @ transposed(shared)
    # A leg's error stays to the end: two waypoints share that of the legs to the earlier one.
    variance = drift_sd_m_per_root_m**2 * np.cumsum(np.asarray(legs_m, dtype=float), axis=-1)
    walked = variance[..., np.minimum.outer(np.arange(k), np.arange(k))]
    blocks = covariance.reshape(*batch, k, m, k, m)
    blocks += (place @ transposed(place)).reshape(blocks.shape) * walked[..., :, None, :, None]
    for waypoint in range(k):
        blocks[..., waypoint, :, waypoint, :] += heard.own[..., waypoint, :, :]
    return covariance


def run_information(heard: Heard, legs_m: ArrayLike, drift_sd_m_per_root_m: float, since_s: ArrayLike = 0.0) -> Floats:
    """Fisher information about the pinger's position from all the delays of a run, shape (..., 3, 3) [1/m^2].

    Takes what `run_covariance` takes, and with a clock, whose start and interval are eliminated, the times of the
    waypoints, shape (..., n_waypoints) [s].

    References
    ----------
    H. L. Van Trees, "Detection, Estimation, and Modulation Theory", part I, Wiley, 1968, section 2.4.
    """
    *batch, k, m, _ = heard.by_source.shape
    by = heard.by_source
    if heard.clock is not None:
        ticks = np.zeros((*batch, k, m, 2))
        ticks[..., -1, 0] = EPOCH_SD_S
        ticks[..., -1, 1] = heard.clock.pri_sd_s * np.asarray(since_s, dtype=float) / heard.clock.pri_s
        by = np.concatenate([by, ticks], axis=-1)
    by = by.reshape(*batch, k * m, -1)
    found = transposed(by) @ np.linalg.solve(run_covariance(heard, legs_m, drift_sd_m_per_root_m), by)
    # Woodbury's identity: a variance of a second beside one of nanoseconds would drown these in rounding.
    known, pulled, clock = found[..., :3, :3], found[..., :3, 3:], found[..., 3:, 3:]
    information = known - pulled @ np.linalg.solve(np.eye(clock.shape[-1]) + clock, transposed(pulled))
    return np.asarray(0.5 * (information + transposed(information)))
