"""What pings heard at several waypoints of one run tell together about the pinger's position.

One array hears all the pings, so its mounting and skew errors, the sound speed's and part of the heading's are the
same at every waypoint; the position of a vehicle that reckons its way drifts from waypoint to waypoint. Each is a
normal error of
known size, integrated out of the joint likelihood of all the delays: the bound of the linear model, as in
`accuracy.bounds`, with which it agrees for a single waypoint.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.physics.tdoa import difference_matrix, spherical_time, unit_vectors_to_source
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@dataclass(frozen=True)
class RunErrors:
    """Standard deviations of what moves the delays of a run, besides noise.

    Attributes
    ----------
    element_sd_m : ndarray, shape (n_hydrophones,)
        Position of each hydrophone along every axis, the same all the run [m].
    skew_sd_s : float
        Offset of each channel, the same all the run [s].
    sound_speed_m_s, sound_speed_sd_m_s : float
        Assumed sound speed and its error, the same all the run [m/s].
    roll_sd, pitch_sd, heading_own_sd : float
        Attitude, again at each waypoint [rad].
    heading_shared_sd : float
        Heading, the same all the run; it turns the reckoned track about the start as well [rad].
    start_sd_m : ndarray, shape (3,)
        Position at the start, along each axis of the site [m]; it shifts the whole run.
    log_scale_sd : float
        Scale of the velocity log, the same all the run [1].
    drift_sd_m_per_root_m : float
        Random walk of the reckoned position along each horizontal axis: its standard deviation after 1 m [m].
    """

    element_sd_m: Floats
    skew_sd_s: float
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    roll_sd: float
    pitch_sd: float
    heading_own_sd: float
    heading_shared_sd: float
    start_sd_m: Floats
    log_scale_sd: float
    drift_sd_m_per_root_m: float


@dataclass(frozen=True)
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
    """

    by_source: Floats
    shared: Floats
    own: Floats
    variance_s2: Floats

    def take(self, index: NDArray[np.intp]) -> Heard:
        """Waypoints of the first axis by an index of shape (..., n_waypoints); their axis becomes the last of the
        batch."""
        axis = index.ndim - 1
        by_source, shared, own = (
            np.moveaxis(part[index], axis, -3) for part in (self.by_source, self.shared, self.own)
        )
        return Heard(by_source, shared, own, np.moveaxis(self.variance_s2[index], axis, -1))


def run_errors(scene: Scene, pinger: Pinger) -> RunErrors:
    """The errors of a scene's vehicle, array and water on a run from where the vehicle stands.

    What the vehicle says is new at each ping is taken as new at each waypoint, where the vehicle keeps still.
    """
    roll, pitch, heading = scene.vehicle.ping_attitude_sd
    sideways = scene.vehicle.position_sd_m
    return RunErrors(
        element_sd_m=scene.array.tolerances_m,
        skew_sd_s=float(scene.recorder.timing_sd_s(pinger.frequency_hz)),
        sound_speed_m_s=scene.sound_speed_m_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        roll_sd=float(roll),
        pitch_sd=float(pitch),
        heading_own_sd=float(heading),
        heading_shared_sd=scene.vehicle.lasting_heading_sd,
        start_sd_m=np.array([sideways, sideways, scene.vehicle.depth_sd_m]),
        log_scale_sd=scene.vehicle.log_scale_sd,
        drift_sd_m_per_root_m=scene.vehicle.drift_sd_m_per_root_m,
    )


