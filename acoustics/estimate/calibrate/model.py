"""Arrival times of a calibration run as functions of everything that is not known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, rotation_matrix, rotation_vector_jacobian
from acoustics.base.record import record
from acoustics.physics.error_model import Sight, sight_of_source

Integers = NDArray[np.intp]

POSE_PARAMETERS = 6  # of each pose: three shifts and three small turns


@record
class CalibrationRun:
    """Pings of a calibration run; the batch (...) is of simulated runs that share their geometry.

    Attributes
    ----------
    times_s : ndarray, shape (..., n_pings, n_hydrophones)
        Arrival times against the ping's reference, at which they are 0 [s]; 0 also where nothing was measured.
    whitening : ndarray, shape (n_pings, n_hydrophones - 1, n_hydrophones)
        Turns errors of the times into delays' errors of unit variance, independent of each other: from `whitening`.
    used : ndarray of bool, shape (n_pings, n_hydrophones)
        Which were measured.
    reference : ndarray of int, shape (n_pings,)
        Index of each ping's reference.
    cycle_s : ndarray, shape (n_pings,)
        Period of the carrier where the delays are phases, and so may be wrong by whole cycles; else infinite [s].
    turn : ndarray, shape (n_pings, 3, 3)
        Matrices that turn body-frame vectors into site-frame vectors, by the navigation.
    place_m, source_m : ndarray, shape (n_pings, 3)
        Vehicle by the navigation, and source, in the site frame [m].
    source_index : ndarray of int, shape (n_pings,)
        Pings with the same index have the same source and share its error.
    pose_index : ndarray of int, shape (n_pings,)
        Pings with the same index share the pose's error. Counts up from 0 without gaps.
    """

    times_s: Floats
    whitening: Floats
    used: NDArray[np.bool_]
    reference: Integers
    cycle_s: Floats
    turn: Floats
    place_m: Floats
    source_m: Floats
    source_index: Integers
    pose_index: Integers

    def __post_init__(self) -> None:
        pings, n = self.whitening.shape[0], self.whitening.shape[-1]
        expected = {
            "times_s": (*self.times_s.shape[:-2], pings, n),
            "whitening": (pings, n - 1, n),
            "used": (pings, n),
            "turn": (pings, 3, 3),
            "place_m": (pings, 3),
            "source_m": (pings, 3),
            **dict.fromkeys(("reference", "cycle_s", "source_index", "pose_index"), (pings,)),
        }
        for name, shape in expected.items():
            value = np.asarray(getattr(self, name))
            if value.shape != shape:
                raise ParameterError(f"{name} has shape {value.shape}: expected {shape}")
            if name != "cycle_s" and not np.isfinite(value).all():
                raise ParameterError(f"{name}: expected finite values")
        if pings == 0 or self.pose_index[0] != 0 or not np.isin(np.diff(self.pose_index), (0, 1)).all():
            raise ParameterError("pose_index: expected at least one ping, and indices that count up from 0 by 0 or 1")

    @property
    def delays_measured(self) -> Integers:
        """How many delays each ping brings, shape (n_pings,)."""
        return np.maximum(self.used.sum(axis=-1) - 1, 0)

    def with_times(self, times_s: Floats) -> CalibrationRun:
        """The same pings with other arrival times."""
        return replace(self, times_s=times_s)


@record
class CalibrationPrior:
    """What is known before the run: nominal values, and standard deviations of the errors.

    Attributes
    ----------
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Nominal positions in the body frame [m].
    element_sd_m : ndarray, shape (n_hydrophones,)
        Of each position along every axis [m].
    delay_sd_s : float
        Of each channel's constant delay [s].
    sound_speed_m_s, sound_speed_sd_m_s : float
        Sound speed and its standard deviation [m/s].
    rotation_sd : ndarray, shape (3,)
        Of the constant rotation of the array, and of the attitude, about the body's x, y, z [rad].
    source_sd_m : ndarray, shape (n_sources, 3)
        Of each source along the axes of the site [m].
    place_sd_m : ndarray, shape (3,)
        Of each pose's own position along the axes of the site [m].
    wobble_sd : ndarray, shape (3,)
        Of each pose's own attitude about the body's axes [rad], beside the constant rotation.
    """

    hydrophones_m: Floats
    element_sd_m: Floats
    delay_sd_s: float
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    rotation_sd: Floats
    source_sd_m: Floats
    place_sd_m: Floats
    wobble_sd: Floats

    def __post_init__(self) -> None:
        n = len(self.hydrophones_m)
        shapes = {
            "hydrophones_m": (n, 3),
            "element_sd_m": (n,),
            "rotation_sd": (3,),
            "source_sd_m": (len(self.source_sd_m), 3),
            "place_sd_m": (3,),
            "wobble_sd": (3,),
            "delay_sd_s": (),
            "sound_speed_m_s": (),
            "sound_speed_sd_m_s": (),
        }
        for name, shape in shapes.items():
            value = np.asarray(getattr(self, name), dtype=float)
            if value.shape != shape or not np.isfinite(value).all():
                raise ParameterError(f"{name} has shape {value.shape}: expected {shape}, finite values")
            if "_sd" in name and np.any(value < 0):
                raise ParameterError(f"{name}={value.tolist()}: expected 0 or more")
        if self.sound_speed_m_s <= 0:
            raise ParameterError(f"sound_speed_m_s={self.sound_speed_m_s}: expected a value above 0")

    @property
    def calibration_sd(self) -> Floats:
        """Of the calibration parameters, in their order, shape (4 n_hydrophones + 4,)."""
        n = len(self.hydrophones_m)
        return np.concatenate(
            [np.repeat(self.element_sd_m, 3), np.full(n, self.delay_sd_s), [self.sound_speed_sd_m_s], self.rotation_sd]
        )

    @property
    def shared_sd(self) -> Floats:
        """Of the calibration parameters and then of the sources."""
        return np.concatenate([self.calibration_sd, self.source_sd_m.ravel()])

    @property
    def pose_sd(self) -> Floats:
        """Of one pose's shift and turn, shape (6,)."""
        return np.concatenate([self.place_sd_m, self.wobble_sd])


