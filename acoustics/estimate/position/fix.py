"""Position of a pinger from delays: maximum likelihood under the spherical model, many trials at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.batches import fill_gaps, flat, positive_flat
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, array_rank
from acoustics.base.least_squares import inverse_factor, solve_positive, with_nuisance
from acoustics.base.record import record
from acoustics.base.regions import chi_square_p_value
from acoustics.estimate.position.closed_form import chan_ho1994
from acoustics.estimate.position.iterative_fit import (
    PositionProblem,
    descend,
    information,
    nuisance_jacobian,
    position_problem,
    sources,
)
from acoustics.estimate.position.posterior import Distances, integrated
from acoustics.estimate.position.starts import fit, lower_side, other_starts
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import element_covariance

__all__ = ["Fix", "chan_ho1994", "locate_source"]

# A depth known exactly is taken as known to this, so that its weight stays comparable with the delays'.
EXACT_DEPTH_SD_M = 1e-4
# Far beyond any pool: what an unobserved coordinate is known to beforehand.
UNKNOWN_POSITION_SD_M = 1e6

NOT_FINITE = "a delay or its covariance is not finite"
RANGE_UNSEEN = "position is not observed: its sd exceeds half the distance; the direction is usable"
TOO_NEAR = "the fit leads nearer to the array than a source may be: the range is not observed"
MIRROR = "the mirror image on the other side of the plane of the array fits as well; the lower one is given"
TWIN = "a second position fits as well, as it may with four hydrophones; the more distant one is given"
LINE_MIRROR = "the mirror image on the other side of the line of hydrophones fits as well"


@record
class Fix:
    """Position of a source.

    Parameters
    ----------
    position_m : ndarray, shape (..., 3)
        In the frame of the hydrophones [m].
    covariance_m2 : ndarray, shape (..., 3, 3)
        Covariance, with the errors of sound speed, hydrophones, attitude and navigation [m^2].
    chi2, p_value : ndarray, shape (...)
        Weighted sum of squared residuals and the probability of one at least as large.
    dof : int
        Degrees of freedom of `chi2`.
    ok : ndarray of bool, shape (...)
        Whether the position may be used.
    reason : ndarray of str, shape (...)
        Why not; or, where ok, a remark; mostly empty.
    """

    position_m: Floats
    covariance_m2: Floats
    chi2: Floats
    dof: int
    p_value: Floats
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]

    def some(self, rows: NDArray[np.intp]) -> Fix:
        """Some along the first axis."""
        names = ("position_m", "covariance_m2", "chi2", "p_value", "ok", "reason")
        return replace(self, **{name: getattr(self, name)[rows] for name in names})


def locate_source(
    delays: Tdoa,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    source_depth_m: ArrayLike | None = None,
    source_depth_sd_m: ArrayLike | None = None,
    sound_speed_sd_m_s: float = 0.0,
    element_sd_m: ArrayLike = 0.0,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
    pivot_m: ArrayLike | None = None,
    position_sd_m: ArrayLike = 0.0,
    nearest_m: float = 0.0,
    farthest_m: float | None = None,
    profile: SoundSpeedProfile | None = None,
) -> Fix:
    """Position of a source: the likeliest, or the mean of all that fit.

    Parameters
    ----------
    delays : Tdoa
        Batch shape (...).
    hydrophones_m : array_like, shape (n_hydrophones, 3) or (..., n_hydrophones, 3)
        Positions [m], in any frame whose z is depth if a depth or an attitude is given. A batch of them is
        one array in different poses.
    sound_speed_m_s : array_like, shape () or (...)
        Assumed sound speed [m/s].
    source_depth_m, source_depth_sd_m : array_like, shape () or (...), optional
        z of the source and its standard deviation [m]; without the latter the depth is exact.
    sound_speed_sd_m_s : float
        Standard deviation of the sound speed [m/s].
    element_sd_m : array_like, shape () or (n_hydrophones,)
        Standard deviation of each hydrophone's position along every axis [m].
    attitude_sd : array_like, shape (3,)
        Standard deviations of small rotations of the array about the x, y and z axes of the frame [rad]:
        roll, pitch and heading for an array that is level and heads along x.
    pivot_m : array_like, shape (3,) or (..., 3), optional
        Point that the rotations leave in place [m]; the mean of the hydrophones by default.
    position_sd_m : array_like, shape () or (3,)
        Standard deviation of the array's own position along each axis [m].
    nearest_m : float
        No source is nearer to the array's centre [m].
    farthest_m : float, optional
        None is farther from it [m]. Every distance between the two, which must then be above 0, counts with equal
        probability of each ratio, and the answer is mean and covariance of all places that fit, by moments; without it
        that of the likeliest place.
    profile : SoundSpeedProfile, optional
        Of water that bends the direct ray, its depths those of the frame.

    Returns
    -------
    Fix
        Batch shape (...).

    Raises
    ------
    ParameterError
        For a shape or a value that is not accepted.

    Notes
    -----
    With a profile, delays are fitted by where the source seems to be, and the depth by where the ray from there ends.
    Starts in closed form (Chan and Ho 1994 for an array that spans a volume; where the bearing meets a known
    depth), or from several distances along the bearing, then takes Levenberg steps in which the inverse of
    the distance is linear, as it is in the delays of a short array. The nuisance parameters are integrated
    out of the likelihood: their part is added to the covariance of the delays, at the position found without
    them, and the fit is repeated.
    """
    hydrophones = np.asarray(hydrophones_m, dtype=float)
    batch, n = delays.tdoa_s.shape[:-1], delays.n_hydrophones
    k = n - 1
    _check_hydrophones(hydrophones, n, batch)
    delay, covariance, finite = fill_gaps(delays.tdoa_s.reshape(-1, k), flat(delays.covariance_s2, batch, (k, k)))
    speed = positive_flat("sound_speed_m_s", sound_speed_m_s, batch)
    elements = element_covariance(element_sd_m, n, delays.reference)
    base = covariance + elements / speed[:, None, None] ** 2
    depth, depth_sd = _depth(source_depth_m, source_depth_sd_m, batch)
    arrays = flat(hydrophones, batch, (n, 3))
    centre = arrays.mean(axis=1)

    def weighted(covariance: Floats) -> PositionProblem:
        return position_problem(
            delay,
            inverse_factor(covariance),
            speed,
            arrays - centre[:, None],
            reference=delays.reference,
            rank=array_rank(arrays[0]),
            depth=None if depth is None else depth - centre[:, 2],
            depth_sd=depth_sd,
            profile=profile,
            origin_depth=centre[:, 2],
        )

    problem = weighted(base)
    place, twin = fit(problem)
    sd = _nuisance_sd(sound_speed_sd_m_s, attitude_sd, position_sd_m)
    if sd.any():
        pivot = None if pivot_m is None else _points("pivot_m", pivot_m, batch) - centre
        problem = weighted(with_nuisance(base, nuisance_jacobian(problem, place, pivot), sd))
        place = descend(problem, place)
    answer = _answer(problem, place, twin, centre, finite, batch, nearest_m)
    if farthest_m is None or not len(delay):
        return answer
    if not 0.0 < nearest_m < farthest_m < np.inf:
        raise ParameterError(f"nearest_m={nearest_m}, farthest_m={farthest_m}: expected 0 < nearest < farthest")
    return _over_distances(answer, problem, place, centre, Distances(nearest_m, farthest_m))


def _over_distances(
    likeliest: Fix, problem: PositionProblem, place: Floats, centre: Floats, distances: Distances
) -> Fix:
    """The answer over all places that fit, from the likeliest, (3, m) relative to the array's centre."""
    batch, m = likeliest.ok.shape, place.shape[1]
    starts = np.stack([place, *other_starts(problem, distances)], axis=1)  # (3, n, m)
    again = problem.subset(np.tile(np.arange(m), starts.shape[1]))
    found = lower_side(again, descend(again, starts.reshape(3, -1)))
    mean, covariance, possible = integrated(again, found, m, distances)
    lost = ~(possible & np.isfinite(likeliest.chi2.reshape(-1)))
    return _judged(
        replace(
            likeliest,
            position_m=np.where(lost[:, None], np.nan, mean.T + centre).reshape(*batch, 3),
            covariance_m2=np.where(lost[:, None, None], np.nan, np.moveaxis(covariance, -1, 0)).reshape(*batch, 3, 3),
        ),
        np.broadcast_to(centre, (m, 3)).reshape(*batch, 3),
        np.broadcast_to(problem.radius, m).reshape(batch),
    )


