"""One position from several pings: errors that the pings share as unknowns, and wrong pings rejected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.regions import chi_square_p_value
from acoustics.estimate.fuse.inliers import inlier_choice_covariance
from acoustics.estimate.fuse.model import FusionProblem, descend, fusion_problem, information, linearise
from acoustics.estimate.fuse.region import KEPT, confidence_region
from acoustics.estimate.fuse.run import PingRun, SourceArea, Track
from acoustics.estimate.fuse.starts import consensus_starts
from acoustics.physics.error_model import ErrorSizes

__all__ = ["FusedFix", "PingRun", "SourceArea", "Track", "fuse_pings"]

# A right ping exceeds it five times in a thousand. A fifth of that lets in so many wrong pings, where a fifth of them
# are, that the ellipse holds the truth 0.7 % less often; twice as much gains nothing more.
REJECTION_PROBABILITY = 5e-3
# The farthest place of the region over the nearest, from the last pose: beyond the first there is a line of bearing and
# no more, beyond the second the range is poor.
_UNSEEN, _ROUGH = 3.0, 2.0
_STARTS = 2  # the best place and one that may fit as well: the answer names two
_ROUNDS = 6  # flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_NUMBERS_AT_ONCE = 8_000_000
# A second place is told if its cost is within this of the best: about 20 to 1 by likelihood.
_ALTERNATIVE_COST = 6.0

NOTHING_HEARD = "no ping of the run has usable delays"
RANGE_UNSEEN = "the range is not observed: this is a line of bearing; a ping from another direction would cross it"
OUTSIDE = "the pings agree on a place outside the water, as those of an echo do"
DISAGREE = "fewer than half of the pings agree on one place"
ALTERNATIVE = "a second place fits as well: see alternative_m; a ping from another direction would tell them apart"
ROUGH = "the range is poorly observed: a ping from another direction would shorten the ellipse most"
TOO_FEW = "too few pings to reject a wrong one: the position stands on trust"


@dataclass(frozen=True)
class FusedFix:
    """Position of a source from a run of pings; batch of runs (...).

    Parameters
    ----------
    position_m : ndarray, shape (..., 3)
        In the site frame [m], the middle of the 95 % region; NaN where nothing was heard.
    covariance_m2 : ndarray, shape (..., 3, 3)
        With the errors of poses, heading, sound speed and mounting [m^2]; seen from above its 95 % ellipse stands for
        the region of the likelihood.
    chi2, dof, p_value : ndarray, shape (...)
        Weighted sum of squares of the inliers pings and of the shared errors, its degrees of freedom, and the
        probability of one at least as large.
    inliers : ndarray of bool, shape (..., n_pings)
        Which pings the position rests on.
    ping_chi2, ping_dof : ndarray, shape (..., n_pings)
        How far each ping is from what the others predict, and of how many delays the others predict anything; 0 and 0
        for a ping that was not measured or that no other checks.
    heading_bias, heading_bias_sd : ndarray, shape (...)
        Lasting error of the heading, to be added to it, and what uncertainty of it is left [rad].
    reach_m : ndarray, shape (..., 2)
        How near and how far from the last pose that heard a ping the source may be [m]: the ends of the 95 % region
        along its profile, infinite where no end was found.
    alternative_m : ndarray, shape (..., 3)
        A second place that fits as well [m], else NaN.
    ok : ndarray of bool, shape (...)
        Whether the position may be used.
    reason : ndarray of str, shape (...)
        Why not; or, where ok, a remark; mostly empty.
    """

    position_m: Floats
    covariance_m2: Floats
    chi2: Floats
    dof: NDArray[np.int64]
    p_value: Floats
    inliers: NDArray[np.bool_]
    ping_chi2: Floats
    ping_dof: NDArray[np.int64]
    heading_bias: Floats
    heading_bias_sd: Floats
    reach_m: Floats
    alternative_m: Floats
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]


@dataclass(frozen=True)
class _Fitted:
    """States (r, size) with what belongs to each."""

    state: Floats
    covariance: Floats
    cost: Floats
    inliers: NDArray[np.bool_]
    ping_chi2: Floats
    ping_dof: NDArray[np.int64]

    def where(self, take: NDArray[np.bool_], other: _Fitted) -> _Fitted:
        """`other` where `take` holds, else this."""

        def chosen(mine: Any, its: Any) -> Any:
            return np.where(take.reshape(-1, *(1,) * (mine.ndim - 1)), its, mine)

        return _Fitted(**{name: chosen(getattr(self, name), getattr(other, name)) for name in vars(self)})


def fuse_pings(
    run: PingRun,
    track: Track,
    errors: ErrorSizes,
    *,
    source_depth_m: ArrayLike | None = None,
    source_depth_sd_m: float = 0.0,
    area: SourceArea | None = None,
    reject: bool = True,
) -> FusedFix:
    """Position of a source from pings heard at several poses, with its 95 % region.

    Parameters
    ----------
    run : PingRun
        The pings, batch of runs (...).
    track : Track
        Where they were heard by the navigation, same batch.
    errors : ErrorSizes
        What array, water and navigation may get wrong.
    source_depth_m : array_like, shape () or (...), optional
        Known depth of the source [m].
    source_depth_sd_m : float
        Its standard deviation [m].
    area : SourceArea, optional
        Where the source may be at all.
    reject : bool
        Whether pings that the others contradict are left out.

    Returns
    -------
    FusedFix

    Raises
    ------
    ParameterError
        For shapes that do not fit or a depth that is not finite.

    Notes
    -----
    Spherical waves, so the near field is included. Unknown are the source and the errors that pings share (heading,
    velocity log, start, the walk of the dead reckoning, sound speed, hydrophones' places, skew), each normal with its
    standard deviation; noise and the attitude's error at each ping weigh the residuals. From starts by consensus, the
    fit is repeated with the pings that its last round inliers: hard rejection after a start of high breakdown point
    (Rousseeuw and Leroy 1987, Robust Regression and Outlier Detection, section 1.2 and chapter 5). A ping is judged
    by how far it lies from what the others predict, not by its residual, which a wrong ping makes small itself. From
    the state of greatest posterior density `confidence_region` finds the region, and `inlier_choice_covariance` adds
    to it
    what a mistaken inlier would change.
    """
    batch, p = run.tdoa_s.shape[:-2], run.tdoa_s.shape[-2]
    if np.shape(track.position_m) != (*batch, p, 3):
        raise ParameterError(f"track.position_m has shape {np.shape(track.position_m)}: expected {(*batch, p, 3)}")
    depth = None if source_depth_m is None else np.asarray(source_depth_m, dtype=float)
    if depth is not None and (depth.shape not in ((), batch) or not np.isfinite(depth).all()):
        raise ParameterError(f"source_depth_m has shape {depth.shape}: expected () or {batch}, finite values")
    if not 0.0 <= source_depth_sd_m < np.inf:
        raise ParameterError(f"source_depth_sd_m={source_depth_sd_m}: expected a finite value, 0 or more")
    problem = fusion_problem(run, track, errors, depth_m=depth, depth_sd_m=source_depth_sd_m, area=area)
    at_once = max(1, _NUMBERS_AT_ONCE // (problem.size * p * len(problem.hydrophones)))
    chunks = [np.arange(low, min(low + at_once, len(problem.delay))) for low in range(0, len(problem.delay), at_once)]
    parts = [_fuse(problem.subset(rows), reject) for rows in chunks]
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return FusedFix(**{name: values.reshape((*batch, *values.shape[1:])) for name, values in joined.items()})


def _fuse(problem: FusionProblem, reject: bool) -> dict[str, Floats]:
    cutoff = chdtri(problem.rows.astype(float), REJECTION_PROBABILITY)
    alone = problem.differences_alone
    places, agree = consensus_starts(alone, chdtri(alone.rows.astype(float), REJECTION_PROBABILITY), _STARTS)
    fits = [_fit(problem, places[:, k], agree[:, k], cutoff, reject) for k in range(_STARTS)]
    swapped = fits[1].cost < fits[0].cost
    best, second = fits[0].where(swapped, fits[1]), fits[1].where(swapped, fits[0])
    return _answer(problem, best, second, reject)


def _fit(problem: FusionProblem, place: Floats, agree: NDArray[np.bool_], cutoff: Floats, reject: bool) -> _Fitted:
    """Fit and judge in turn until no inlier changes."""
    state = np.zeros((len(place), problem.size))
    state[:, :3] = place
    # With hardly anyone agreeing the start is no guide: begin with all, and let the fit judge.
    inliers = np.where((agree.sum(axis=1) < 2)[:, None] | (not reject), problem.heard, agree & problem.heard)
    if problem.clock is not None:  # arrival times make the valley of the cost narrow: not before its floor is near
        alone = state[:, : -problem.clock_unknowns]
        state[:, : alone.shape[1]] = descend(problem.differences_alone, alone, inliers.astype(float))
    found = _judge(problem, descend(problem, state, inliers.astype(float)), inliers, cutoff)
    for k in range(_ROUNDS if reject else 0):
        limit = np.where(
            found.ping_dof > 0, chdtri(np.maximum(found.ping_dof, 1).astype(float), REJECTION_PROBABILITY), np.inf
        )
        inlier = problem.heard & (found.ping_chi2 <= limit)
        if k >= _ROUNDS // 2:
            inlier &= inliers  # no turning to and fro
        # One wrong ping spoils what the others are judged by: the worst goes first, newcomers come in together.
        worst = np.argmax(np.where(inliers & ~inlier, found.ping_chi2 / limit, -1.0), axis=1)
        leaves = np.zeros_like(inliers)
        np.put_along_axis(leaves, worst[:, None], True, axis=1)
        inlier = (inliers & ~(leaves & ~inlier)) | (inlier & ~inliers)
        changed = np.flatnonzero(np.any(inlier != inliers, axis=1))
        if changed.size == 0:
            break
        inliers = inlier
        part = problem.subset(changed)
        again = _judge(
            part, descend(part, found.state[changed], inliers[changed].astype(float)), inliers[changed], cutoff
        )
        for name, values in vars(found).items():
            values[changed] = getattr(again, name)
    return found


def _judge(problem: FusionProblem, state: Floats, inliers: NDArray[np.bool_], cutoff: Floats) -> _Fitted:
    """How far each ping is from what the inliers others predict.

    For an inliers ping with residual e and covariance E of that residual, ``e^T E^-1 e`` is its distance from the
    prediction of the others alone (Cook and Weisberg 1982, Residuals and Influence in Regression, section 2.2); for
    the others the prediction's covariance adds to that of the ping.
    """
    at = linearise(problem, state)
    weight = inliers.astype(float)
    cost, normal, _ = information(problem, at, state, weight)
    covariance: Floats = np.linalg.inv(normal).astype(float)
    predicted = at.jacobian @ covariance[:, None] @ transposed(at.jacobian)
    sign = np.where(inliers, -1.0, 1.0)[..., None, None]
    size, axes = np.linalg.eigh(np.eye(predicted.shape[-1]) + sign * predicted)
    along = np.einsum("rpki,rpk->rpi", axes, at.residual)
    checked = (size > 1e-6) & problem.heard[..., None]
    chi2 = np.sum(np.divide(along**2, size, out=np.zeros_like(size), where=checked), axis=-1)
    missed = np.sum(np.where(problem.heard & ~inliers, cutoff, 0.0), axis=-1)
    absent = size.shape[-1] - problem.rows  # delays that a ping does not have: zero residual, nothing predicted
    ping_dof = np.maximum(checked.sum(axis=-1) - absent, 0)
    return _Fitted(state, covariance, cost + missed, inliers.copy(), chi2, ping_dof)


def _answer(problem: FusionProblem, best: _Fitted, second: _Fitted, reject: bool) -> dict[str, Floats]:
    rows = np.sum(np.where(best.inliers, problem.rows, 0), axis=-1)
    dof = np.maximum(rows - 3 + (problem.depth is not None) - (problem.clock is not None), 0)
    cutoff = chdtri(problem.rows.astype(float), REJECTION_PROBABILITY)
    chi2 = best.cost - np.sum(np.where(problem.heard & ~best.inliers, cutoff, 0.0), axis=-1)
    heard, n_inliers = problem.heard.sum(axis=-1), best.inliers.sum(axis=-1)
    gap = heard == 0
    region = confidence_region(problem, best.state, best.covariance, best.inliers.astype(float))
    covariance = region.covariance
    if reject:
        n = problem.size - problem.clock_unknowns
        covariance = covariance + inlier_choice_covariance(
            problem.differences_alone, best.state[:, :n], best.covariance[:, :n, :n], best.inliers, KEPT
        )
    stretch = region.reach_m[:, 1] / np.maximum(region.reach_m[:, 0], 1e-3)
    unseen, rough = ~gap & ~(stretch < _UNSEEN), ~gap & ~(stretch < _ROUGH)
    apart = best.state[:, :3] - second.state[:, :3]
    both = best.covariance[:, :3, :3] + second.covariance[:, :3, :3]
    distinct = np.einsum("ri,rij,rj->r", apart, np.linalg.inv(both), apart) > 9.0
    alternative = ~gap & distinct & (second.cost - best.cost < _ALTERNATIVE_COST) & (second.state[:, 2] > -0.5)
    disagree = ~gap & (2 * n_inliers < heard)
    few = ~gap & (n_inliers < 3)
    p_value = np.array([chi_square_p_value(c, int(d)) for c, d in zip(chi2, dof, strict=True)])
    blank = gap[:, None]
    return {
        "position_m": np.where(blank, np.nan, region.mean[:, :3]),
        "covariance_m2": np.where(blank[..., None], np.nan, covariance[:, :3, :3]),
        "chi2": chi2,
        "dof": dof,
        "p_value": p_value,
        "inliers": best.inliers,
        "ping_chi2": best.ping_chi2,
        "ping_dof": best.ping_dof,
        "heading_bias": region.mean[:, 3] * problem.errors.heading_bias_sd,
        "heading_bias_sd": np.sqrt(covariance[:, 3, 3]) * problem.errors.heading_bias_sd,
        "reach_m": np.where(blank, np.nan, region.reach_m),
        "alternative_m": np.where(alternative[:, None], second.state[:, :3], np.nan),
        "ok": ~(gap | unseen | disagree | alternative | region.dry),
        "reason": np.select(
            [gap, region.dry, disagree, alternative, unseen, few, rough],
            [NOTHING_HEARD, OUTSIDE, DISAGREE, ALTERNATIVE, RANGE_UNSEEN, TOO_FEW, ROUGH],
            default="",
        ),
    }
