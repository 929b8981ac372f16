"""What it means for a position that some pings of a run may be taken for inliers, or for outliers, by mistake."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, expit, logsumexp

from acoustics.base.frames import Floats
from acoustics.base.least_squares import inverse_factor, transposed
from acoustics.base.polygons import half_planes, signed_area
from acoustics.estimate.fuse.echo_rows import ROWS
from acoustics.estimate.fuse.model import FusionProblem, linearise

# What is believed of the share of wrong pings before a run, a beta distribution: one in five, worth five pings.
_WRONG, _RIGHT = 1.0, 4.0
# With fewer no inlier can be checked; flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_LEAST_PINGS = 3
# A ping that fits better than half of the right ones is not doubted;
# flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_DOUBTFUL = 0.5
_SECTORS, _RINGS = 24, 8
# Of the way to a wall: what it mirrors seems to come from behind it;
# flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_BEYOND = 1.5
_HEIGHT_SD_M = 0.5  # of another source's depth; flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_SMOOTH = 1.2  # cells overlap; flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
# Of the distance: first order says nothing of a longer way;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_FARTHEST = 0.5
_PINGS_AT_ONCE = 500
_DECIDES = 1.0  # squared standard deviations by which the place moves without a ping that decides it
_STAY = 4  # inliers from which on one may be left out
_RIDGE = 1e-3  # of what the others predict: nothing may check an inlier


def inlier_choice_covariance(
    problem: FusionProblem, state: Floats, covariance: Floats, inliers: NDArray[np.bool_], kept: int
) -> Floats:
    """What a mistaken choice of inliers adds to the covariance of the states' first `kept` numbers, (r, kept, kept).

    Parameters
    ----------
    problem : FusionProblem
        The r runs; without an outline of the water nothing can be said, and zero is.
    state, covariance : ndarray, shape (r, size) and (r, size, size)
        Fitted with the inliers.
    inliers : ndarray of bool, shape (r, p)
        Which pings were taken for inliers.
    kept : int
        How many numbers of the state count.

    Notes
    -----
    By Bayes' rule, one ping at a time: a right ping's delays are distributed as the other inliers predict them,
    those of a wrong one as of a source anywhere in the water. Left out or taken in, a ping moves the state to first
    order (Cook and Weisberg 1982, Residuals and Influence in Regression, section 2.2). Mistakes are taken as
    independent.
    """
    if problem.area is None or problem.area.outline_m is None:
        return np.zeros((len(state), kept, kept))
    at = linearise(problem, state)
    lever = at.jacobian @ covariance[:, None]  # (r, p, k, size)
    predicted = lever @ transposed(at.jacobian)
    sign = np.where(inliers, -1.0, 1.0)
    size, axes = np.linalg.eigh(np.eye(predicted.shape[-1]) + sign[..., None, None] * predicted)
    size = np.maximum(size, 1e-6)
    along = np.einsum("rpki,rpk->rpi", axes, at.residual)
    square = np.sum(along**2 / size, axis=-1)
    # The spread of what the others predict is the inverse of that of an inlier's own residual.
    right = -0.5 * (square + np.sum(sign[..., None] * np.log(size), axis=-1))
    heard, n_inliers = problem.heard.sum(axis=-1), inliers.sum(axis=-1)
    checked = problem.heard & (n_inliers >= _LEAST_PINGS)[:, None]
    run, ping = np.nonzero(checked & (chdtrc(problem.rows.astype(float), square) < _DOUBTFUL))
    wrong = np.full(inliers.shape, -np.inf)
    for low in range(0, len(run), _PINGS_AT_ONCE):
        some = slice(low, low + _PINGS_AT_ONCE)
        wrong[run[some], ping[some]] = _of_another_place(problem, at.whitener, run[some], ping[some])
    if problem.echo is not None:  # a place by echoes, anywhere in the water
        factor = at.whitener[..., :ROWS, :ROWS]
        evenly = np.log(2.0 * np.pi / abs(signed_area(problem.area.outline_m)) / np.linalg.det(factor))
        wrong = np.where(problem.echo.at & np.isfinite(wrong), evenly, wrong)
    share = (_WRONG + heard - n_inliers) / (_WRONG + _RIGHT + heard)
    odds = right - wrong + np.log1p(-share)[:, None] - np.log(share)[:, None]
    mistaken = np.where(np.isfinite(wrong), expit(sign * odds), 0.0)
    turned = transposed(axes) @ lever[..., :kept] / np.sqrt(size)[..., None]  # (r, p, k, kept)
    shift = np.einsum("rpks,rpk->rps", turned, along / np.sqrt(size))
    way = np.linalg.norm(state[:, None, :2] - problem.position[..., :2], axis=-1)
    length = np.linalg.norm(shift[..., :2], axis=-1)
    shift = shift * np.minimum(1.0, _FARTHEST * way / np.maximum(length, 1e-9))[..., None]
    weight = np.where(inliers, mistaken, 0.0)
    return np.asarray(
        np.einsum("rp,rps,rpt->rst", mistaken, shift, shift)
        + np.einsum("rp,rpks,rpkt->rst", weight, turned, turned)  # known less without it
    )


def deciding_inliers(
    problem: FusionProblem, state: Floats, covariance: Floats, inliers: NDArray[np.bool_], most: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Runs and inliers, (m,) each, without which the place is another to first order; at most so many a run."""
    at = linearise(problem, state)
    lever = at.jacobian @ covariance[:, None]
    others = (1.0 + _RIDGE) * np.eye(lever.shape[-2]) - lever @ transposed(at.jacobian)
    shift = np.einsum("rpks,rpk->rps", lever[..., :2], np.linalg.solve(others, at.residual[..., None])[..., 0])
    square = np.einsum("rps,rst,rpt->rp", shift, np.linalg.inv(covariance[:, :2, :2]), shift)
    square = np.where(inliers & (inliers.sum(axis=-1) >= _STAY)[:, None], square, 0.0)
    which = np.argsort(-square, axis=-1, kind="stable")[:, :most]
    run, place = np.nonzero(np.take_along_axis(square, which, axis=-1) > _DECIDES)
    return run, which[run, place]