def _judged(fix: Fix, centre: Floats, radius: Floats) -> Fix:
    """The fix, not ok where its covariance, now that of all places that fit, leaves its distance open."""
    distance = np.linalg.norm(fix.position_m - centre, axis=-1)
    sd = np.sqrt(np.trace(fix.covariance_m2, axis1=-2, axis2=-1))
    unseen = fix.ok & ~(sd < 0.5 * np.maximum(distance, radius))
    return replace(fix, ok=fix.ok & ~unseen, reason=np.where(unseen, RANGE_UNSEEN, fix.reason))


def mixed(fixes: Fix, weight: ArrayLike, hydrophones_m: ArrayLike) -> Fix:
    """One fix of several, shape (j,), each right with some probability: its mean and covariance, by moments.

    Parameters
    ----------
    fixes : Fix
        Of one array in one pose.
    weight : array_like, shape (j,)
        Probability of each, up to a factor. Those that are at no possible place count for nothing.
    hydrophones_m : array_like, shape (n_hydrophones, 3)
        Positions [m].

    Returns
    -------
    Fix
        Of batch shape (); residuals and remarks are those of the first.
    """
    hydrophones = np.asarray(hydrophones_m, dtype=float)
    place, spread = fixes.position_m, fixes.covariance_m2
    share = np.where(np.isfinite(place).all(axis=-1), np.asarray(weight, dtype=float), 0.0)
    share = share / share.sum() if share.any() else np.full(len(share), np.nan)
    some = share != 0.0
    mean = share[some] @ place[some]
    off = place[some] - mean
    covariance = np.einsum("j,jab->ab", share[some], spread[some] + off[:, :, None] * off[:, None, :])
    first = {name: getattr(fixes, name)[0] for name in ("chi2", "p_value", "ok", "reason")}
    centre = hydrophones.mean(axis=0)
    radius = np.linalg.norm(hydrophones - centre, axis=-1).max()
    return _judged(Fix(position_m=mean, covariance_m2=covariance, dof=fixes.dof, **first), centre, radius)


