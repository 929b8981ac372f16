"""Which integers of its carrier each ping of a run has: joint hypotheses, their weights, and what stays open in one.

A hypothesis is a place with one alternative of each ping (Reid 1979, IEEE Transactions on Automatic Control 24,
843-854). Those that no start by consensus leads near are pruned; the rest are weighed by the probability of all the
pings. Within a hypothesis a ping may still count as another of its alternatives: its weight given the others widens the
covariance, as the spread of the innovations does in probabilistic data association (Bar-Shalom and Li 1995,
Multitarget-Multisensor Tracking, section 3.4).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, softmax

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse.model import FusionProblem, Linearised, linearise, weighed
from acoustics.estimate.fuse.station import normal_over_polygon

MOST_HYPOTHESES = 12
# Of the starts' score, above the best: a start so much worse is of no weight.
_PRUNED = 40.0
# Squared distance in standard deviations within which two fits may stand for one place, or a shift stays in its mode.
DISTINCT = 9.0
_SAME = 0.1  # and within which they are the same fit: one may stand for the other
_LEAST_SHARE = 1e-9  # in the water: where nothing of any fit is, they compare without
LEAST_VARIANCE = 1e-6  # of a whitened residual: below, the others predict nothing


@record
class Modes:
    """Hypotheses of r runs that say something else, the most probable first.

    `fit`, (r, s): index into the fits that were weighed; `weight`, (r, s): probability, 0 where there is none; `near`,
    (r, s): whether it is so near the first that one ellipse may hold both.
    """

    fit: NDArray[np.intp]
    weight: Floats
    near: NDArray[np.bool_]


def worth_fitting(score: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Runs and starts, (m,) each, of scores (r, s) that may come to have a weight."""
    run, start = np.nonzero(score <= score.min(axis=1, keepdims=True) + _PRUNED)
    return run, start


def best_of_runs(run: NDArray[np.intp], cost: Floats) -> NDArray[np.intp]:
    """The fit of least cost of each run, (r,), of fits of the runs (m,)."""
    order = np.lexsort((cost, run))
    return order[np.searchsorted(run[order], np.arange(run.max() + 1))]


class Prediction(NamedTuple):
    """Residuals of pings about what the other inliers predict: variances (r, p, k), their axes (r, p, k, k), and the
    residuals along these, (r, p, k)."""

    size: Floats
    axes: Floats
    along: Floats


def prediction_of_others(at: Linearised, covariance: Floats, inliers: NDArray[np.bool_]) -> Prediction:
    """Each ping against the others, by the covariance of a fit to the inliers.

    For an inlier the prediction's covariance is taken from that of its residual, which its own fit has shrunk; for the
    others it adds.
    """
    predicted = at.jacobian @ covariance[:, None] @ transposed(at.jacobian)
    sign = np.where(inliers, -1.0, 1.0)[..., None, None]
    size, axes = np.linalg.eigh(np.eye(predicted.shape[-1]) + sign * predicted)
    return Prediction(size, axes, np.einsum("rpki,rpk->rpi", axes, at.residual))


def alternative_misfits(
    problem: FusionProblem,
    at: Linearised,
    against: Prediction,
    inliers: NDArray[np.bool_],
    choice: NDArray[np.intp],
) -> Floats:
    """Chi-square of every alternative of each ping about what the other inliers predict, (r, p, m).

    `against`: that of the alternatives `choice`, (r, p), that were fitted.
    """
    size, axes, along = against
    assert problem.alternatives is not None
    fitted = np.take_along_axis(problem.alternatives, choice[..., None, None], axis=2)
    added = (problem.alternatives - fitted) @ transposed(at.whitener) @ axes  # (r, p, m, k)
    added = added * np.where(inliers[..., None], size, 1.0)[:, :, None]  # an inlier's residual is shrunk by its own fit
    checked = size > LEAST_VARIANCE
    weight = np.divide(1.0, size, out=np.zeros_like(size), where=checked)
    return np.einsum("rpmk,rpk->rpm", (along[:, :, None] + added) ** 2, weight)


