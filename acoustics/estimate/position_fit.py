"""Delays as a function of the source's position, and their fit by Levenberg steps from one or several starts.

Trials run along the last axis here, which makes numpy's work on batches several times faster.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from acoustics.estimate.chan_ho import closed_form
from acoustics.estimate.least_squares import (
    Indices,
    apply,
    levenberg,
    normal_equations,
    solve_positive,
    trailing,
    transposed,
)
from acoustics.geometry import Floats
from acoustics.physics.time_of_flight import difference_matrix, spherical_time, unit_vectors_to_source

# Distances tried along a bearing, in units of the array's radius.
TRIED_DISTANCES = np.array([0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0])
# From this many times its distance on, the sd of a position leaves no doubt that it is not observed.
_LOST = 5.0
# Beyond this many radii the curvature of the wave is below what any delay shows.
FARTHEST = 1e5


@dataclass(frozen=True)
class PositionProblem:
    """A batch of m trials, already checked. Origin: the centre of the array.

    Where one value serves all trials, its last axis has length 1, and the matrices have no such axis.
    """

    delay: Floats  # (k, m)
    whitener: Floats  # (k, k) or (k, k, m)
    sound_speed: Floats  # (m or 1,)
    hydrophones: Floats  # (3, n, m or 1)
    reference: int
    rank: int
    depth: Floats | None  # (m or 1,)
    depth_sd: Floats | None  # (m or 1,)
    observed: Floats  # (k, m), whitened delays
    projector: Floats  # (k, n) or (k, n, m), from distances to whitened delays
    radius: Floats  # (m or 1,), of the array

    def subset(self, rows: Indices) -> PositionProblem:
        """Some of the trials, in the given order; rows may repeat."""
        return replace(
            self,
            delay=self.delay[:, rows],
            whitener=self.whitener if self.whitener.ndim == 2 else self.whitener[..., rows],
            sound_speed=_pick(self.sound_speed, rows),
            hydrophones=_pick(self.hydrophones, rows),
            depth=None if self.depth is None else _pick(self.depth, rows),
            depth_sd=None if self.depth_sd is None else _pick(self.depth_sd, rows),
            observed=self.observed[:, rows],
            projector=self.projector if self.projector.ndim == 2 else self.projector[..., rows],
            radius=_pick(self.radius, rows),
        )


def _pick(array: Floats, rows: Indices) -> Floats:
    return array if array.shape[-1] == 1 else array[..., rows]


def position_problem(
    delay: Floats,
    whitener: Floats,
    sound_speed: Floats,
    hydrophones: Floats,
    *,
    reference: int,
    rank: int,
    depth: Floats | None,
    depth_sd: Floats | None,
) -> PositionProblem:
    """Lay out delays (m, k), whiteners (m or 1, k, k) and hydrophones (m or 1, n, 3), trials last."""
    differences = difference_matrix(hydrophones.shape[1], reference)
    weights = trailing(whitener)
    by_trial = np.ascontiguousarray(delay.T)
    return PositionProblem(
        delay=by_trial,
        whitener=weights,
        sound_speed=sound_speed,
        hydrophones=np.ascontiguousarray(np.moveaxis(hydrophones, 0, -1).swapaxes(0, 1)),
        reference=reference,
        rank=rank,
        depth=depth,
        depth_sd=depth_sd,
        observed=apply(weights, by_trial),
        projector=_projector(weights, differences, sound_speed),
        radius=np.linalg.norm(hydrophones, axis=-1).max(axis=-1),
    )


def _projector(weights: Floats, differences: Floats, sound_speed: Floats) -> Floats:
    """From distances to whitened delays, (k, n) or (k, n, m)."""
    if weights.ndim == 2 and len(sound_speed) == 1:
        return np.einsum("ij,jn->in", weights, differences) / sound_speed
    return np.einsum("ijm,jn->inm", weights.reshape(*weights.shape[:2], -1), differences) / sound_speed


def evaluate(problem: PositionProblem, place: Floats) -> tuple[Floats, Floats]:
    """Residuals in standard deviations, (k or with a depth k + 1, m), and their derivative by the place.

    The model is that of `acoustics.physics.time_of_flight`, with distances and unit vectors from one pass.
    """
    separation = place[:, None] - problem.hydrophones
    distance = np.sqrt(np.einsum("dnm,dnm->nm", separation, separation))
    model = np.empty((len(distance), 4, distance.shape[-1]))
    model[:, 0] = distance
    np.multiply(separation.swapaxes(0, 1), (1.0 / np.maximum(distance, 1e-300))[:, None], out=model[:, 1:])
    weighted = apply(problem.projector, model)
    if problem.depth is None or problem.depth_sd is None:
        return problem.observed - weighted[:, 0], -weighted[:, 1:]
    k = len(problem.observed)
    residual, jacobian = np.empty((k + 1, place.shape[-1])), np.zeros((k + 1, 3, place.shape[-1]))
    np.subtract(problem.observed, weighted[:, 0], out=residual[:k])
    residual[k] = (problem.depth - place[2]) / problem.depth_sd
    np.negative(weighted[:, 1:], out=jacobian[:k])
    jacobian[k, 2] = -1.0 / problem.depth_sd
    return residual, jacobian


def misfit(problem: PositionProblem, place: Floats) -> Floats:
    """Sum of squared residuals, shape (m,)."""
    residual, _ = evaluate(problem, place)
    return np.einsum("km,km->m", residual, residual)


def information(problem: PositionProblem, place: Floats) -> tuple[Floats, Floats]:
    """Sum of squared residuals, shape (m,), and information about the position, (3, 3, m) [1/m^2]."""
    residual, jacobian = evaluate(problem, place)
    return np.einsum("km,km->m", residual, residual), normal_equations(residual, jacobian)[0]


def nuisance_jacobian(problem: PositionProblem, place: Floats, pivot: Floats | None) -> Floats:
    """Derivative of the delays, (m, k, 7), by sound speed, rotations about x, y, z and shifts of the array.

    The place has shape (3, m), the point that the rotations leave, relative to the centre, (m or 1, 3).
    """
    c, source = problem.sound_speed, place.T
    hydrophones = np.moveaxis(problem.hydrophones, -1, 0).swapaxes(1, 2)
    unit = unit_vectors_to_source(hydrophones, source)
    lever = hydrophones if pivot is None else hydrophones - pivot[:, None]
    by_speed = -spherical_time(hydrophones, source, c)[..., None]
    by_rotation = -np.cross(np.broadcast_to(lever, unit.shape), unit)
    differences = difference_matrix(hydrophones.shape[1], problem.reference)
    return differences @ np.concatenate([by_speed, by_rotation, -unit], axis=-1) / c[:, None, None]


def descend(problem: PositionProblem, start: Floats) -> Floats:
    """Levenberg steps from starts (3, m)."""
    return levenberg(problem, start, evaluate, _move, give_up=_beyond_observation)


def _beyond_observation(
    problem: PositionProblem, place: Floats, normal: Floats, step: Floats, gain: Floats
) -> NDArray[np.bool_]:
    """Where a position is on its way to be refused: its sd is many times its distance and it would not come nearer.

    The delays are nearly linear in the inverse of the distance. Where that inverse is small beside its standard
    deviation, and the step leads outwards or is small itself, the end of the way is unobserved as well, and the steps
    there, each a little further out, are the longest ways of all.
    """
    distance_squared = np.einsum("dm,dm->m", place, place)
    outward = np.einsum("dm,dm->m", step, place) > 0.0
    still = (gain < 1e-3) | (outward & (gain < 1.0))
    lost = still & (distance_squared > (2.0 * problem.radius) ** 2)
    (a, b, c), (_, d, e), (_, _, f) = normal
    minors = a * d - b * b + a * f - c * c + d * f - e * e
    determinant = a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d)
    # The trace of the inverse is the sum of the three variances.
    return lost & (minors > _LOST**2 * distance_squared * np.maximum(determinant, 0.0))


def _move(problem: PositionProblem, place: Floats, step: Floats) -> Floats:
    """Near the array straight on; far from it linear in the inverse of the distance, as delays are."""
    distance = np.sqrt(np.einsum("dm,dm->m", place, place)) + 1e-12
    outward = np.einsum("dm,dm->m", step, place) / distance**2
    turned = place * (1.0 - outward) + step
    length = np.sqrt(np.einsum("dm,dm->m", turned, turned)) + 1e-12
    reach = np.minimum(distance / np.clip(1.0 - outward, 0.1, 10.0), FARTHEST * problem.radius)
    stride = np.sqrt(np.einsum("dm,dm->m", step, step)) / (10.0 * problem.radius)
    straight = place + step / np.maximum(stride, 1.0)
    return np.where(distance > 2.0 * problem.radius, turned * (reach / length), straight)


def fit(problem: PositionProblem) -> tuple[Floats, NDArray[np.bool_]]:
    """Positions (3, m) of least misfit, and where a second position fits as well, (m,)."""
    starts: list[Floats] = []
    twin = np.zeros(problem.delay.shape[-1], dtype=bool)
    k, known_depth = len(problem.delay), problem.depth is not None
    if problem.rank == 3 and k >= 3:
        hydrophones = np.moveaxis(problem.hydrophones, -1, 0).swapaxes(1, 2)
        weights, differences = problem.whitener / problem.sound_speed, problem.delay * problem.sound_speed
        starts += list(closed_form(differences, weights, hydrophones, problem.reference))
        if k == 3 and not known_depth:
            twin = np.any(np.abs(starts[0] - starts[1]) > 1e-3 * problem.radius, axis=0)
    if known_depth and problem.rank >= 2:
        starts += [unit * _depth_crossing(problem, unit) for unit in _bearing_sides(problem)]
    place = descend(problem, _best(problem, starts)) if starts else _fit_along_bearing(problem)
    # A misfit that noise does not explain may be a wrong valley: look elsewhere as well.
    dof = max(k - 3 + known_depth, 1)
    searches = (_fit_far_out, _fit_along_bearing, _fit_all_around) if known_depth else (_fit_along_bearing, _fit_all_around)
    for search in searches:
        doubtful = np.flatnonzero(misfit(problem, place) > dof + 6.0 * np.sqrt(2.0 * dof) + 15.0)
        if doubtful.size == 0:
            break
        part = problem.subset(doubtful)
        place[:, doubtful] = _best(part, [place[:, doubtful], search(part)])
    return place, twin


def _best(problem: PositionProblem, places: list[Floats]) -> Floats:
    """The place of least misfit in each trial; on a tie, as between mirror images, the first."""
    if len(places) == 1:
        return places[0]
    best, least = places[0], misfit(problem, places[0])
    for other in places[1:]:
        cost = misfit(problem, other)
        better = cost < least * (1.0 - 1e-9) - 1e-6
        best, least = np.where(better, other, best), np.where(better, cost, least)
    return best


def _fit_along_bearing(problem: PositionProblem) -> Floats:
    """The best of fits, one for each side the array cannot tell, from the best of several distances."""
    fits = []
    for unit in _bearing_sides(problem):
        starts = [unit * (factor * problem.radius) for factor in TRIED_DISTANCES]
        if problem.depth is not None:
            starts.append(unit * _depth_crossing(problem, unit))
        fits.append(descend(problem, _best(problem, starts)))
        if problem.rank == 2 and problem.depth is None:
            break  # the other side is an exact mirror image
    return _best(problem, fits)


def _fit_far_out(problem: PositionProblem) -> Floats:
    """The best of fits from far out at the known depth, one for each side the array cannot tell.

    The ray to a source much farther off than deep is tilted upwards by noise as often as not: it meets the depth
    nowhere, and no way leads from close to the array to such a source. From far out the way inwards is short, as it is
    linear in the inverse of the distance.
    """
    fits = []
    for unit in _bearing_sides(problem):
        start = unit * (_far(problem) / np.maximum(np.hypot(unit[0], unit[1]), 1e-9))
        start[2] = np.asarray(problem.depth)
        fits.append(descend(problem, start))
    return _best(problem, fits)


def _fit_all_around(problem: PositionProblem) -> Floats:
    """The best of fits from the better ones of places in 26 directions at three distances."""
    corners = np.array([c for c in product((-1.0, 0.0, 1.0), repeat=3) if any(c)])
    directions = corners / np.linalg.norm(corners, axis=-1, keepdims=True)
    tried = np.concatenate([distance * directions for distance in (0.4, 1.2, 4.0)])
    m = problem.delay.shape[-1]
    cost = np.stack([misfit(problem, np.multiply.outer(t, problem.radius * np.ones(m))) for t in tried])
    order = np.argsort(cost, axis=0)[:4]
    return _best(problem, [descend(problem, tried[rank].T * problem.radius) for rank in order])


def _depth_crossing(problem: PositionProblem, unit: Floats) -> Floats:
    """Distance, shape (m,), at which rays of direction (3, m) meet the known depth, within reason."""
    down = np.where(np.abs(unit[2]) < 1e-6, 1e-6, unit[2])
    crossing = np.asarray(problem.depth) / down
    return np.clip(crossing, 0.1 * problem.radius, _far(problem))


def _far(problem: PositionProblem) -> Floats:
    """A distance, shape (m or 1,), at which the wave is hardly curved for the array."""
    return 10.0 * TRIED_DISTANCES[-1] * problem.radius


def _bearing_sides(problem: PositionProblem) -> list[Floats]:
    """Unit vectors (3, m) of a plane wave: both sides of the widest plane, or four around a line's axis."""
    hydrophones = np.moveaxis(problem.hydrophones, -1, 0).swapaxes(1, 2)
    axes = np.linalg.svd(hydrophones, full_matrices=True)[2]  # (m or 1, 3, 3), rows
    r = min(problem.rank, 2)
    whitener = problem.whitener[None] if problem.whitener.ndim == 2 else np.moveaxis(problem.whitener, -1, 0)
    baselines = difference_matrix(hydrophones.shape[1], problem.reference) @ hydrophones @ transposed(axes[:, :r])
    design = -(whitener @ baselines) / problem.sound_speed[:, None, None]
    design = np.moveaxis(design, 0, -1)
    normal = np.einsum("kim,kjm->ijm", design, design)
    cosines = solve_positive(normal, np.einsum("kim,km->im", design, problem.observed))
    cosines = cosines / np.maximum(np.sqrt(np.einsum("dm,dm->m", cosines, cosines)), 1.0)
    along = apply(trailing(transposed(axes[:, :r])), cosines)
    # Never quite in the plane: there the delays do not change to first order, and no step would leave it.
    across = np.sqrt(np.maximum(1.0 - np.einsum("dm,dm->m", cosines, cosines), 0.01))
    first, second = axes[:, 1].T, axes[:, 2].T
    if problem.rank >= 2:
        down = second * np.where(second[2] < 0.0, -1.0, 1.0)
        return [along + across * down, along - across * down]
    tilted = [first + 0.3 * second, -first + 0.3 * second, second + 0.3 * first, -second + 0.3 * first]
    return [along + across * offset / np.hypot(1.0, 0.3) for offset in tilted]
