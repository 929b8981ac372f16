"""Cramer-Rao bounds of bearing and position from arrival times, systematic errors included.

The measurements are the arrival times of one ping at each hydrophone, with independent normal errors. The
emission time is unknown. Errors that touch one channel only (mounting, channel skew) add to that channel's
variance; errors that all channels share (sound speed, attitude, own position) are parameters with a normal
prior, eliminated from the Fisher information. Both are the same as marginalising a normal nuisance parameter,
which is exact for the linearised model that a Cramer-Rao bound rests on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.information import (
    independent_variance,
    information_with_shared_errors,
    shared_error_columns,
)
from acoustics.accuracy.observability import BearingBound, PositionBound, bearing_bound_of, position_bound_of
from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, direction, direction_jacobian
from acoustics.physics.direct_rays import DirectRays, direct_rays
from acoustics.physics.error_model import sight_of_direction, sight_of_source
from acoustics.physics.refraction import SoundSpeedProfile


def bearing_bound(
    hydrophones_m: ArrayLike,
    bearing: ArrayLike,
    depression: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    arrival_variance_s2: ArrayLike,
    element_sd_m: ArrayLike = 0.0,
    skew_sd_s: ArrayLike = 0.0,
    sound_speed_sd_m_s: ArrayLike = 0.0,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
) -> BearingBound:
    """Cramer-Rao bound of the direction of a plane wave from one ping.

    Parameters
    ----------
    hydrophones_m : array_like, shape (..., n_hydrophones, 3)
        Positions in the body frame [m], at least two.
    bearing, depression : array_like, shape (...)
        Direction of the pinger in the same frame [rad].
    sound_speed_m_s : array_like, shape (...)
        Sound speed at the array [m/s].
    arrival_variance_s2 : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Variance of each arrival time, not of a difference [s^2]. Infinite: that hydrophone does not hear the
        ping.
    element_sd_m : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Standard deviation of each hydrophone's position, along each axis [m].
    skew_sd_s : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Standard deviation of each channel's unknown time offset [s].
    sound_speed_sd_m_s : array_like, shape (...)
        Standard deviation of the sound speed [m/s].
    attitude_sd : array_like, shape (..., 3)
        Standard deviations of small rotations of the array about the frame's x, y and z [rad]. Leave at zero
        for the bearing relative to the bow; give the vehicle's for the bearing in the site.

    Returns
    -------
    BearingBound
        Where bearing and depression cannot be told apart, the bearing's figure is that with the depression
        known and the depression's is infinite. That holds for a line of hydrophones, which observes a cone,
        and for a plane of hydrophones towards directions in its own plane. Where no bearing is observed
        (straight up, along the line, a vertical line) it is infinite.

    Raises
    ------
    ParameterError
        For fewer than two hydrophones, a variance not above zero or a negative standard deviation.

    Notes
    -----
    For two hydrophones it is ``c sigma / (d cos b)``, sigma the standard deviation of their delay and b the
    angle from broadside. The mirror image of a plane and the cone of a line are a matter of ambiguity, not of
    this bound.

    References
    ----------
    H. L. Van Trees, "Detection, Estimation, and Modulation Theory", part I, Wiley, 1968, section 2.4 (bounds
    of several parameters, random parameters with a prior).
    """
    points = _checked_points(hydrophones_m)
    speed = checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    unit = direction(checked("bearing", bearing), checked("depression", depression))
    variance = independent_variance(
        arrival_variance_s2,
        n_channels=points.shape[-2],
        element_sd_m=element_sd_m,
        skew_sd_s=skew_sd_s,
        sound_speed_m_s=speed,
    )
    sight = sight_of_direction(points, unit, speed)
    by_direction = -points @ direction_jacobian(bearing, depression) / speed[..., None, None]
    shared = shared_error_columns(
        sound_speed_sd_m_s=(sight.by_sound_speed, np.asarray(sound_speed_sd_m_s)[..., None]),
        attitude_sd=(sight.by_attitude(), attitude_sd),
    )
    timing, information = information_with_shared_errors(by_direction, shared, variance)
    return bearing_bound_of(information, timing)


def position_bound(
    hydrophones_m: ArrayLike,
    source_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    arrival_variance_s2: ArrayLike,
    source_depth_sd_m: ArrayLike | None = None,
    element_sd_m: ArrayLike = 0.0,
    skew_sd_s: ArrayLike = 0.0,
    sound_speed_sd_m_s: ArrayLike = 0.0,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
    attitude_axes: ArrayLike | None = None,
    pivot_m: ArrayLike | None = None,
    position_sd_m: ArrayLike = 0.0,
    profile: SoundSpeedProfile | None = None,
) -> PositionBound:
    """Cramer-Rao bound of the position of a pinger from one ping heard at one place.

    Takes the arguments of `position_information` and

    Parameters
    ----------
    source_depth_sd_m : array_like, shape (...), optional
        Standard deviation of what is known of the source's depth beforehand [m]; None: nothing is known.
    sound_speed_sd_m_s : array_like, shape (...)
        Standard deviation of the sound speed [m/s].
    profile : SoundSpeedProfile, optional
        Of water that bends the direct ray, its depths counted as the places' z; in the place of `rays`.

    Returns
    -------
    PositionBound
        Range and cross-range are seen from the centre of the hydrophones.
    """
    middle = np.asarray(hydrophones_m, dtype=float).mean(axis=-2)
    information = position_information(
        hydrophones_m,
        source_m,
        sound_speed_m_s,
        arrival_variance_s2=arrival_variance_s2,
        element_sd_m=element_sd_m,
        skew_sd_s=skew_sd_s,
        attitude_sd=attitude_sd,
        attitude_axes=attitude_axes,
        pivot_m=pivot_m,
        position_sd_m=position_sd_m,
        rays=None if profile is None else direct_rays(profile, middle, source_m),
    )
    return position_bound_of(
        information,
        np.asarray(source_m, dtype=float) - middle,
        source_depth_sd_m=source_depth_sd_m,
        sound_speed_sd_m_s=sound_speed_sd_m_s,
    )


def position_information(
    hydrophones_m: ArrayLike,
    source_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    arrival_variance_s2: ArrayLike,
    element_sd_m: ArrayLike = 0.0,
    skew_sd_s: ArrayLike = 0.0,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
    attitude_axes: ArrayLike | None = None,
    pivot_m: ArrayLike | None = None,
    position_sd_m: ArrayLike = 0.0,
    rays: DirectRays | None = None,
) -> Floats:
    """Fisher information that one ping gives about the source's position and the sound speed.

    Pings heard from several places add up: sum the result over the places, then call `position_bound_of`.
    Attitude and own position are then taken as independent from place to place, and so are mounting and skew,
    which makes the sum somewhat too good for the last two when one array heard all the pings.

    Parameters
    ----------
    hydrophones_m : array_like, shape (..., n_hydrophones, 3)
        Positions in the site frame [m], at least two.
    source_m : array_like, shape (..., 3)
        Position of the pinger [m].
    sound_speed_m_s : array_like, shape (...)
        Sound speed along the path [m/s].
    arrival_variance_s2 : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Variance of each arrival time, not of a difference [s^2]. Infinite: that hydrophone does not hear the
        ping.
    element_sd_m, skew_sd_s : array_like, shape (..., n_hydrophones), (..., 1) or ()
        Standard deviations of each hydrophone's position along each axis [m] and of each channel's offset
        [s].
    attitude_sd : array_like, shape (..., 3)
        Standard deviations of small rotations of the array [rad] about three axes through `pivot_m`.
    attitude_axes : array_like, shape (..., 3, 3), optional
        Those axes as columns, site frame; default the site's x, y, z. For (roll, pitch, heading) of a vehicle
        that floats nearly level, its `Pose.rotation`.
    pivot_m : array_like, shape (..., 3), optional
        Centre of the rotations [m]; default the centre of the hydrophones.
    position_sd_m : array_like, shape (..., 3) or ()
        Standard deviation of the vehicle's own position along each axis of the site [m]; 0 gives the bound of
        the position relative to the vehicle.
    rays : DirectRays, optional
        From the source to the middle of the hydrophones, batch shape (...), where the water bends them.

    Returns
    -------
    ndarray, shape (..., 4, 4)
        Information about (x, y, z, sound speed), without any prior on these four [1/m^2, s/m^2, s^2/m^2].

    Raises
    ------
    ParameterError
        For fewer than two hydrophones, a variance not above zero or a negative standard deviation.
    """
    points = _checked_points(hydrophones_m)
    source, speed = checked("source_m", source_m), checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    pivot = points.mean(axis=-2) if pivot_m is None else np.asarray(pivot_m, dtype=float)
    variance = independent_variance(
        arrival_variance_s2,
        n_channels=points.shape[-2],
        element_sd_m=element_sd_m,
        skew_sd_s=skew_sd_s,
        sound_speed_m_s=speed,
    )
    sight = sight_of_source(points, source, speed, pivot, rays)
    axes = None if attitude_axes is None else np.asarray(attitude_axes, dtype=float)
    shared = shared_error_columns(
        attitude_sd=(sight.by_attitude(axes), attitude_sd), position_sd_m=(sight.by_start, position_sd_m)
    )
    sought = (sight.by_source, sight.by_sound_speed)
    batch = np.broadcast_shapes(*(part.shape[:-1] for part in sought))
    kept = [np.broadcast_to(part, (*batch, part.shape[-1])) for part in sought]
    return information_with_shared_errors(np.concatenate(kept, axis=-1), shared, variance)[1]


def _checked_points(hydrophones_m: ArrayLike) -> Floats:
    points = checked("hydrophones_m", hydrophones_m)
    if points.ndim < 2 or points.shape[-1] != 3 or points.shape[-2] < 2:
        raise ParameterError(f"hydrophones_m has shape {points.shape}: it must be (..., n, 3) with n of at least 2")
    return points
