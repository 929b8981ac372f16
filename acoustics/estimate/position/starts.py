"""Where the fit of a position starts, and where else it looks when what it found fits badly.

Trials run along the last axis, as in `position_fit`.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import apply, solve_positive, trailing, transposed
from acoustics.estimate.position.closed_form import closed_form
from acoustics.estimate.position.iterative_fit import PositionProblem, descend, misfit
from acoustics.estimate.position.posterior import Distances
from acoustics.physics.direct_rays import direct_rays
from acoustics.physics.ray_depth import ray_range
from acoustics.physics.tdoa import difference_matrix

# Distances tried along a bearing, in units of the array's radius.
TRIED_DISTANCES = np.array([0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0])
_WELL_OFF = np.array([[10.0], [20.0], [40.0], [80.0], [160.0], [320.0]])  # the same along bent rays to a known depth
# Of the logarithm of the distances that are possible, where other places that fit are looked for.
TRIED_PARTS = (0.1, 0.5, 0.9)


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
    dof = max(k - 3 + known_depth, 0)
    for search in (_fit_along_bearing, _fit_far_out, _fit_all_around):
        doubtful = np.flatnonzero(misfit(problem, place) > dof + 6.0 * np.sqrt(2.0 * dof) + 15.0)
        if doubtful.size == 0:
            break
        part = problem.subset(doubtful)
        place[:, doubtful] = _best(part, [place[:, doubtful], search(part)])
    return place, twin


def other_starts(problem: PositionProblem, distances: Distances) -> list[Floats]:
    """Places (3, m) from which fits may lead to others that fit: along the bearing, near, between and far."""
    sides = _bearing_sides(problem)[: 1 if problem.rank == 2 and problem.depth is None else None]
    near = np.maximum(distances.nearest_m, problem.radius)
    span = np.maximum(distances.farthest_m / near, 1.0)
    starts = [unit * (near * span**part) for unit in sides for part in TRIED_PARTS]
    if problem.rank == 3 and len(problem.delay) == 3:
        hydrophones = np.moveaxis(problem.hydrophones, -1, 0).swapaxes(1, 2)
        weights, differences = problem.whitener / problem.sound_speed, problem.delay * problem.sound_speed
        starts += list(closed_form(differences, weights, hydrophones, problem.reference))
    return starts


def lower_side(problem: PositionProblem, place: Floats) -> Floats:
    """Places (3, m), those of a plane array's upper side mirrored to its lower one where no depth tells which it is."""
    if problem.rank != 2 or problem.depth is not None:
        return place
    normal = np.linalg.svd(np.moveaxis(problem.hydrophones, -1, 0).swapaxes(1, 2), full_matrices=True)[2][:, 2].T
    height = np.einsum("dm,dm->m", np.broadcast_to(normal, place.shape), place) * np.where(normal[2] < 0.0, -1.0, 1.0)
    return place - 2.0 * np.minimum(height, 0.0) * normal * np.where(normal[2] < 0.0, -1.0, 1.0)


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


def _best_fit(problem: PositionProblem, starts: list[Floats]) -> Floats:
    """The best of fits from several starts (3, m), all of them in one batch."""
    m = problem.delay.shape[-1]
    fits = descend(problem.subset(np.tile(np.arange(m), len(starts))), np.concatenate(starts, axis=-1))
    return _best(problem, np.split(fits, len(starts), axis=-1))


def _fit_along_bearing(problem: PositionProblem) -> Floats:
    """The best of fits, one for each side the array cannot tell, from the best of several distances."""
    starts = []
    for unit in _bearing_sides(problem):
        tried = [unit * (factor * problem.radius) for factor in TRIED_DISTANCES]
        if problem.depth is not None:
            tried.append(unit * _depth_crossing(problem, unit))
        starts.append(_best(problem, tried))
        if problem.rank == 2 and problem.depth is None:
            break  # the other side is an exact mirror image
    return _best_fit(problem, starts)


def _fit_far_out(problem: PositionProblem) -> Floats:
    """The best of fits from far out, at the known depth if there is one; one for each side the array cannot tell.

    The ray to a source much farther off than deep is tilted upwards by noise as often as not: it meets the depth
    nowhere, and no way leads from close to the array to such a source. From far out the way inwards is short, as it is
    linear in the inverse of the distance.
    """
    starts = []
    for unit in _bearing_sides(problem):
        level = unit / np.maximum(np.hypot(unit[0], unit[1]), 1e-9)
        if problem.profile is not None:  # far out rays have turned so often that no way leads inwards
            start = _best(problem, [_seen_at_depth(problem, level * far) for far in problem.radius * _WELL_OFF])
        else:
            start = level * _far(problem)
            if problem.depth is not None:
                start[2] = problem.depth
        starts.append(start)
    return _best_fit(problem, starts)


def _seen_at_depth(problem: PositionProblem, place: Floats) -> Floats:
    """Where sources at the known depth seem to be, straight above or below places (3, m)."""
    if problem.profile is None or problem.depth is None:
        return place
    receiver = np.zeros(place.shape)
    receiver[2] = problem.origin_depth
    source = place.copy()
    source[2] = problem.origin_depth + problem.depth
    return (direct_rays(problem.profile, receiver.T, source.T, search=False).apparent_m.T) - receiver


def _fit_all_around(problem: PositionProblem) -> Floats:
    """The best of fits from the better ones of places in 26 directions at three distances."""
    corners = np.array([c for c in product((-1.0, 0.0, 1.0), repeat=3) if any(c)])
    directions = corners / np.linalg.norm(corners, axis=-1, keepdims=True)
    tried = np.concatenate([distance * directions for distance in (0.4, 1.2, 4.0)])
    m = problem.delay.shape[-1]
    cost = np.stack([misfit(problem, np.multiply.outer(t, problem.radius * np.ones(m))) for t in tried])
    order = np.argsort(cost, axis=0)[:4]
    return _best_fit(problem, [tried[rank].T * problem.radius for rank in order])


def _depth_crossing(problem: PositionProblem, unit: Floats) -> Floats:
    """Distance, shape (m,), at which rays of direction (3, m) meet the known depth, within reason."""
    if problem.profile is None:
        crossing = np.asarray(problem.depth) / np.where(np.abs(unit[2]) < 1e-6, 1e-6, unit[2])
    else:
        across = np.maximum(np.hypot(unit[0], unit[1]), 1e-6)
        depth = problem.origin_depth + np.asarray(problem.depth)
        crossing = ray_range(problem.profile, problem.origin_depth, unit[2] / across, depth) / across
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