@record
class Parts:
    """The calibration parameters by what they are: offsets (..., n, 3), delays (..., n), speed (...), rotation."""

    offsets_m: Floats
    channel_delays_s: Floats
    sound_speed: Floats
    rotation: Floats


def parts(calibration: Floats, n_hydrophones: int) -> Parts:
    """Split calibration parameters of shape (..., 4 n + 4), in the order offsets, delays, speed, rotation."""
    n = n_hydrophones
    offsets = calibration[..., : 3 * n].reshape(*calibration.shape[:-1], n, 3)
    return Parts(offsets, calibration[..., 3 * n : 4 * n], calibration[..., 4 * n], calibration[..., 4 * n + 1 :])


def whitening(differences: Floats, covariance_s2: Floats) -> Floats:
    """Matrix ``W D`` with ``W^T W = covariance^-1``, shape (k, n), of differences D, (k, n).

    Raises
    ------
    ParameterError
        If the covariance is not positive definite.
    """
    try:
        return np.linalg.solve(np.linalg.cholesky(covariance_s2), differences)
    except np.linalg.LinAlgError:
        raise ParameterError("covariance_s2 is not positive definite") from None


def model_times(run: CalibrationRun, prior: CalibrationPrior, shared: Floats, pose: Floats) -> Floats:
    """Arrival times that parameters predict, shape (..., n_pings, n_hydrophones) [s]; emission at 0.

    Parameters
    ----------
    shared : ndarray, shape (..., 4 n + 4 + 3 n_sources)
        Calibration parameters and errors of the sources, in units of their standard deviations.
    pose : ndarray, shape (..., n_poses, 6)
        Errors of the poses, in units of their standard deviations.
    """
    at = _geometry(run, prior, shared, pose)
    return at.sight.time_s + at.channel_delays_s[..., None, :]


def whitened_derivatives(
    run: CalibrationRun, prior: CalibrationPrior, shared: Floats, pose: Floats
) -> tuple[Floats, Floats, Floats]:
    """Times as `model_times`, and their derivatives after whitening, by parameters in units of their sd.

    Returns
    -------
    times : ndarray, shape (..., n_pings, n_hydrophones)
    by_shared : ndarray, shape (..., n_pings, n_hydrophones - 1, 4 n + 4 + 3 n_sources)
    by_pose : ndarray, shape (..., n_pings, n_hydrophones - 1, 6)
        By the error of the ping's own pose.
    """
    at = _geometry(run, prior, shared, pose)
    white = run.whitening
    pings, n = run.used.shape
    batch = at.sight.time_s.shape[:-2]
    by_source = at.sight.by_source @ np.swapaxes(run.turn, -1, -2)
    by_element = white[..., None] * at.sight.by_mounting(at.turned)[..., None, :, :]
    by_turn = at.sight.by_attitude()
    own = np.zeros((*batch, pings, n, len(prior.source_sd_m), 3))
    own[..., np.arange(pings), :, run.source_index, :] = np.moveaxis(by_source, -3, 0)
    columns = [
        by_element.reshape(*batch, pings, n - 1, 3 * n),
        np.broadcast_to(white, (*batch, pings, n - 1, n)),
        white @ at.sight.by_sound_speed,
        white @ (by_turn @ (at.wobbled @ rotation_vector_jacobian(at.rotation)[..., None, :, :])),
        white @ own.reshape(*batch, pings, n, -1),
    ]
    by_pose = white @ np.concatenate([-by_source, by_turn @ rotation_vector_jacobian(at.wobble)], axis=-1)
    return (
        at.sight.time_s + at.channel_delays_s[..., None, :],
        np.concatenate(columns, -1) * prior.shared_sd,
        by_pose * prior.pose_sd,
    )


@record
class _Geometry:
    """One evaluation, in the body frame as navigated.

    What is heard of the source, channel delays; matrices of the whole rotation and of the pose's part in it
    (`wobbled`), and the two rotation vectors.
    """

    sight: Sight
    channel_delays_s: Floats
    turned: Floats
    rotation: Floats
    wobble: Floats
    wobbled: Floats


def _geometry(run: CalibrationRun, prior: CalibrationPrior, shared: Floats, pose: Floats) -> _Geometry:
    n = len(prior.hydrophones_m)
    scaled = shared * prior.shared_sd
    p = parts(scaled[..., : 4 * n + 4], n)
    source = scaled[..., 4 * n + 4 :].reshape(*shared.shape[:-1], -1, 3)[..., run.source_index, :]
    own = (pose * prior.pose_sd)[..., run.pose_index, :]
    relative = run.source_m + source - run.place_m - own[..., :3]
    relative = np.einsum("...kj,kji->...ki", relative, run.turn)
    wobbled = rotation_matrix(own[..., 3:])
    turned = wobbled @ rotation_matrix(p.rotation)[..., None, :, :]
    lever = (prior.hydrophones_m + p.offsets_m)[..., None, :, :] @ np.swapaxes(turned, -1, -2)
    speed = (prior.sound_speed_m_s + p.sound_speed)[..., None]
    return _Geometry(
        sight=sight_of_source(lever, relative, speed),
        channel_delays_s=p.channel_delays_s,
        turned=turned,
        rotation=p.rotation,
        wobble=own[..., 3:],
        wobbled=wobbled,
    )