def _answer(
    problem: PositionProblem,
    place: Floats,
    twin: NDArray[np.bool_],
    centre: Floats,
    finite: NDArray[np.bool_],
    batch: tuple[int, ...],
    nearest_m: float,
) -> Fix:
    """Covariance, consistency and reasons for places (3, m) of a fit, which are relative to the array's centre."""
    chi2, weight, _ = information(problem, place)
    prior = np.maximum(1e-14 * np.einsum("iim->m", weight), UNKNOWN_POSITION_SD_M**-2)
    unit = np.eye(3)[..., None]
    inverse = solve_positive(weight + prior * unit, unit)
    depth, by_place = sources(problem.profile, problem.origin_depth, place)
    inverse[2] = np.einsum("im,ijm->jm", by_place, inverse)
    inverse[:, 2] = np.einsum("jm,ijm->im", by_place, inverse)
    sd = np.sqrt(np.einsum("iim->m", inverse))
    covariance = np.moveaxis(0.5 * (inverse + inverse.swapaxes(0, 1)), -1, 0)
    source = np.stack([place[0], place[1], depth])
    distance = np.sqrt(np.einsum("dm,dm->m", source, source))
    unseen = ~(sd < 0.5 * np.maximum(distance, problem.radius)) | ~(by_place[2] > 0.0)
    near = distance < nearest_m
    mirrored = np.full(len(chi2), problem.rank == 2 and problem.depth is None)
    line = np.full(len(chi2), problem.rank == 1)
    dof = len(problem.delay) - 3 + (problem.depth is not None)
    gap = ~finite
    return Fix(
        position_m=np.where(gap[:, None], np.nan, source.T + centre).reshape(*batch, 3),
        covariance_m2=np.where(gap[:, None, None], np.nan, covariance).reshape(*batch, 3, 3),
        chi2=np.where(gap, np.nan, chi2).reshape(batch),
        dof=max(dof, 0),
        p_value=np.where(gap, np.nan, chi_square_p_value(chi2, dof)).reshape(batch),
        ok=~(gap | unseen | near).reshape(batch),
        reason=np.select(
            [gap, near, unseen, mirrored, line, twin],
            [NOT_FINITE, TOO_NEAR, RANGE_UNSEEN, MIRROR, LINE_MIRROR, TWIN],
            default="",
        ).reshape(batch),
    )