def hear(
    elements_m: Floats, pose: Pose, source_m: Floats, variance_s2: ArrayLike, start_m: Floats, errors: RunErrors
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
    errors : RunErrors
        Sizes of the errors.
    """
    n, speed = len(elements_m), errors.sound_speed_m_s
    hydrophones = pose.to_site(elements_m)
    source = np.asarray(source_m, dtype=float)
    by_source = unit_vectors_to_source(hydrophones, source) / speed
    origin = np.asarray(pose.position_m, dtype=float)[..., None, :]
    by_body_turn = -np.cross(hydrophones - origin, by_source) @ pose.rotation
    by_site_turn = -np.cross(hydrophones - start_m, by_source)[..., 2:]
    mounting = -(by_source @ pose.rotation) * errors.element_sd_m[:, None]
    batch = by_source.shape[:-2]
    # A hydrophone's own error moves its own arrival alone.
    apart = (np.eye(n)[:, :, None] * mounting[..., :, None, :]).reshape(*batch, n, 3 * n)
    travelled = (origin - start_m) * [1.0, 1.0, 0.0]  # the depth does not come from the log
    by_scale = -np.sum(by_source * travelled, axis=-1, keepdims=True)
    by_speed = -spherical_time(hydrophones, source, np.asarray(speed))[..., None] / speed
    shared = np.concatenate(
        [
            apart,
            np.broadcast_to(np.eye(n) * errors.skew_sd_s, (*batch, n, n)),
            by_speed * errors.sound_speed_sd_m_s,
            by_site_turn * errors.heading_shared_sd,
            -by_source * errors.start_sd_m,
            by_scale * errors.log_scale_sd,
        ],
        axis=-1,
    )
    difference = difference_matrix(n)
    turns = difference @ (by_body_turn * [errors.roll_sd, errors.pitch_sd, errors.heading_own_sd])
    variance = np.broadcast_to(np.asarray(variance_s2, dtype=float), batch)
    own = variance[..., None, None] * (difference @ difference.T) + turns @ np.swapaxes(turns, -1, -2)
    return Heard(difference @ by_source, difference @ shared, own, variance)


def run_covariance(heard: Heard, legs_m: ArrayLike, drift_sd_m_per_root_m: float) -> Floats:
    """Covariance of all the delays of a run, shape (..., n_waypoints * n_delays, n_waypoints * n_delays) [s^2].

    Parameters
    ----------
    heard : Heard
        Of shape (..., n_waypoints, ...), in the order of the visit.
    legs_m : array_like, shape (..., n_waypoints)
        Distance travelled to each waypoint from the one before [m].
    drift_sd_m_per_root_m : float
        As in `RunErrors`.
    """
    *batch, k, m, _ = heard.by_source.shape
    step_sd = drift_sd_m_per_root_m * np.sqrt(np.asarray(legs_m, dtype=float))
    walked = np.tril(np.ones((k, k))) * step_sd[..., None, :]  # (..., waypoint, leg): a leg's error stays to the end
    drift = walked[..., :, None, :, None] * heard.by_source[..., :, :, None, :2]
    columns = np.concatenate(
        [
            heard.shared.reshape(*batch, k * m, heard.shared.shape[-1]),
            drift.reshape(*batch, k * m, 2 * k),
        ],
        axis=-1,
    )
    covariance = columns @ np.swapaxes(columns, -1, -2)
    blocks = covariance.reshape(*batch, k, m, k, m)
    for waypoint in range(k):
        blocks[..., waypoint, :, waypoint, :] += heard.own[..., waypoint, :, :]
    return covariance


def run_information(heard: Heard, legs_m: ArrayLike, drift_sd_m_per_root_m: float) -> Floats:
    """Fisher information about the pinger's position from all the delays of a run, shape (..., 3, 3) [1/m^2].

    Takes what `run_covariance` takes.

    References
    ----------
    H. L. Van Trees, "Detection, Estimation, and Modulation Theory", part I, Wiley, 1968, section 2.4.
    """
    covariance = run_covariance(heard, legs_m, drift_sd_m_per_root_m)
    by_source = heard.by_source.reshape(*covariance.shape[:-1], 3)
    information = np.swapaxes(by_source, -1, -2) @ np.linalg.solve(covariance, by_source)
    return 0.5 * (information + np.swapaxes(information, -1, -2))
