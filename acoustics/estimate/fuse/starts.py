"""Where a source may be, by the consent of the pings: starts that a few wrong pings cannot spoil."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.estimate.fuse.model import FusionProblem

_RANGES_M = np.geomspace(0.5, 200.0, 24)  # each a third above the last: the fit begun nearest finds the range
_MOST_BEARINGS = 8  # rays are cast from so many pings of a run, spread over it
# The candidates are no finer than this; flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_GRID_SD = np.deg2rad(4.0)
# Second starts are at least so far from the first, seen in units of the distance;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_APART = 0.15
_NUMBERS_AT_ONCE = 3_000_000


def consensus_starts(problem: FusionProblem, cutoff: Floats, n_starts: int) -> tuple[Floats, NDArray[np.bool_]]:
    """The candidates most pings agree on, best first: places (r, n_starts, 3) and who agrees, (r, n_starts, p).

    Candidates lie along the bearings of some of the pings, mirror images included, at many ranges, or where they meet
    a known depth. Each is scored by all the pings with a loss that stops growing at `cutoff`, (p,), the chi-square
    beyond which a ping is taken to be of something else: consensus over minimal samples (Fischler and Bolles 1981,
    Communications of the ACM 24, 381-395), with every sample tried instead of random ones.
    """
    n_numbers = _MOST_BEARINGS * 4 * len(_RANGES_M) * problem.position.shape[1] * len(problem.hydrophones) * 3
    at_once = max(1, _NUMBERS_AT_ONCE // n_numbers)
    parts = [
        _starts(problem.subset(np.arange(low, min(low + at_once, len(problem.delay)))), cutoff, n_starts)
        for low in range(0, len(problem.delay), at_once)
    ]
    return np.concatenate([places for places, _ in parts]), np.concatenate([agree for _, agree in parts])


def _starts(problem: FusionProblem, cutoff: Floats, n_starts: int) -> tuple[Floats, NDArray[np.bool_]]:
    candidates = _candidates(problem)
    misfit, spread = _misfits(problem, candidates)  # (r, q, p) each
    agrees = (misfit <= cutoff) & problem.heard[:, None]
    score = np.sum(np.where(problem.heard[:, None], np.minimum(misfit, cutoff) + spread, 0.0), axis=-1)
    # Where the frame's depth is the water's, nothing sounds from above the surface unless nothing else fits.
    score = score + np.where(candidates[..., 2] < 0.0, 2.0, 0.0)
    centre = problem.position.mean(axis=1)
    places, agreement, runs = [], [], np.arange(len(score))
    for _ in range(n_starts):
        best = np.argmin(score, axis=-1)
        place = candidates[runs, best]
        places.append(place)
        agreement.append(agrees[runs, best])
        distance = np.linalg.norm(place - centre, axis=-1)[:, None]
        near = np.linalg.norm(candidates - place[:, None], axis=-1) < _APART * distance
        score = np.where(near, np.inf, score)
    return np.stack(places, axis=1), np.stack(agreement, axis=1)


def _candidates(problem: FusionProblem) -> Floats:
    """Places (r, q, 3) along the bearings of up to eight pings, in the site frame."""
    r, p = problem.heard.shape
    order = np.argsort(~problem.heard, axis=1, kind="stable")  # the pings heard first
    counts = problem.heard.sum(axis=1)
    spread = np.linspace(0.0, 1.0, min(_MOST_BEARINGS, p))
    chosen = order[np.arange(r)[:, None], np.round(spread * np.maximum(counts - 1, 0)[:, None]).astype(int)]
    body = _plane_wave_directions(problem)
    site = np.einsum("rpij,rpdj->rpdi", problem.rotation, body)
    runs = np.arange(r)[:, None]
    site, foot = site[runs, chosen], problem.position[runs, chosen]
    rays = site[..., None, :] * _RANGES_M[:, None]  # (r, chosen, d, ranges, 3)
    if problem.depth is not None:
        level = site[..., :2] / np.maximum(np.linalg.norm(site[..., :2], axis=-1, keepdims=True), 1e-9)
        rays[..., :2] = level[..., None, :] * _RANGES_M[:, None]
        rays[..., 2] = (problem.depth[:, None] - foot[..., 2])[..., None, None]
    return (foot[:, :, None, None] + rays).reshape(r, -1, 3)


def _plane_wave_directions(problem: FusionProblem) -> Floats:
    """Directions in the body frame by unweighted least squares, all that an ambiguous array cannot tell apart.

    Shape (r, p, d, 3), d 1 where every ping was heard by a volume, 2 by a plane at least, else 4; repeated for a ping
    that has fewer.
    """
    baselines = problem.differences @ problem.hydrophones  # (p, k, 3)
    _, length, axes = np.linalg.svd(np.concatenate([baselines, np.zeros((len(baselines), 3, 3))], axis=1))
    seen = length > 1e-3 * length[:, :1]
    unit = -np.einsum("pdk,rpk->rpd", np.linalg.pinv(baselines, rcond=1e-3), problem.delay)
    unit = unit / np.maximum(np.linalg.norm(unit, axis=-1, keepdims=True), 1.0)
    rest = np.sqrt(np.maximum(1.0 - np.sum(unit**2, axis=-1), 0.01))[..., None, None]
    across = np.stack([axes[:, 2], -axes[:, 2], axes[:, 1], -axes[:, 1]], axis=1)  # (p, 4, 3)
    across = np.where(seen[:, 1, None, None], across[:, [0, 1, 0, 1]], across)
    across = np.where(seen[:, 2, None, None], 0.0, across)
    count = 1 if seen[:, 2].all() else 2 if seen[:, 1].all() else 4
    found = unit[:, :, None] + rest * across[:, :count]
    return found / np.maximum(np.linalg.norm(found, axis=-1, keepdims=True), 1e-9)


def _misfits(problem: FusionProblem, candidates: Floats) -> tuple[Floats, Floats]:
    """Chi-square of each ping at each candidate, (r, q, p), and the logarithm of the spread it is measured by.

    The pose's errors enter as an error of direction: heading and attitude, and position over the distance.
    """
    errors = problem.errors
    places = problem.position[:, :, None] + problem.hydrophones @ transposed(problem.rotation)  # (r, p, n, 3)
    separation = candidates[:, :, None, None] - places[:, None]
    path = np.sqrt(np.einsum("rqpni,rqpni->rqpn", separation, separation))
    residual = problem.delay[:, None] - np.einsum("pkn,rqpn->rqpk", problem.differences, path)
    distance = np.maximum(path.mean(axis=-1), 0.1)
    turning = errors.heading_bias_sd**2 + float(np.sum(np.square(errors.attitude_sd))) + _GRID_SD**2
    wandered = np.sum(problem.legs**2, axis=-1) * errors.drift_sd_m_per_root_m**2 + errors.position_sd_m**2
    turning = turning + (wandered[:, None, None] + errors.depth_sd_m**2) / distance**2
    radius = np.linalg.norm(problem.hydrophones - problem.hydrophones.mean(axis=0), axis=-1).max()
    shape = radius**2 * (problem.differences @ transposed(problem.differences))
    # (r, p, 1, 1 or n), of one arrival: here each ping is taken alone
    fixed = np.asarray(errors.element_sd_m) ** 2 + ((problem.skew_sd[:, None] * problem.speed) ** 2)[..., None, None]
    mounted = (problem.differences * fixed) @ transposed(problem.differences)
    factor = np.linalg.inv(np.linalg.cholesky(problem.covariance + mounted))
    size, axes = np.linalg.eigh(factor @ shape @ transposed(factor))
    whitened = np.einsum("rpij,rqpj->rqpi", transposed(axes) @ factor, residual)
    variance = 1.0 + turning[..., None] * np.maximum(size, 0.0)[:, None]
    return np.sum(whitened**2 / variance, axis=-1), np.sum(np.log(variance), axis=-1)
