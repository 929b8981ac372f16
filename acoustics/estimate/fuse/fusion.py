"""One position from several pings: errors that the pings share as unknowns, and wrong pings rejected."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.regions import chi_square_p_value
from acoustics.estimate.fuse.descent import descend
from acoustics.estimate.fuse.hypotheses import (
    DISTINCT,
    LEAST_VARIANCE,
    MOST_HYPOTHESES,
    alternative_misfits,
    best_of_runs,
    modes_of,
    open_alternatives_covariance,
    prediction_of_others,
    worth_fitting,
)
from acoustics.estimate.fuse.information import information
from acoustics.estimate.fuse.inliers import deciding_inliers, inlier_choice_covariance
from acoustics.estimate.fuse.model import FusionProblem, fusion_problem, linearise, weighed
from acoustics.estimate.fuse.region import KEPT, Region, come_first, confidence_region, region_of_modes
from acoustics.estimate.fuse.run import PingRun, SourceArea, Track
from acoustics.estimate.fuse.starts import Starts, consensus_starts
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
_RESTARTS = 4  # at most so many inliers are in turn taken for wrong
# A second place is told if its cost is within this of the best: about 20 to 1 by likelihood.
_ALTERNATIVE_COST = 6.0
# Of several modes the first is taken for the answer if this probable: the region then holds what it says within 1 %.
_DECIDED = 0.99
_LEAST_WEIGHT = 1e-3  # of a mode that is told

NOTHING_HEARD = "no ping of the run has usable delays"
RANGE_UNSEEN = "the range is not observed: this is a line of bearing; a ping from another direction would cross it"
SHADOW = (
    "the direct ray that was fitted is not the first from there to where most pings were heard, or there is none:"
    " the profile of the sound speed does not fit them"
)
OUTSIDE = "the pings agree on a place outside the water, as those of an echo do"
DISAGREE = "fewer than half of the pings agree on one place"
ALTERNATIVE = "a second place fits as well: see alternative_m; a ping from another direction would tell them apart"
ROUGH = "the range is poorly observed: a ping from another direction would shorten the ellipse most"
TOO_FEW = "too few pings to reject a wrong one: the position stands on trust"


@record
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
        Weighted sum of squares of the inliers and of the shared errors, its degrees of freedom, and the
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
    mode_m, mode_covariance_m2, mode_weight : ndarray, shape (..., s, 3), (..., s, 3, 3) and (..., s)
        Places that the alternatives of the pings leave, the most probable first, with their covariances and
        probabilities. The position's covariance is that of all near the first together; where others have over 1 %,
        the region is the ellipses of all. Without alternatives the position alone, of weight 1.
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
    mode_m: Floats
    mode_covariance_m2: Floats
    mode_weight: Floats
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]


@record
class _Fitted:
    """States (r, size) with what belongs to each."""

    state: Floats
    covariance: Floats
    cost: Floats
    squares: Floats  # what of the cost is of the inliers' residuals and of the shared errors
    inliers: NDArray[np.bool_]
    ping_chi2: Floats
    ping_dof: NDArray[np.int64]
    choice: NDArray[np.intp]  # (r, p), of the pings' alternatives
    preferred: NDArray[np.intp]  # that which fits the others best
    preferred_chi2: Floats

    def subset(self, rows: NDArray[np.intp]) -> _Fitted:
        """Some of the fits."""
        return _Fitted(**{name: values[rows] for name, values in vars(self).items()})

    def joined(self, other: _Fitted) -> _Fitted:
        """These fits and others."""
        return _Fitted(**{name: np.concatenate([its, getattr(other, name)]) for name, its in vars(self).items()})


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
    fit is repeated with the pings that its last round kept as inliers: hard rejection after a start of high breakdown
    point (Rousseeuw and Leroy 1987, Robust Regression and Outlier Detection, section 1.2 and chapter 5). A ping is
    judged by how far it lies from what the others predict, not by its residual, which a wrong ping makes small itself.
    So that wrong pings which agree with each other do not decide the place, inliers that do are left out in turn.
    From the state of greatest posterior density `confidence_region` finds the region, and `inlier_choice_covariance`
    adds to it what a mistaken inlier would change.
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
    ambiguous = problem.ambiguous
    size = problem.size * p * len(problem.hydrophones)
    chunks = [
        (solve, rows[low : low + at_once])
        for solve, rows, at_once in (
            (_fuse, np.flatnonzero(~ambiguous), max(1, _NUMBERS_AT_ONCE // (size * (_STARTS + _RESTARTS)))),
            (_fuse_ambiguous, np.flatnonzero(ambiguous), max(1, _NUMBERS_AT_ONCE // (size * MOST_HYPOTHESES))),
        )
        for low in range(0, len(rows), at_once)
    ]
    parts = [_with_modes(solve(problem.subset(rows), reject), bool(ambiguous.any())) for solve, rows in chunks]
    order = np.argsort(np.concatenate([rows for _, rows in chunks]))
    joined = {name: np.concatenate([part[name] for part in parts])[order] for name in parts[0]}
    return FusedFix(**{name: values.reshape((*batch, *values.shape[1:])) for name, values in joined.items()})


def _fuse(problem: FusionProblem, reject: bool) -> dict[str, Floats]:
    """Runs of which no ping has a second alternative."""
    cutoff = chdtri(problem.rows.astype(float), REJECTION_PROBABILITY)
    starts = _starts(problem, _STARTS)
    run, start = (index.ravel() for index in np.indices((len(problem.delay), _STARTS)))
    at = run, start
    fits = _fit(problem.subset(run), starts.place[at], starts.agrees[at], starts.choice[at], cutoff, reject)
    if reject:
        run, fits = _with_restarts(problem, run, fits, cutoff)
    lowest = best_of_runs(run, fits.cost)
    best = fits.subset(lowest)
    apart = best.state[run, :3] - fits.state[:, :3]
    both = best.covariance[run, :3, :3] + fits.covariance[:, :3, :3]
    distinct = np.einsum("ri,rij,rj->r", apart, np.linalg.inv(both), apart) > DISTINCT
    elsewhere = np.where(distinct & (fits.state[:, 2] > -0.5), fits.cost, np.inf)
    second = best_of_runs(run, elsewhere)
    alternative = elsewhere[second] < fits.cost[lowest] + _ALTERNATIVE_COST
    region, covariance = _region(problem, best, reject)
    return _answer(problem, best, region, covariance, alternative, fits.state[second, :3])


def _with_restarts(
    problem: FusionProblem, run: NDArray[np.intp], fits: _Fitted, cutoff: Floats
) -> tuple[NDArray[np.intp], _Fitted]:
    """Fits of runs (m,) and further ones, begun where inliers that decide the place are taken for wrong in turn."""
    lead = fits.subset(best_of_runs(run, fits.cost))
    of, ping = deciding_inliers(*_differences(problem, lead), lead.inliers, _RESTARTS)
    if not len(of):
        return run, fits
    part, begin = problem.subset(of), lead.subset(of)
    heard = part.heard & (np.arange(part.heard.shape[1]) != ping[:, None])
    found = _fit(replace(part, heard=heard), begin.state[:, :3], begin.inliers & heard, begin.choice, cutoff, True)
    found = _judge(part, found.state, found.inliers, found.choice, cutoff)
    return np.concatenate([run, of]), fits.joined(found)


def _differences(problem: FusionProblem, fits: _Fitted) -> tuple[FusionProblem, Floats, Floats]:
    """Runs without their arrival times, and states and covariances of fits as of these."""
    n = problem.size - problem.clock_unknowns
    alone = weighed(problem.resolved(fits.choice), fits.state).differences_alone
    return alone, fits.state[:, :n], fits.covariance[:, :n, :n]


def _fuse_ambiguous(problem: FusionProblem, reject: bool) -> dict[str, Floats]:
    """Runs of which some pings have alternatives: all hypotheses that may have a weight, and the modes they leave."""
    cutoff = chdtri(problem.rows.astype(float), REJECTION_PROBABILITY)
    starts = _starts(problem, MOST_HYPOTHESES)
    run, start = worth_fitting(starts.score)
    tried = problem.subset(run)
    at = run, start
    fits = _fit(tried, starts.place[at], starts.agrees[at], starts.choice[at], cutoff, reject)
    modes = modes_of(tried, run, fits.state, fits.covariance, fits.cost, np.where(fits.inliers, fits.choice, -1))
    told = modes.weight > _LEAST_WEIGHT
    of, told_fit = np.nonzero(told)[0], modes.fit[told]
    region, covariance = _region(tried.subset(told_fit), fits.subset(told_fit), reject)
    best = fits.subset(modes.fit[:, 0])
    leading, spread_of_near = region_of_modes(region, covariance, of, modes.weight[told] * modes.near[told])
    unsure = np.sum(modes.weight * modes.near, axis=1) < _DECIDED
    elsewhere = np.argmax(modes.weight * ~modes.near, axis=1)[:, None]
    second = fits.state[np.take_along_axis(modes.fit, elsewhere, axis=1)[:, 0], :3]
    answer = _answer(problem, best, leading, spread_of_near, unsure, second)
    place, spread = np.full((*told.shape, 3), np.nan), np.full((*told.shape, 3, 3), np.nan)
    place[told], spread[told] = region.mean[:, :3], covariance[:, :3, :3]
    return answer | {"mode_m": place, "mode_covariance_m2": spread, "mode_weight": np.where(told, modes.weight, 0.0)}


def _starts(problem: FusionProblem, n_starts: int) -> Starts:
    alone = problem.differences_alone
    return consensus_starts(alone, chdtri(alone.rows.astype(float), REJECTION_PROBABILITY), n_starts)


def _with_modes(answer: dict[str, Floats], padded: bool) -> dict[str, Floats]:
    """An answer with its one mode, with room for as many as ambiguous runs have if `padded`."""
    if "mode_m" in answer:
        return answer
    r = len(answer["position_m"])
    s = MOST_HYPOTHESES if padded else 1
    place, spread, weight = np.full((r, s, 3), np.nan), np.full((r, s, 3, 3), np.nan), np.zeros((r, s))
    place[:, 0], spread[:, 0], weight[:, 0] = answer["position_m"], answer["covariance_m2"], 1.0
    return answer | {"mode_m": place, "mode_covariance_m2": spread, "mode_weight": weight}


def _fit(
    problem: FusionProblem,
    place: Floats,
    agree: NDArray[np.bool_],
    choice: NDArray[np.intp],
    cutoff: Floats,
    reject: bool,
) -> _Fitted:
    """Fit and judge in turn until no inlier changes, and no alternative of a ping that the others contradict."""
    state = np.zeros((len(place), problem.size))
    state[:, :3] = place
    # With hardly anyone agreeing the start is no guide: begin with all, and let the fit judge.
    inliers = np.where((agree.sum(axis=1) < 2)[:, None] | (not reject), problem.heard, agree & problem.heard)
    if problem.clock is not None:  # arrival times make the valley of the cost narrow: not before its floor is near
        alone = state[:, : -problem.clock_unknowns]
        differences = problem.resolved(choice).differences_alone
        state[:, : alone.shape[1]] = descend(differences, alone, inliers.astype(float))
    found = _judge(problem, descend(problem.resolved(choice), state, inliers.astype(float)), inliers, choice, cutoff)
    for k in range(_ROUNDS if reject or problem.alternatives is not None else 0):
        limit = np.where(
            found.ping_dof > 0, chdtri(np.maximum(found.ping_dof, 1).astype(float), REJECTION_PROBABILITY), np.inf
        )
        misfit = np.minimum(found.ping_chi2, found.preferred_chi2)
        turned = np.where(found.ping_chi2 > limit, found.preferred, choice)
        inlier = problem.heard & ((misfit <= limit) | (not reject))
        if k >= _ROUNDS // 2:
            inlier &= inliers  # no turning to and fro
        # One wrong ping spoils what the others are judged by: the worst goes first, newcomers come in together.
        worst = np.argmax(np.where(inliers & ~inlier, misfit / limit, -1.0), axis=1)
        leaves = np.zeros_like(inliers)
        np.put_along_axis(leaves, worst[:, None], True, axis=1)
        inlier = (inliers & ~(leaves & ~inlier)) | (inlier & ~inliers)
        changed = np.flatnonzero(np.any((inlier != inliers) | (turned != choice), axis=1))
        if changed.size == 0:
            break
        inliers, choice = inlier, turned
        part, weight = problem.subset(changed), inliers[changed].astype(float)
        again = descend(part.resolved(choice[changed]), found.state[changed], weight)
        judged = _judge(part, again, inliers[changed], choice[changed], cutoff)
        for name, values in vars(found).items():
            values[changed] = getattr(judged, name)
    return found


def _judge(
    problem: FusionProblem,
    state: Floats,
    inliers: NDArray[np.bool_],
    choice: NDArray[np.intp],
    cutoff: Floats,
) -> _Fitted:
    """How far each ping is from what the other inliers predict, with its alternative and with the best of them.

    For an inlier with residual e and covariance E of that residual, ``e^T E^-1 e`` is its distance from the
    prediction of the others alone (Cook and Weisberg 1982, Residuals and Influence in Regression, section 2.2); for
    the others the prediction's covariance adds to that of the ping.
    """
    resolved = weighed(problem.resolved(choice), state)
    at = linearise(resolved, state)
    weight = inliers.astype(float)
    told = information(resolved, at, state, weight)
    covariance: Floats = np.linalg.inv(told.matrix).astype(float)
    against = prediction_of_others(at, covariance, inliers)
    size, along = against.size, against.along
    checked = (size > LEAST_VARIANCE) & problem.heard[..., None]
    chi2 = np.sum(np.divide(along**2, size, out=np.zeros_like(size), where=checked), axis=-1)
    missed = np.sum(np.where(problem.heard & ~inliers, cutoff, 0.0), axis=-1)
    absent = size.shape[-1] - problem.rows  # delays that a ping does not have: zero residual, nothing predicted
    ping_dof = np.maximum(checked.sum(axis=-1) - absent, 0)
    preferred, preferred_chi2 = choice, chi2
    if problem.alternatives is not None and problem.misfit is not None:
        misfits = alternative_misfits(problem, at, against, inliers, choice)
        preferred = np.argmin(misfits + problem.misfit, axis=-1)
        preferred_chi2 = np.take_along_axis(misfits, preferred[..., None], axis=-1)[..., 0]
        taken = np.take_along_axis(problem.misfit, choice[..., None], axis=-1)[..., 0]
        missed = missed + np.sum(np.where(inliers, taken, 0.0), axis=-1)
    return _Fitted(
        state,
        covariance,
        told.cost + missed,
        told.cost,
        inliers.copy(),
        chi2,
        ping_dof,
        choice.copy(),
        preferred.copy(),
        preferred_chi2.copy(),
    )


def _region(problem: FusionProblem, best: _Fitted, reject: bool) -> tuple[Region, Floats]:
    """The region of fits, and its covariance with what a mistaken inlier or alternative would change."""
    resolved = weighed(problem.resolved(best.choice), best.state)
    region = confidence_region(resolved, best.state, best.covariance, best.inliers.astype(float))
    covariance = region.covariance
    if reject:
        covariance = covariance + inlier_choice_covariance(*_differences(problem, best), best.inliers, KEPT)
    if problem.alternatives is not None:
        covariance = covariance + open_alternatives_covariance(
            problem, best.state, best.covariance, best.inliers, best.choice, KEPT
        )
    return region, covariance


def _answer(
    problem: FusionProblem,
    best: _Fitted,
    region: Region,
    covariance: Floats,
    alternative: NDArray[np.bool_],
    second_m: Floats,
) -> dict[str, Floats]:
    rows = np.sum(np.where(best.inliers, problem.rows, 0), axis=-1)
    dof = np.maximum(rows - 3 + (problem.depth is not None) - (problem.clock is not None), 0)
    heard, n_inliers = problem.heard.sum(axis=-1), best.inliers.sum(axis=-1)
    gap = heard == 0
    stretch = region.reach_m[:, 1] / np.maximum(region.reach_m[:, 0], 1e-3)
    unseen, rough = ~gap & ~(stretch < _UNSEEN), ~gap & ~(stretch < _ROUGH)
    alternative = ~gap & alternative
    disagree = ~gap & (2 * n_inliers < heard)
    few = ~gap & (n_inliers < 3)
    dark = ~gap & (2 * np.sum(best.inliers & ~come_first(problem, region.mean[:, :3]), axis=-1) > n_inliers)
    p_value = np.array([chi_square_p_value(c, int(d)) for c, d in zip(best.squares, dof, strict=True)])
    blank = gap[:, None]
    return {
        "position_m": np.where(blank, np.nan, region.mean[:, :3]),
        "covariance_m2": np.where(blank[..., None], np.nan, covariance[:, :3, :3]),
        "chi2": best.squares,
        "dof": dof,
        "p_value": p_value,
        "inliers": best.inliers,
        "ping_chi2": best.ping_chi2,
        "ping_dof": best.ping_dof,
        "heading_bias": region.mean[:, 3] * problem.errors.heading_bias_sd,
        "heading_bias_sd": np.sqrt(covariance[:, 3, 3]) * problem.errors.heading_bias_sd,
        "reach_m": np.where(blank, np.nan, region.reach_m),
        "alternative_m": np.where(alternative[:, None], second_m, np.nan),
        "ok": ~(gap | unseen | disagree | alternative | region.dry | dark),
        "reason": np.select(
            [gap, region.dry, disagree, dark, alternative, unseen, few, rough],
            [NOTHING_HEARD, OUTSIDE, DISAGREE, SHADOW, ALTERNATIVE, RANGE_UNSEEN, TOO_FEW, ROUGH],
            default="",
        ),
    }