def _check_hydrophones(hydrophones: Floats, n: int, batch: tuple[int, ...]) -> None:
    if hydrophones.shape not in ((n, 3), (*batch, n, 3)) or not np.isfinite(hydrophones).all():
        raise ParameterError(
            f"hydrophones_m has shape {hydrophones.shape}: expected ({n}, 3) or {(*batch, n, 3)}, finite"
            f" values, for {n - 1} delays"
        )
    if array_rank(hydrophones.reshape(-1, n, 3)[0]) == 0:
        raise ParameterError("hydrophones_m: all hydrophones are at one place, which observes no position")


def _depth(
    depth: ArrayLike | None, sd: ArrayLike | None, batch: tuple[int, ...]
) -> tuple[Floats | None, Floats | None]:
    """Depth and its standard deviation per trial, shape (m or 1,)."""
    if depth is None:
        if sd is not None:
            raise ParameterError("source_depth_sd_m is given without source_depth_m")
        return None, None
    values = np.asarray(depth, dtype=float)
    if not np.isfinite(values).all() or values.shape not in ((), batch):
        raise ParameterError(f"source_depth_m has shape {values.shape}: expected () or {batch}, finite values")
    spread = np.asarray(0.0 if sd is None else sd, dtype=float)
    if not np.all((spread >= 0) & np.isfinite(spread)) or spread.shape not in ((), batch):
        raise ParameterError(f"source_depth_sd_m={spread.tolist()}: expected () or {batch}, finite, 0 or more")
    return flat(values, batch, ()), flat(np.maximum(spread, EXACT_DEPTH_SD_M), batch, ())


def _nuisance_sd(sound_speed_sd: float, attitude_sd: ArrayLike, position_sd: ArrayLike) -> Floats:
    """Standard deviations, shape (7,), of sound speed, three rotations and three shifts."""
    attitude, shift = np.asarray(attitude_sd, dtype=float), np.asarray(position_sd, dtype=float)
    if attitude.shape != (3,):
        raise ParameterError(f"attitude_sd has shape {attitude.shape}: expected (3,), roll, pitch and heading")
    if shift.shape not in ((), (3,)):
        raise ParameterError(f"position_sd_m has shape {shift.shape}: expected () or (3,)")
    sd = np.concatenate([[sound_speed_sd], attitude, np.broadcast_to(shift, 3)])
    if not np.all((sd >= 0) & np.isfinite(sd)):
        raise ParameterError(
            f"sound_speed_sd_m_s={sound_speed_sd}, attitude_sd={attitude.tolist()},"
            f" position_sd_m={shift.tolist()}: expected finite values, 0 or more"
        )
    return sd


def _points(name: str, value: ArrayLike, batch: tuple[int, ...]) -> Floats:
    points = np.asarray(value, dtype=float)
    if points.shape not in ((3,), (*batch, 3)) or not np.isfinite(points).all():
        raise ParameterError(f"{name} has shape {points.shape}: expected (3,) or {(*batch, 3)}, finite values")
    return flat(points, batch, (3,))
