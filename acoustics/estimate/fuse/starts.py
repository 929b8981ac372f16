"""Where a source may be, by the consent of the pings: starts that a few wrong pings cannot spoil."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse.echo_rows import echo_misfits
from acoustics.estimate.fuse.model import FusionProblem

_RANGES_M = np.geomspace(0.5, 200.0, 24)  # each a third above the last: the fit begun nearest finds the range
_MOST_BEARINGS = 8  # rays are cast from so many pings of a run, spread over it
_LEAST_BEARINGS = 4  # and from no fewer where each has a ray for every alternative
# The candidates are no finer than this; flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_GRID_SD = np.deg2rad(4.0)
# Second starts are at least so far from the first, seen in units of the distance;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_APART = 0.15
_SAME_WAY = np.cos(0.5)  # of two directions: those of mirror images differ more
# What an array's bearing and the next range leave open where every integer has its own bearing.
_FINE_SD = np.deg2rad(0.2)
_RANGE_STEP_SD = float(_RANGES_M[1] / _RANGES_M[0] - 1.0) / np.sqrt(12.0)
_NUMBERS_AT_ONCE = 3_000_000


@record
class Starts:
    """Candidates of r runs, the best first.

    `place`, (r, s, 3); `agrees`, (r, s, p): which pings agree; `choice`, (r, s, p): the alternative of each ping that
    fits best; `score`, (r, s): the sum of the pings' limited misfits, lower is better.
    """

    place: Floats
    agrees: NDArray[np.bool_]
    choice: NDArray[np.intp]
    score: Floats


def consensus_starts(problem: FusionProblem, cutoff: Floats, n_starts: int) -> Starts:
    """The candidates most pings agree on.

    Candidates lie along the bearings of some of the pings, mirror images included, at many ranges, or where they meet
    a known depth. Each is scored by all the pings with a loss that stops growing at `cutoff`, (p,), the chi-square
    beyond which a ping is taken to be of something else: consensus over minimal samples (Fischler and Bolles 1981,
    Communications of the ACM 24, 381-395), with every sample tried instead of random ones. A ping of several
    alternatives has the bearings of all of them, and is scored by the one that fits best.
    """
    n_numbers = _MOST_BEARINGS * 4 * len(_RANGES_M) * problem.position.shape[1] * len(problem.hydrophones) * 3
    at_once = max(1, _NUMBERS_AT_ONCE // n_numbers)
    parts = [
        _starts(problem.subset(np.arange(low, min(low + at_once, len(problem.delay)))), cutoff, n_starts)
        for low in range(0, len(problem.delay), at_once)
    ]
    return Starts(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Starts)))


def _starts(problem: FusionProblem, cutoff: Floats, n_starts: int) -> Starts:
    candidates, foot = _candidates(problem.bearings)
    if problem.echo is not None:
        places, feet = _by_echoes(problem)
        candidates, foot = np.concatenate([candidates, places], axis=1), np.concatenate([foot, feet], axis=1)
    misfit, choice, spread = _misfits(problem.bearings, candidates, foot)  # (r, q, p) each
    if problem.echo is not None:
        at = problem.echo.at
        apart, mode = echo_misfits(problem.echo, candidates)
        misfit, choice, spread = np.where(at, apart, misfit), np.where(at, mode, choice), np.where(at, 0.0, spread)
    agrees = (misfit <= cutoff) & problem.heard[:, None]
    score = np.sum(np.where(problem.heard[:, None], np.minimum(misfit, cutoff) + spread, 0.0), axis=-1)
    # Where the frame's depth is the water's, nothing sounds from above the surface unless nothing else fits.
    score = score + np.where(candidates[..., 2] < 0.0, 2.0, 0.0)
    centre = problem.position.mean(axis=1)
    taken, runs = [], np.arange(len(score))
    for _ in range(n_starts):
        best = np.argmin(score, axis=-1)
        place = candidates[runs, best]
        taken.append(Starts(place, agrees[runs, best], choice[runs, best], score[runs, best]))
        away = candidates - centre[:, None], (place - centre)[:, None]
        reach, distance = (np.linalg.norm(vectors, axis=-1) for vectors in away)
        if problem.alternatives is None:
            near = np.linalg.norm(candidates - place[:, None], axis=-1) < _APART * distance
        else:  # places next to each other may be of other integers, and those of the same are reached from any
            near = np.sum(away[0] * away[1], axis=-1) > _SAME_WAY * reach * distance
            near &= _alike(choice, choice[runs, best], problem.heard)
        score = np.where(near, np.inf, score)
    return Starts(*(np.stack([getattr(one, f.name) for one in taken], axis=1) for f in fields(Starts)))


def _alike(choice: NDArray[np.intp], other: NDArray[np.intp], heard: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether at most a quarter of the pings have other alternatives, (r, q)."""
    differ = np.sum((choice != other[:, None]) & heard[:, None], axis=-1)
    return np.asarray(4 * differ <= heard.sum(axis=-1)[:, None])


