"""What Fisher information about a direction or a position means: standard deviations, or 'not observed'."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.information import (
    Bools,
    covariance_from_information,
    eliminate_nuisance,
)
from acoustics.base.checks import checked
from acoustics.base.frames import Floats
from acoustics.base.record import record

# Relative loss of figures in the 2 x 2 determinant below which bearing and depression are not told apart.
_DETERMINANT_ROUNDING = 1e-12


@record
class BearingBound:
    """Least standard deviations of a direction; infinite where the array does not observe it.

    Attributes
    ----------
    bearing_sd, depression_sd : ndarray, shape (...)
        Standard deviations [rad].
    covariance : ndarray, shape (..., 2, 2)
        Of (bearing, depression) [rad^2]. Beside an infinite variance the covariance is 0.
    observable : ndarray of bool, shape (..., 2)
        Which of (bearing, depression) is observed.
    """

    bearing_sd: Floats
    depression_sd: Floats
    covariance: Floats
    observable: Bools


@record
class PositionBound:
    """Least standard deviations of the pinger's position; infinite where it is not observed.

    Attributes
    ----------
    covariance_m2 : ndarray, shape (..., 3, 3)
        Of the position in the site frame [m^2]. Beside an infinite variance the covariance is 0.
    horizontal_rms_m : ndarray, shape (...)
        Root of the sum of the two horizontal variances [m].
    range_sd_m, cross_range_sd_m : ndarray, shape (...)
        In the horizontal plane, along and across the line from the viewpoint to the source [m].
    depth_sd_m : ndarray, shape (...)
        Vertical [m].
    observable : ndarray of bool, shape (..., 3)
        Which coordinate is observed.
    """

    covariance_m2: Floats
    horizontal_rms_m: Floats
    range_sd_m: Floats
    cross_range_sd_m: Floats
    depth_sd_m: Floats
    observable: Bools


def position_bound_of(
    information: ArrayLike,
    line_of_sight_m: ArrayLike,
    *,
    source_depth_sd_m: ArrayLike | None = None,
    sound_speed_sd_m_s: ArrayLike = 0.0,
) -> PositionBound:
    """Bound of the position from the information of one ping or the sum over several.

    Parameters
    ----------
    information : array_like, shape (..., 4, 4)
        From `position_information`.
    line_of_sight_m : array_like, shape (..., 3)
        Vector from the viewpoint to the source, any length: the axis of range and cross-range [m].
    source_depth_sd_m : array_like, shape (...), optional
        Standard deviation of what is known of the source's depth beforehand [m]; None: nothing is known.
    sound_speed_sd_m_s : array_like, shape (...)
        Standard deviation of the sound speed, one value for all the pings [m/s].
    """
    one = np.ones(())
    depth_sd = 1.0 if source_depth_sd_m is None else source_depth_sd_m
    depth_scale = checked("source_depth_sd_m", depth_sd, minimum=0.0)
    speed_scale = checked("sound_speed_sd_m_s", sound_speed_sd_m_s, minimum=0.0)
    # In units of its own standard deviation a parameter has a prior of 1, and a known one is no special case.
    scale = np.stack(np.broadcast_arrays(one, one, depth_scale, speed_scale), axis=-1)
    scaled = np.asarray(information, dtype=float) * scale[..., :, None] * scale[..., None, :]
    scaled = scaled + np.diag([0.0, 0.0, 0.0 if source_depth_sd_m is None else 1.0, 1.0])
    covariance, observable = covariance_from_information(eliminate_nuisance(scaled, 3))
    factor = np.where(observable, scale[..., :3], 1.0)
    covariance = covariance * factor[..., :, None] * factor[..., None, :]

    x, y, z = (covariance[..., i, i] for i in range(3))
    sight = np.asarray(line_of_sight_m, dtype=float)
    azimuth = np.arctan2(sight[..., 1], sight[..., 0])
    return PositionBound(
        covariance_m2=covariance,
        horizontal_rms_m=np.sqrt(x + y),
        range_sd_m=_horizontal_sd(covariance, azimuth),
        cross_range_sd_m=_horizontal_sd(covariance, azimuth + np.pi / 2),
        depth_sd_m=np.sqrt(z),
        observable=observable,
    )


def _horizontal_sd(covariance: Floats, azimuth: Floats) -> Floats:
    """Standard deviation along a horizontal direction; infinite if either horizontal coordinate is."""
    block = covariance[..., :2, :2]
    finite = np.asarray(np.isfinite(block).all(axis=(-2, -1)))
    axis = np.stack([np.cos(azimuth), np.sin(azimuth)], axis=-1)
    safe = np.where(finite[..., None, None], block, 0.0)
    variance = np.einsum("...i,...ij,...j->...", axis, safe, axis)
    return np.where(finite, np.sqrt(np.maximum(variance, 0.0)), np.inf)


def bearing_bound_of(information: Floats, timing: Floats) -> BearingBound:
    """Bound of a direction from its information.

    Parameters
    ----------
    information : ndarray, shape (..., 2, 2)
        About (bearing, depression) [1/rad^2].
    timing : ndarray, shape (..., 2, 2)
        The same before shared errors were eliminated: the measure of its rounding.
    """
    i_b, i_d, i_bd = information[..., 0, 0], information[..., 1, 1], information[..., 0, 1]
    floor = _DETERMINANT_ROUNDING * (timing[..., 0, 0] + timing[..., 1, 1])
    has_b, has_d = i_b > floor, i_d > floor
    determinant = i_b * i_d - i_bd**2
    rounding = _DETERMINANT_ROUNDING * (timing[..., 0, 0] * i_d + timing[..., 1, 1] * i_b)
    both = has_b & has_d & (determinant > rounding)
    alone_d = has_d & ~has_b
    inf = np.full_like(i_b, np.inf)
    var_b = np.divide(np.where(both, i_d, 1.0), np.where(both, determinant, i_b), out=inf.copy(), where=has_b)
    var_d = np.divide(np.where(both, i_b, 1.0), np.where(both, determinant, i_d), out=inf, where=both | alone_d)
    cov = np.divide(-i_bd, determinant, out=np.zeros_like(i_b), where=both)
    covariance = np.stack([np.stack([var_b, cov], axis=-1), np.stack([cov, var_d], axis=-1)], axis=-2)
    observable = np.stack([has_b, both | alone_d], axis=-1)
    return BearingBound(np.sqrt(var_b), np.sqrt(var_d), covariance, observable)