def _of_another_place(
    problem: FusionProblem, whitener: Floats, run: NDArray[np.intp], ping: NDArray[np.intp]
) -> Floats:
    """Logarithm of the density, (m,), of some pings' whitened delays if their source is anywhere in the water.

    A sum over cells of equal chance: sectors all round, weighed by the water in them, and rings. In a cell the delays
    are normal, with the noise and the spread that its width gives.
    """
    place = problem.position[run, ping]
    bearing = np.arange(_SECTORS) * (2.0 * np.pi / _SECTORS)
    level = np.stack([np.cos(bearing), np.sin(bearing)], axis=-1)
    sideways = np.stack([-level[:, 1], level[:, 0]], axis=-1)
    normal, offset = half_planes(np.asarray(problem.area.outline_m if problem.area else None))
    slack, speed = np.maximum(offset - place[:, :2] @ normal.T, 0.1)[:, None], level @ normal.T
    way = _BEYOND * np.where(speed > 1e-9, slack / np.maximum(speed, 1e-9), np.inf).min(axis=-1)  # (m, sectors)
    chance = way**2 / np.sum(way**2, axis=-1, keepdims=True) / _RINGS
    edges = np.sqrt(np.arange(_RINGS + 1) / _RINGS)
    radius = way[..., None] * np.sqrt((np.arange(_RINGS) + 0.5) / _RINGS)
    thick, wide = way[..., None] * np.diff(edges), radius * (2.0 * np.pi / _SECTORS)
    depth = place[:, 2] if problem.depth is None else problem.depth[run]
    lever = problem.hydrophones @ transposed(problem.rotation[run, ping])  # (m, n, 3)
    # From each hydrophone to the cells: outwards, sideways and down, (m, sectors, rings, n).
    outwards = radius[..., None] - (level @ transposed(lever[..., :2]))[:, :, None]
    around = -(sideways @ transposed(lever[..., :2]))[:, :, None]
    down = ((depth - place[:, 2])[:, None] - lever[..., 2])[:, None, None]
    path = np.sqrt(outwards**2 + around**2 + down**2)
    turned = transposed(whitener[run, ping] @ problem.differences[ping])[:, None]  # (m, 1, n, k)
    seen = np.einsum("mkl,ml->mk", whitener[run, ping], problem.delay[run, ping])
    # Delays first from here on, so that numpy works along the cells.
    off = np.moveaxis(seen[:, None, None] - path @ turned, -1, 0)
    spread = np.empty((3, *off.shape))
    for column, way_m, width_m in zip(
        spread,
        (outwards, around, down),
        (_SMOOTH / np.sqrt(12.0) * thick, _SMOOTH / np.sqrt(12.0) * wide, _HEIGHT_SD_M),
        strict=True,
    ):
        column[:] = np.moveaxis((way_m / path) @ turned, -1, 0) * width_m
    covariance = np.einsum("c...,c...->...", spread[:, :, None], spread[:, None])
    covariance += np.eye(len(off))[..., None, None, None]
    if problem.by_stop is not None:
        stopped = whitener[run, ping] @ problem.by_stop[run, ping]
        covariance += np.moveaxis(stopped @ transposed(stopped), 0, -1)[..., None, None]
    whitest = np.moveaxis(inverse_factor(np.moveaxis(covariance, (0, 1), (-2, -1))), (-2, -1), (0, 1))
    square = np.sum(np.einsum("ij...,j...->i...", whitest, off) ** 2, axis=0)
    halved = np.sum(np.log(np.diagonal(whitest)), axis=-1)  # of the determinant's logarithm
    density = np.log(chance)[..., None] - 0.5 * square + halved
    return np.asarray(logsumexp(density, axis=(-2, -1)))