def _candidates(problem: FusionProblem) -> tuple[Floats, Floats]:
    """Places (r, q, 3) along the bearings of up to eight pings, in the site frame, and where those were heard."""
    r, p = problem.heard.shape
    order = np.argsort(~problem.heard, axis=1, kind="stable")  # the pings heard first
    counts = problem.heard.sum(axis=1)
    m = 1 if problem.alternatives is None else problem.alternatives.shape[2]
    spread = np.linspace(0.0, 1.0, min(max(_MOST_BEARINGS // m, _LEAST_BEARINGS), p))
    chosen = order[np.arange(r)[:, None], np.round(spread * np.maximum(counts - 1, 0)[:, None]).astype(int)]
    body = _plane_wave_directions(problem)
    site = np.einsum("rpij,rpdj->rpdi", problem.rotation, body)
    runs = np.arange(r)[:, None]
    site, foot = site[runs, chosen], problem.position[runs, chosen]
    ranges = np.broadcast_to(_RANGES_M, (*site.shape[:-1], len(_RANGES_M)))
    if problem.depth is not None and problem.alternatives is not None:  # where the bearing itself meets the depth
        below = (problem.depth[:, None] - foot[..., 2])[..., None]
        met = below * np.linalg.norm(site[..., :2], axis=-1) / np.where(site[..., 2] == 0.0, np.inf, site[..., 2])
        ranges = np.concatenate([ranges, np.clip(met, _RANGES_M[0], _RANGES_M[-1])[..., None]], axis=-1)
    rays = site[..., None, :] * ranges[..., None]  # (r, chosen, d, ranges, 3)
    if problem.depth is not None:
        level = site[..., :2] / np.maximum(np.linalg.norm(site[..., :2], axis=-1, keepdims=True), 1e-9)
        rays[..., :2] = level[..., None, :] * ranges[..., None]
        rays[..., 2] = (problem.depth[:, None] - foot[..., 2])[..., None, None]
    feet = np.broadcast_to(foot[:, :, None, None], rays.shape)
    return (feet + rays).reshape(r, -1, 3), feet.reshape(r, -1, 3)


def _by_echoes(problem: FusionProblem) -> tuple[Floats, Floats]:
    """Places (r, q, 3) of all modes of up to eight pings, at the source's depth, and where those were heard."""
    echo = problem.echo
    assert echo is not None and problem.depth is not None
    heard = np.flatnonzero(echo.at)
    chosen = heard[np.unique(np.round(np.linspace(0, len(heard) - 1, min(len(heard), _MOST_BEARINGS))).astype(int))]
    place = echo.place[:, chosen]
    depth = np.broadcast_to(problem.depth[:, None, None, None], (*place.shape[:-1], 1))
    places = np.concatenate([place, depth], axis=-1)
    feet = np.broadcast_to(problem.position[:, chosen, None], places.shape)
    return places.reshape(len(place), -1, 3), feet.reshape(len(place), -1, 3)


def _plane_wave_directions(problem: FusionProblem) -> Floats:
    """Directions in the body frame by unweighted least squares, all that an ambiguous array cannot tell apart.

    Shape (r, p, d, 3), for each alternative d 1 where every ping was heard by a volume, 2 by a plane at least, else 4;
    repeated for a ping that has fewer.
    """
    baselines = problem.differences @ problem.hydrophones  # (p, k, 3)
    _, length, axes = np.linalg.svd(np.concatenate([baselines, np.zeros((len(baselines), 3, 3))], axis=1))
    seen = (length > 1e-3 * length[:, :1]) | (length[:, :1] == 0.0)  # a ping without delays asks for none
    delay = problem.delay[:, :, None]
    if problem.alternatives is not None:
        delay = delay + problem.alternatives
    unit = -np.einsum("pdk,rpmk->rpmd", np.linalg.pinv(baselines, rcond=1e-3), delay)
    unit = unit / np.maximum(np.linalg.norm(unit, axis=-1, keepdims=True), 1.0)
    rest = np.sqrt(np.maximum(1.0 - np.sum(unit**2, axis=-1), 0.01))[..., None, None]
    across = np.stack([axes[:, 2], -axes[:, 2], axes[:, 1], -axes[:, 1]], axis=1)  # (p, 4, 3)
    across = np.where(seen[:, 1, None, None], across[:, [0, 1, 0, 1]], across)
    across = np.where(seen[:, 2, None, None], 0.0, across)
    count = 1 if seen[:, 2].all() else 2 if seen[:, 1].all() else 4
    found = unit[..., None, :] + rest * across[:, None, :count]
    found = found.reshape(*found.shape[:2], -1, 3)
    return found / np.maximum(np.linalg.norm(found, axis=-1, keepdims=True), 1e-9)


def _misfits(problem: FusionProblem, candidates: Floats, foot: Floats) -> tuple[Floats, NDArray[np.intp], Floats]:
    """Chi-square of each ping at each candidate, (r, q, p), its alternative, and the logarithm of the spread.

    The pose's errors enter as an error of direction: heading and attitude, and position over the distance.
    """
    errors = problem.errors
    # Candidates last, so that numpy works along them: (r, p, n or k, q).
    middle = candidates.mean(axis=1, keepdims=True)
    places = problem.position[:, :, None] + problem.hydrophones @ transposed(problem.rotation) - middle[:, None]
    there = transposed(candidates - middle)[:, None]
    square = np.sum(places**2, axis=-1)[..., None] + np.sum(there**2, axis=-2, keepdims=True) - 2.0 * places @ there
    path = np.sqrt(np.maximum(square, 0.0))
    distance = np.maximum(path.mean(axis=2), 0.1)
    if problem.alternatives is None:
        turning = errors.heading_bias_sd**2 + float(np.sum(np.square(errors.attitude_sd))) + _GRID_SD**2
        wandered = problem.place_errors.variance_m2 + errors.start_sd_m[0] ** 2
        turning = turning + (wandered[:, None, None] + errors.depth_sd_m**2) / distance**2
        radius = np.linalg.norm(problem.hydrophones - problem.hydrophones.mean(axis=0), axis=-1).max()
        shape = radius**2 * (problem.differences @ transposed(problem.differences))
    else:
        turning = _turning_from_ray(problem, candidates, foot, distance)
        lever = problem.differences @ problem.hydrophones  # hydrophones turn as one, or integers could not be told
        shape = lever @ transposed(lever)
    # (r, p, 1, 1 or n), of one arrival: here each ping is taken alone
    fixed = np.asarray(errors.element_sd_m) ** 2 + ((problem.skew_sd[:, None] * problem.speed) ** 2)[..., None, None]
    mounted = (problem.differences * fixed) @ transposed(problem.differences)
    if problem.by_stop is not None:
        mounted = mounted + problem.by_stop @ transposed(problem.by_stop)
    factor = np.linalg.inv(np.linalg.cholesky(problem.covariance + mounted))
    size, axes = np.linalg.eigh(factor @ shape @ transposed(factor))
    white = transposed(axes) @ factor
    whitened = white @ problem.delay[..., None] - (white @ problem.differences) @ path
    variance = 1.0 + turning[:, :, None] * np.maximum(size, 0.0)[..., None]
    spread = np.sum(np.log(variance), axis=2)
    if problem.alternatives is None or problem.misfit is None:
        least, choice = np.sum(whitened**2 / variance, axis=2), np.zeros(spread.shape, dtype=np.intp)
        return np.swapaxes(least, 1, 2), np.swapaxes(choice, 1, 2), np.swapaxes(spread, 1, 2)
    offset = white @ transposed(problem.alternatives)  # (r, p, k, m)
    least, choice = np.full(spread.shape, np.inf), np.zeros(spread.shape, dtype=np.intp)
    for j in range(offset.shape[-1]):
        misfit = np.sum((whitened + offset[..., j, None]) ** 2 / variance, axis=2) + problem.misfit[:, :, j, None]
        choice[misfit < least] = j
        np.minimum(least, misfit, out=least)
    return np.swapaxes(least, 1, 2), np.swapaxes(choice, 1, 2), np.swapaxes(spread, 1, 2)


def _turning_from_ray(problem: FusionProblem, candidates: Floats, foot: Floats, distance: Floats) -> Floats:
    """Variance, (r, p, q) [rad^2], of the direction of a candidate from each ping, given the bearing that led there.

    What all pings share turns or moves all their bearings alike, so that it counts no more than by the parallax.
    """
    errors = problem.errors
    aside = np.linalg.norm(problem.position[:, :, None] - foot[:, None], axis=-1)
    deep = 0.0 if problem.depth is None else np.abs(candidates[..., 2] - foot[..., 2])[:, None]
    wandered = problem.place_errors.variance_m2[:, None, None]
    along = _RANGE_STEP_SD**2 * (aside**2 + deep**2) + (errors.heading_bias_sd * aside) ** 2
    apart = along + wandered + errors.depth_sd_m**2 + (0.0 if problem.depth is None else problem.depth_sd**2)
    return np.asarray(_FINE_SD**2 + 2.0 * float(np.sum(np.square(errors.attitude_sd))) + apart / distance**2)
