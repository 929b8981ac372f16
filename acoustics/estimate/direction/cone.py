"""Bearing from a line of hydrophones: the cone that it observes, with the depression as a nuisance to integrate out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr, ndtri

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, bearing_and_depression, wrap_angle
from acoustics.base.record import record
from acoustics.estimate.direction.bearing import BEARING_UNSEEN, CONE_MISSES, LARGEST_USEFUL_BEARING_SD, Bearing
from acoustics.physics.ray_depth import FollowedRays
from acoustics.physics.refraction import SoundSpeedProfile

# What is taken for the distance of a pinger where nobody says more [m].
NEAREST_M, FARTHEST_M = 1.0, 200.0
# Directions round each half of the cone; flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_TURNS, _LEVEL_DENSITY = 180, 0.1
_COSINES = 9  # odd, with the median
_TINY = 1e-300  # a cone closed to its axis has no spread at all
_LEAST_COSINE_SD = 1e-9
# A depth known better would fall between two of them; flat: halved or doubled, no accuracy moves
_LEAST_DEPTH_SD_M = 0.01
# Of a direction that the prior rules out: it counts only where there is no other.
_NEXT_TO_NOTHING = 1e-12
_STEEPEST_COSINE = 1e-3  # of a ray that is followed


@record
class DepressionPrior:
    """What is known beforehand of the direction's angle below the level, in the frame of the hydrophones.

    Attributes
    ----------
    down : ndarray, shape (3,)
        Unit vector towards the earth's centre.
    below_m, below_sd_m : float or None
        How much deeper the source is than the hydrophones, and standard deviation [m]; None where not known. The former
        may be an array like the distances.
    own_depth_m : float or None
        Of the hydrophones: no source is above the surface [m]; None where not known.
    profile : SoundSpeedProfile or None
        Of water that bends the ray from a source of known depth to hydrophones of known depth.
    nearest_m, farthest_m : float or ndarray
        The distance is between them, with equal probability of each ratio [m]. Several parts of that interval are
        weighed at once if these have the shape of the leading axes of the directions.
    """

    down: Floats
    below_m: float | Floats | None = None
    below_sd_m: float = 0.0
    own_depth_m: float | None = None
    nearest_m: float | Floats = NEAREST_M
    farthest_m: float | Floats = FARTHEST_M
    profile: SoundSpeedProfile | None = None

    def __post_init__(self) -> None:
        near, far = np.asarray(self.nearest_m), np.asarray(self.farthest_m)
        if not np.all((near > 0.0) & (near < far) & (far < np.inf)):
            raise ParameterError(
                f"nearest_m={self.nearest_m}, farthest_m={self.farthest_m}: expected 0 < nearest < farthest"
            )

    def density(self, units: Floats) -> Floats:
        """Of directions (..., 3) and distances against directions spread evenly over the sphere, up to a factor, (...).

        With the depth known, ``sin(depression) = below / range`` and ``p(range) ~ 1 / range`` make the density
        ``1 / sin(depression)`` from ``below / farthest`` to ``below / nearest``, here smoothed by the depth's normal
        error. Else it is even, but for the part of the ranges that would be above the surface.
        """
        sine = units @ self.down
        nearest, farthest, below = (
            np.reshape(r, np.shape(r) + (1,) * (sine.ndim - np.ndim(r)))
            for r in (self.nearest_m, self.farthest_m, np.nan if self.below_m is None else self.below_m)
        )
        if self.below_m is not None:
            sd = max(self.below_sd_m, _LEAST_DEPTH_SD_M)
            if self.profile is not None and self.own_depth_m is not None:
                parts = np.broadcast_arrays(sine, below, nearest, farthest)
                bent = _bent_density(self.profile, self.own_depth_m, sd, *(part.ravel() for part in parts))
                return bent.reshape(parts[0].shape) + _NEXT_TO_NOTHING
            sine = np.where(np.abs(sine) < 1e-6, 1e-6, sine)
            near, far = ((r * sine - below) / sd for r in (nearest, farthest))
            return np.asarray((ndtr(far) - ndtr(near)) / sine) + _NEXT_TO_NOTHING
        if self.own_depth_m is None:
            return np.log(farthest / nearest) * np.ones(sine.shape)
        surface = max(self.own_depth_m, 0.0) / np.maximum(-sine, 1e-9)
        return np.log(np.clip(surface, nearest, farthest) / nearest) + _NEXT_TO_NOTHING


def _bent_density(
    profile: SoundSpeedProfile,
    own_m: float,
    sd_m: float,
    sine: Floats,
    below_m: Floats,
    nearest_m: Floats,
    farthest_m: Floats,
) -> Floats:
    """The density of `DepressionPrior` along bent rays, (m,).

    Where the ray of a direction meets the depth, the distance r moves with the direction by as much as keeps it there:
    ``|dr / d sin| = (a / r) |(dz / d sin) / (dz / da)|`` at the horizontal distance a.
    """
    cosine = np.maximum(np.sqrt(1.0 - np.minimum(sine**2, 1.0)), _STEEPEST_COSINE)
    rays = FollowedRays.of(profile, np.full(1, own_m), sine / cosine)
    near, far = (ndtr((rays.at(r * cosine).depth_m - own_m - below_m) / sd_m) for r in (nearest_m, farthest_m))
    across = np.clip(rays.first_at(own_m + below_m), nearest_m * cosine, farthest_m)
    ray = rays.at(across)
    steep = np.hypot(ray.by_across, sd_m / across)  # a ray level there meets the depth over some way
    by_sine = np.maximum(ray.by_tangent, 0.0) / cosine**3  # nothing comes first by a ray that others have crossed
    return np.asarray(np.abs(far - near) * across / (across**2 + below_m**2) * by_sine / steep)


def _cosines(mean: Floats, sd: Floats) -> Floats:
    """Quantiles, shape (..., q), of normal distributions (...) between -1 and 1."""
    # From the side where the distribution is, as its tail rounds to 1 on the other.
    flip = np.where(mean > 0, -1.0, 1.0)
    low, high = ndtr((-1.0 - flip * mean) / sd), ndtr((1.0 - flip * mean) / sd)
    shares = (np.arange(_COSINES) + 0.5) / _COSINES
    middle = low[..., None] + (high - low)[..., None] * shares
    found = flip[..., None] * (flip[..., None] * mean[..., None] + sd[..., None] * ndtri(np.clip(middle, 1e-300, 1.0)))
    return np.clip(found, -1.0, 1.0)


def over_the_cone(found: Bearing, prior: DepressionPrior) -> Bearing:
    """The answer of a line with the depression integrated out, in place of the one that assumes it.

    Parameters
    ----------
    found : Bearing
        Of a line of hydrophones that is not vertical, batch shape (...).
    prior : DepressionPrior
        What is known of the depression.

    Returns
    -------
    Bearing
        For either side of the line the mean of the directions on the cone and their covariance, weighted by `prior`;
        `probability` is the weight of the side, `depression_share` the part of the bearing's variance that the unknown
        depression makes. `log_evidence` has the prior in it.

    Notes
    -----
    Directions spread evenly over the sphere are spread evenly round the cone (Archimedes' theorem on the sphere and
    its cylinder), so the angle round the axis is the one to integrate over, and of the cone the cosine: at quantiles of
    its normal distribution between -1 and 1.
    """
    if found.cone_cosine is None or found.cone_cosine_sd is None or found.cone_axis is None:
        raise ParameterError("only the answer of a line of hydrophones is a cone")
    azimuth, _ = bearing_and_depression(found.cone_axis)
    level = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])  # to starboard of the axis
    upright = np.cross(found.cone_axis, level)
    # Denser near the level, where a known depth weighs most.
    step = (np.arange(_TURNS) + 0.5) / _TURNS * 2.0 - 1.0
    turn = 0.5 * np.pi * (_LEVEL_DENSITY * step + (1.0 - _LEVEL_DENSITY) * step**3)
    width = (_LEVEL_DENSITY + 3.0 * (1.0 - _LEVEL_DENSITY) * step**2) / _TURNS
    ring = np.cos(turn)[:, None] * level + np.sin(turn)[:, None] * upright
    rings = np.stack([ring, -ring])  # (2, t, 3)
    cosine = _cosines(found.cone_cosine, np.maximum(found.cone_cosine_sd, _LEAST_COSINE_SD))[..., None, None, None]
    units = cosine * found.cone_axis + np.sqrt(1.0 - cosine**2) * rings  # (..., q, 2, t, 3)
    weight = prior.density(units) * width / _COSINES
    bearing, depression = bearing_and_depression(units)
    side = weight.sum(axis=(-3, -1))
    share = weight / side[..., None, :, None]
    phasor = np.sum(share * np.exp(1j * bearing), axis=(-3, -1))
    middle = np.angle(phasor)
    off = wrap_angle(bearing - middle[..., None, :, None])
    mean_depression = np.sum(share * depression, axis=(-3, -1))
    sunk = depression - mean_depression[..., None, :, None]
    # The mean of the deviations is near zero: the mean direction's angle is not quite the angles' mean.
    drift = np.sum(share * off, axis=(-3, -1))
    off = off - drift[..., None, :, None]
    covariance = np.stack(
        [np.sum(share * a * b, axis=(-3, -1)) for a, b in ((off, off), (off, sunk), (sunk, off), (sunk, sunk))], axis=-1
    ).reshape(*middle.shape, 2, 2)
    round_weight = share.sum(axis=-3)
    of_turn = np.sum(share * off, axis=-3) / round_weight
    by_depression = np.sum(round_weight * of_turn**2, axis=-1)
    # The cone need not reach the depression that was assumed: `p_value` tells whether there is one at all.
    ok = found.ok | (found.reason == CONE_MISSES)
    unseen = ok & (covariance[..., 0, 0].min(axis=-1) > LARGEST_USEFUL_BEARING_SD**2)
    return replace(
        found,
        bearing=wrap_angle(middle + drift),
        depression=mean_depression,
        probability=side / side.sum(axis=-1, keepdims=True),
        covariance=covariance,
        log_evidence=found.log_evidence + np.log(side),
        ok=ok & ~unseen,
        reason=np.select([unseen, found.reason == CONE_MISSES], [BEARING_UNSEEN, ""], found.reason),
        depression_share=np.minimum(by_depression / np.maximum(covariance[..., 0, 0], _TINY), 1.0),
    )
