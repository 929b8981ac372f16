"""Direction of a pinger from delays: weighted least squares for a plane wave, on the unit sphere."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.batches import flat
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, bearing_and_depression
from acoustics.base.least_squares import with_nuisance
from acoustics.base.record import record
from acoustics.base.regions import chi_square_p_value
from acoustics.estimate.direction.fit import (
    DirectionProblem,
    as_plane_wave,
    chi_square,
    closed_form,
    cosines,
    curvature_delay,
    model,
    prepare,
    tangents,
)
from acoustics.estimate.direction.polish import polish
from acoustics.estimate.tdoa import Tdoa

OBSERVES = {1: "line", 2: "plane", 3: "volume"}
# Nearer together than this, two minima of the fit are one [rad].
_APART = 1e-4
# Variance of an angle that is anywhere on the circle: what is left when nothing is observed.
UNKNOWN_BEARING_VARIANCE = np.pi**2 / 3
# Standard deviations to which the likelihood is integrated, and steps.
_FAR, _ANGLES = 6.0, 64
LARGEST_USEFUL_BEARING_SD = 0.5  # 29 deg: the 95 % interval then spans a third of the circle

NOT_FINITE = "a delay or its covariance is not finite"
BEARING_UNSEEN = "bearing sd above 0.5 rad: the source is nearly straight above or below, or the noise too strong"
VERTICAL_LINE = "bearing is not observed by a vertical line: only the cone angle is"
CONE_MISSES = "no direction at the assumed depression lies on the cone: the nearest one is given"
ON_AXIS = "on the axis of the line: the cone angle is known only to the square root of its usual error"
IN_PLANE = "in the plane of the array: the angle out of it is known only to the square root of its usual error"


@record
class Bearing:
    """Direction to a source, with every other direction that fits as well.

    Parameters
    ----------
    bearing, depression : ndarray, shape (..., 2)
        Two candidates in the frame of the hydrophones [rad]. For a plane mirror images of each other, first the
        one on its lower side (for a vertical plane: forward, else starboard). For a line, where the cone of
        directions meets the assumed depression, first the one on its starboard side (for a line along y:
        forward). For a volume the two minima of the fit, the better first: `probability` tells whether the
        other counts.
    probability : ndarray, shape (..., 2)
        Of each candidate, with no direction preferred beforehand: halves for a plane and a line. For a volume
        by likelihood and width of the two minima (Laplace's approximation); the second has 0 where there is
        but one.
    covariance : ndarray, shape (..., 2, 2, 2)
        Of bearing and depression [rad^2]. For a line the depression is assumed, and its row is zero.
    log_evidence : ndarray, shape (..., 2)
        Logarithm of the likelihood integrated over the sphere about each candidate (Laplace's approximation), up to
        a constant of the array. For a line over its half of the cone, at any depression.
    chi2, p_value : ndarray, shape (...)
        Weighted sum of squared residuals and the probability of one at least as large. Delays longer than the
        baselines allow make it larger, and then count as one more degree of freedom.
    dof : int
        Degrees of freedom of `chi2`.
    observes : {"line", "plane", "volume"}
        What the hydrophones span: a line observes a cone, a plane a direction and its mirror image, a volume
        a direction.
    ok : ndarray of bool, shape (...)
        Whether the bearing may be used, within its covariance.
    reason : ndarray of str, shape (...)
        Why not; or, where ok, a remark on what is poorly observed; mostly empty.
    cone_angle, cone_angle_sd : ndarray, shape (...), or None
        For a line, the angle between its axis and the source and its standard deviation [rad].
    cone_cosine, cone_cosine_sd : ndarray, shape (...), or None
        For a line, the cosine that the delays give, which noise may make larger than one, and its standard deviation.
    cone_axis : ndarray, shape (3,), or None
        For a line, the unit vector that the cone angle is measured from.
    depression_share : ndarray, shape (..., 2), or None
        For a line whose depression was integrated out (`over_the_cone`), the part of the bearing's variance that
        the unknown depression makes. None where a depression is assumed: the variance then holds nothing of it.
    """

    bearing: Floats
    depression: Floats
    probability: Floats
    covariance: Floats
    log_evidence: Floats
    chi2: Floats
    dof: int
    p_value: Floats
    observes: str
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]
    cone_angle: Floats | None = None
    cone_angle_sd: Floats | None = None
    cone_cosine: Floats | None = None
    cone_cosine_sd: Floats | None = None
    cone_axis: Floats | None = None
    depression_share: Floats | None = None

    def part(self, rows: slice, batch: tuple[int, ...]) -> Bearing:
        """Some rows of a flat batch, laid out in another."""
        arrays: dict[str, Any] = {
            name: value[rows].reshape(*batch, *value.shape[1:])
            for name, value in vars(self).items()
            if isinstance(value, np.ndarray) and name != "cone_axis"
        }
        return replace(self, **arrays)


def estimate_bearing(
    delays: Tdoa,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    range_m: ArrayLike | None = None,
    curvature_sd_per_m: ArrayLike = 0.0,
    sound_speed_sd_m_s: float = 0.0,
    element_sd_m: ArrayLike = 0.0,
    assumed_depression: float = 0.0,
) -> Bearing:
    """Maximum-likelihood direction of a source, all candidates of an ambiguous array.

    Parameters
    ----------
    delays : Tdoa
        Batch shape (...).
    hydrophones_m : array_like, shape (n_hydrophones, 3)
        Positions in the frame in which the direction is wanted [m].
    sound_speed_m_s : array_like, shape () or (...)
        Assumed sound speed [m/s].
    range_m : array_like, shape () or (...), optional
        Distance of the source from the origin of the frame [m]: the wave is then taken as spherical.
    curvature_sd_per_m : array_like, shape () or (...)
        Standard deviation of one over that distance [1/m].
    sound_speed_sd_m_s : float
        Standard deviation of the sound speed [m/s].
    element_sd_m : array_like, shape () or (n_hydrophones,)
        Standard deviation of each hydrophone's position along every axis [m].
    assumed_depression : float
        For a line of hydrophones, the depression at which the bearing is read off the cone [rad].

    Returns
    -------
    Bearing
        Batch shape (...). Its covariance contains the errors of sound speed, positions and distance, which are
        integrated out of the likelihood, so they also weigh the residuals.

    Raises
    ------
    ParameterError
        For a shape or a value that is not accepted.

    Notes
    -----
    Start in closed form (linear least squares for the direction's components in the span of the array), then
    Gauss-Newton steps on the sphere. In the plane of the array, or on the axis of a line, the first-order
    error is infinite; the square root of the error of the observed cosine is given instead, which is the
    size that the second order leaves.
    """
    if not 0.0 <= sound_speed_sd_m_s < np.inf:
        raise ParameterError(f"sound_speed_sd_m_s={sound_speed_sd_m_s}: expected a finite value, 0 or more")
    problem, finite = prepare(
        delays,
        hydrophones_m,
        sound_speed_m_s,
        range_m=range_m,
        element_sd_m=element_sd_m,
        assumed_depression=assumed_depression,
    )
    units = polish(problem, closed_form(problem))
    chi2 = chi_square(problem, units)
    curvature_sd = flat(np.asarray(curvature_sd_per_m, dtype=float), delays.tdoa_s.shape[:-1], ())
    if sound_speed_sd_m_s > 0 or curvature_sd.any():
        best = units[np.arange(len(units)), np.argmin(chi2, axis=-1)]
        nuisance = [-sound_speed_sd_m_s * model(problem, best)[0] / problem.sound_speed[:, None]]
        if problem.range_m is not None:
            nuisance.append((curvature_sd * problem.range_m)[:, None] * curvature_delay(problem, best))
        problem = problem.with_covariance(with_nuisance(problem.covariance, np.stack(nuisance, axis=-1), 1.0))
        units = polish(problem, units)
        chi2 = chi_square(problem, units)
    if problem.rank == 3:
        better_first = np.argsort(chi2, axis=-1)
        units = np.take_along_axis(units, better_first[..., None], axis=1)
        chi2 = np.take_along_axis(chi2, better_first, axis=1)
    return _answer(problem, units, chi2, finite, delays.tdoa_s.shape[:-1])


def _answer(
    problem: DirectionProblem,
    units: Floats,
    chi2: Floats,
    finite: NDArray[np.bool_],
    batch: tuple[int, ...],
) -> Bearing:
    """Covariances, reasons and shapes of the answer; `units` has shape (m, 2, 3), `chi2` (m, 2)."""
    flattened = as_plane_wave(problem, units[:, 0])
    pairs = [_angle_covariance(problem, units[:, i]) for i in range(2)]
    covariance = np.stack([pair[0] for pair in pairs], axis=1)
    # The second minimum of a volume is no second answer.
    counted = slice(0, 1) if problem.rank == 3 else slice(0, 2)
    blunt = np.logical_or.reduce([pair[1] for pair in pairs[counted]])
    unseen = covariance[:, counted, 0, 0].min(axis=-1) > LARGEST_USEFUL_BEARING_SD**2
    line = problem.rank == 1
    vertical, misses = _cone_faults(flattened) if line else (np.zeros_like(finite),) * 2
    faults = [~finite, vertical, misses, unseen]
    reasons = [NOT_FINITE, VERTICAL_LINE, CONE_MISSES, BEARING_UNSEEN, ON_AXIS if line else IN_PLANE]
    cone = _cone(flattened) if line else None

    def shaped(values: Floats) -> Floats:
        known = finite.reshape(-1, *(1,) * (values.ndim - 1))
        return np.where(known, values, np.nan).reshape((*batch, *values.shape[1:]))

    bearing, depression = bearing_and_depression(units)
    dof = len(problem.hydrophones) - (2 if line else 3)
    p_value = chi_square_p_value(chi2.min(axis=-1), dof)
    if problem.rank == 3:
        evidence = _log_evidence_of_minima(problem, units, chi2, covariance)
    else:
        free, length, sd = _free_direction(flattened)
        evidence = _log_evidence_of_either_side(flattened, free, length, sd)
        beyond = np.maximum(length - 1.0, 0.0) / sd
        chi2 = (free + beyond**2)[:, None] if line else chi2
        p_value = np.where(beyond > 0, *(chi_square_p_value(chi2.min(axis=-1), dof + more) for more in (1, 0)))
    return Bearing(
        bearing=shaped(bearing),
        depression=shaped(depression),
        probability=shaped(_probability(evidence) if problem.rank == 3 else np.full(chi2.shape, 0.5)),
        covariance=shaped(covariance),
        log_evidence=shaped(evidence),
        chi2=shaped(chi2.min(axis=-1)),
        dof=dof,
        p_value=shaped(p_value),
        observes=OBSERVES[problem.rank],
        ok=~np.logical_or.reduce(faults).reshape(batch),
        reason=np.select([*faults, blunt], reasons, default="").reshape(batch),
        **({} if cone is None else {name: shaped(values) for name, values in cone.items()}),
        cone_axis=problem.axes[0] if line else None,
    )


def _probability(log_evidence: Floats) -> Floats:
    """Of the two candidates, shape (m, 2)."""
    share = np.exp(log_evidence - log_evidence.max(axis=-1, keepdims=True))
    return share / share.sum(axis=-1, keepdims=True)


def _log_scale(problem: DirectionProblem) -> Floats:
    """Logarithm of the determinant of the whitener, (m or 1,)."""
    return np.asarray(np.log(np.diagonal(problem.whitener, axis1=-2, axis2=-1)).sum(axis=-1))


def _log_evidence_of_minima(problem: DirectionProblem, units: Floats, chi2: Floats, covariance: Floats) -> Floats:
    """Of each candidate of a volume, shape (m, 2): the likelihood integrated over the sphere about it."""
    # Angles of a degree of bearing are smaller on the sphere towards the zenith.
    level = np.hypot(units[..., 0], units[..., 1])
    width = np.log(np.maximum(np.linalg.det(covariance), 1e-300)) / 2.0 + np.log(np.maximum(level, 1e-12))
    apart = np.linalg.norm(units[:, 1] - units[:, 0], axis=-1) > _APART
    evidence = _log_scale(problem)[:, None] - 0.5 * chi2 + width
    return np.where(np.stack([np.ones_like(apart), apart], axis=-1), evidence, -np.inf)


def _log_evidence_of_either_side(flattened: DirectionProblem, free: Floats, length: Floats, sd: Floats) -> Floats:
    """Of each candidate of a line or a plane, shape (m, 2): the likelihood integrated over its side of the sphere.

    What `_free_direction` gives says how the delays weigh the length of the direction that is observed.
    """
    across = 0.5 * np.linalg.slogdet(cosines(flattened)[1])[1] - np.log(sd)
    # Directions spread evenly over the sphere: of cosines on a line all are alike, in a plane those near its edge have
    # more of it. The angle off that edge is the one to integrate over.
    low, high = (np.arccos(np.clip(length + z * sd, lowest, 1.0)) for z, lowest in ((_FAR, 0.0), (-_FAR, -1.0)))
    high = high if flattened.rank == 1 else np.minimum(high, 0.5 * np.pi)
    angle = low + (high - low) * ((np.arange(_ANGLES) + 0.5) / _ANGLES)[:, None]
    height = np.sin(angle) if flattened.rank == 1 else 1.0
    total = np.mean(np.exp(-0.5 * ((np.cos(angle) - length) / sd) ** 2) * height, axis=0) * (high - low)
    one = _log_scale(flattened) - 0.5 * free + across + np.log(np.maximum(total, 1e-300))
    return np.stack([one, one], axis=-1)


def _free_direction(flattened: DirectionProblem) -> tuple[Floats, Floats, Floats]:
    """Fit of a plane wave to a line or a plane with a direction of any length, shape (m,) each: chi-square, the length
    of the part that is observed, and that length's standard deviation."""
    observed, spread = cosines(flattened)
    r = flattened.rank
    wave = -(observed @ (flattened.differences @ flattened.hydrophones @ flattened.axes[:r].T).T)
    residual = np.einsum("mij,mj->mi", flattened.whitener, flattened.delay - wave / flattened.sound_speed[:, None])
    length = np.linalg.norm(observed, axis=-1)
    along = np.where(length[:, None] > 1e-12, observed / np.maximum(length, 1e-12)[:, None], np.eye(r)[0])
    variance = np.einsum("mi,mij,mj->m", along, np.broadcast_to(spread, (len(along), r, r)), along)
    return np.sum(residual**2, axis=-1), length, np.sqrt(variance)


def _angle_covariance(problem: DirectionProblem, unit: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Covariance of (bearing, depression), shape (m, 2, 2), and where the second order bounds it, (m,)."""
    slope = np.einsum("mkd,mdt->ktm", model(problem, unit)[1], tangents(problem, unit))
    slope = np.einsum("ijm,jtm->itm", np.moveaxis(problem.whitener, 0, -1), slope)
    information = np.einsum("kim,kjm->ijm", slope, slope)
    if problem.rank == 1:
        cosine_variance = cosines(problem)[1][:, 0, 0]
        bound = np.minimum(np.sqrt(cosine_variance) / _level(problem), UNKNOWN_BEARING_VARIANCE)
        weight = np.maximum(information[0, 0], 1.0 / bound)
        covariance = np.zeros((len(unit), 2, 2))
        covariance[:, 0, 0] = 1.0 / weight
        return covariance, weight > information[0, 0]
    bound = np.full(len(unit), (np.pi / 2) ** 2)
    if problem.rank == 2:
        in_plane = unit @ problem.axes[:2].T
        length = np.linalg.norm(in_plane, axis=-1)
        spread = np.moveaxis(cosines(problem)[1], 0, -1)
        radial = np.sqrt(np.einsum("mi,im->m", in_plane, np.einsum("ijm,mj->im", spread, in_plane)))
        bound = np.where(length > 0.5, np.minimum(radial, bound), bound)
    covariance, blunt = _bounded_inverse(information, 1.0 / bound)
    return _tangent_to_angles(covariance, unit), blunt


def _bounded_inverse(information: Floats, least: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Inverses (m, 2, 2) of matrices (2, 2, m), no eigenvalue taken for less than (m,), and where one was, (m,)."""
    middle, half = (0.5 * (information[0, 0] + sign * information[1, 1]) for sign in (1.0, -1.0))
    apart = np.hypot(half, information[0, 1])
    strength = np.stack([middle + apart, middle - apart])
    weight = np.maximum(strength, least)
    angle = 0.5 * np.arctan2(information[0, 1], half)  # of the stronger axis
    axes = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.einsum("iam,am,jam->mij", axes, 1.0 / weight, axes), (weight > strength).any(axis=0)


def _tangent_to_angles(covariance: Floats, unit: Floats) -> Floats:
    """From unit tangents to (bearing, depression): bearing errors grow towards the zenith."""
    level = np.maximum(np.hypot(unit[:, 0], unit[:, 1]), 1e-12)
    sd = np.sqrt(covariance[:, 0, 0])
    scale = np.minimum(1.0 / level, np.sqrt(UNKNOWN_BEARING_VARIANCE) / sd)
    stretch = np.stack([scale, np.ones_like(scale)], axis=-1)
    return covariance * stretch[:, :, None] * stretch[:, None, :]


def _level(problem: DirectionProblem) -> float:
    """Largest change of a line's cosine by the bearing at the assumed depression; 0 for a vertical line."""
    return max(float(np.hypot(*problem.axes[0, :2]) * np.cos(problem.depression)), 1e-9)


def _cone(problem: DirectionProblem) -> dict[str, Floats]:
    """Angle of the cone about a line's axis [rad] and its cosine, with standard deviations, shape (m,) each."""
    observed, covariance = cosines(problem)
    sd = np.broadcast_to(np.sqrt(covariance[:, 0, 0]), len(observed))
    cosine = np.clip(observed[:, 0], -1.0, 1.0)
    return {
        "cone_angle": np.arccos(cosine),
        "cone_angle_sd": sd / np.sqrt(np.maximum(1.0 - cosine**2, sd)),
        "cone_cosine": observed[:, 0],
        "cone_cosine_sd": sd,
    }


def _cone_faults(problem: DirectionProblem) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where a line is vertical, and where its cone misses the assumed depression by more than noise."""
    observed, covariance = cosines(problem)
    level = _level(problem)
    excess = np.abs(observed[:, 0] - problem.axes[0, 2] * np.sin(problem.depression)) - level
    misses = excess > 4.0 * np.sqrt(covariance[:, 0, 0])
    return np.full(len(observed), level < 1e-6), misses