def open_alternatives_covariance(
    problem: FusionProblem,
    state: Floats,
    covariance: Floats,
    inliers: NDArray[np.bool_],
    choice: NDArray[np.intp],
    kept: int,
) -> Floats:
    """What the alternatives that stay open add to the covariance of the first `kept` numbers, (r, kept, kept).

    Each ping by itself, by its weights given the others; first order, and only where the state stays within its mode:
    what leads farther is a hypothesis of its own.
    """
    if problem.alternatives is None or problem.misfit is None:
        return np.zeros((len(state), kept, kept))
    at = linearise(weighed(problem.resolved(choice), state), state)
    lever = at.jacobian @ covariance[:, None]  # (r, p, k, size)
    against = prediction_of_others(at, covariance, inliers)
    chi2 = alternative_misfits(problem, at, against, inliers, choice) + problem.misfit
    fitted = np.take_along_axis(problem.alternatives, choice[..., None, None], axis=2)
    added = (problem.alternatives - fitted) @ transposed(at.whitener)
    shift = added @ lever[..., :kept]  # (r, p, m, kept)
    place = np.linalg.inv(covariance[:, :2, :2])
    near = np.einsum("rpmi,rij,rpmj->rpm", shift[..., :2], place, shift[..., :2]) < DISTINCT
    chi2 = np.where(inliers[..., None], np.where(near, chi2, np.inf), 0.0)
    weight = softmax(-0.5 * chi2, axis=-1) * inliers[..., None]
    return np.asarray(np.einsum("rpm,rpms,rpmt->rst", weight, shift, shift))


def modes_of(
    problem: FusionProblem,
    run: NDArray[np.intp],
    state: Floats,
    covariance: Floats,
    cost: Floats,
    signature: NDArray[np.intp],
) -> Modes:
    """The modes of the runs that m fits belong to, and their weights.

    Parameters
    ----------
    problem : FusionProblem
        The m fits' own.
    run : ndarray of int, shape (m,)
        Run of each fit, rising from 0.
    state, covariance, cost : ndarray, shapes (m, size), (m, size, size) and (m,)
        Fits, with the cost of their outliers and of their alternatives.
    signature : ndarray of int, shape (m, p)
        Alternative of each ping, -1 for an outlier. A fit that all pings contradict counts only where no other is.

    Notes
    -----
    A fit's probability is that of all the pings, integrated over the unknowns by Laplace's method (MacKay 2003,
    Information Theory, Inference, and Learning Algorithms, chapter 27), times the share of it that lies in the outline
    of the water. Fits of nearly one place are one mode, whose weight is the sum over their different assignments; the
    others stand apart even where their ellipses overlap, as what they share, such as the heading's error, makes these
    long.
    """
    log_weight = -0.5 * cost + 0.5 * np.linalg.slogdet(covariance)[1]
    if problem.area is not None and problem.area.outline_m is not None:
        inside = normal_over_polygon(state[:, :2], covariance[:, :2, :2], problem.area.outline_m)
        log_weight = log_weight + np.log(inside + _LEAST_SHARE)
    explains = np.any(signature >= 0, axis=-1)
    log_weight = np.where(explains | ~np.isin(run, run[explains]), log_weight, -np.inf)
    order = np.lexsort((-log_weight, run))
    first = np.searchsorted(run, np.arange(run[-1] + 1))
    fit = np.full((len(first), MOST_HYPOTHESES), -1)
    fit[run, np.arange(len(run)) - first[run]] = order
    there = fit >= 0
    place, spread = state[fit, :3], covariance[fit, :3, :3]
    apart = place[:, :, None] - place[:, None]
    both = np.linalg.inv(spread[:, :, None] + spread[:, None])
    distance = np.einsum("rabi,rabij,rabj->rab", apart, both, apart)
    one_place = distance < _SAME
    same = one_place & np.all(signature[fit][:, :, None] == signature[fit][:, None], axis=-1)
    earlier = np.tri(MOST_HYPOTHESES, k=-1, dtype=bool) & there[:, None] & there[:, :, None]
    told = there & ~np.any(same & earlier, axis=-1)
    logs = np.where(told, log_weight[fit], -np.inf)
    weight = np.exp(logs - logsumexp(logs, axis=1, keepdims=True))
    head = there.copy()  # the best fit of each place
    for k in range(MOST_HYPOTHESES):
        head[:, k + 1 :] &= ~(one_place[:, k, k + 1 :] & head[:, k, None])
    owner = np.argmax(one_place & head[:, None], axis=-1)
    total = np.zeros(weight.shape)
    np.add.at(total, (np.arange(len(total))[:, None], owner), weight)
    total = np.where(head, total, 0.0)
    best = np.argsort(-total, axis=1, kind="stable")
    near = np.take_along_axis(distance, best[:, :1, None], axis=1)[:, 0] < DISTINCT
    return Modes(*(np.take_along_axis(of, best, axis=1) for of in (fit, total, near & head)))
