"""Time differences as a function of the source's position, and their fit by Levenberg steps from a start.

Trials run along the last axis here, which makes numpy's work on batches several times faster.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import (
    NEAR_MINIMUM,
    Descent,
    Indices,
    apply,
    levenberg,
    normal_equations,
    pick,
    pick_of_each,
    trailing,
)
from acoustics.base.record import record
from acoustics.physics.ray_depth import ray_depth
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix, spherical_time, unit_vectors_to_source

# From this many times its distance on, the sd of a position leaves no doubt that it is not observed.
_LOST = 5.0
# Beyond this many radii the curvature of the wave is below what any delay shows.
FARTHEST = 1e5
_DIAGONAL = np.arange(3), np.arange(3)
# A thirty-thousandth of a standard deviation. Less is rounding where a known depth is exact: steps then lead nowhere.
_DESCENT = Descent(settled=1e-9)
_STRAIGHT_DOWN_M = 1e-6  # across; rays that are steeper are taken for as flat


@record
class PositionProblem:
    """A batch of m trials, already checked. Origin: the centre of the array.

    Where one value serves all trials, its last axis has length 1, and the matrices have no such axis.

    With a profile places are where sources seem to be along straight lines, as far off: delays are of these, and where
    a source is follows along its ray (`sources`), which has one end where a source may have several rays, or none.
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
    profile: SoundSpeedProfile | None  # of water that bends the direct ray
    origin_depth: Floats  # (m or 1,), as the profile's depths

    def subset(self, rows: Indices) -> PositionProblem:
        """Some of the trials, in the given order; rows may repeat."""
        return replace(
            self,
            delay=pick(self.delay, rows),
            whitener=self.whitener if self.whitener.ndim == 2 else pick(self.whitener, rows),
            sound_speed=pick_of_each(self.sound_speed, rows),
            hydrophones=pick_of_each(self.hydrophones, rows),
            depth=None if self.depth is None else pick_of_each(self.depth, rows),
            depth_sd=None if self.depth_sd is None else pick_of_each(self.depth_sd, rows),
            observed=pick(self.observed, rows),
            projector=self.projector if self.projector.ndim == 2 else pick(self.projector, rows),
            radius=pick_of_each(self.radius, rows),
            origin_depth=pick_of_each(self.origin_depth, rows),
        )


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
    profile: SoundSpeedProfile | None,
    origin_depth: Floats,
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
        profile=profile,
        origin_depth=origin_depth,
    )


def _projector(weights: Floats, differences: Floats, sound_speed: Floats) -> Floats:
    """From distances to whitened delays, (k, n) or (k, n, m)."""
    if weights.ndim == 2 and len(sound_speed) == 1:
        return np.einsum("ij,jn->in", weights, differences) / sound_speed
    return np.einsum("ijm,jn->inm", weights.reshape(*weights.shape[:2], -1), differences) / sound_speed


def evaluate(problem: PositionProblem, place: Floats) -> tuple[Floats, Floats]:
    """Residuals in standard deviations, (k or with a depth k + 1, m), and their derivative by the place."""
    return _residuals(problem, place, _paths(problem, place))


def _paths(problem: PositionProblem, place: Floats) -> Floats:
    """Distance of each hydrophone [m] and unit vector from it to the place, (n, 4, m).

    The model is that of `acoustics.physics.tdoa`, with distances and unit vectors from one pass.
    """
    separation, distance = _from_hydrophones(problem, place)
    paths = np.empty((len(distance), 4, distance.shape[-1]))
    paths[:, 0] = distance
    np.multiply(separation.swapaxes(0, 1), (1.0 / np.maximum(distance, 1e-300))[:, None], out=paths[:, 1:])
    return paths


def _from_hydrophones(problem: PositionProblem, place: Floats) -> tuple[Floats, Floats]:
    """Way of the place from each hydrophone, (3, n, m), and its length, (n, m) [m]."""
    separation = place[:, None] - problem.hydrophones
    return separation, np.sqrt(np.einsum("dnm,dnm->nm", separation, separation))


def _residuals(problem: PositionProblem, place: Floats, paths: Floats) -> tuple[Floats, Floats]:
    """As `evaluate`."""
    weighted = apply(problem.projector, paths)
    if problem.depth is None or problem.depth_sd is None:
        return problem.observed - weighted[:, 0], -weighted[:, 1:]
    k = len(problem.observed)
    residual, jacobian = np.empty((k + 1, place.shape[-1])), np.zeros((k + 1, 3, place.shape[-1]))
    np.subtract(problem.observed, weighted[:, 0], out=residual[:k])
    depth, by_place = sources(problem.profile, problem.origin_depth, place)
    residual[k] = (problem.depth - depth) / problem.depth_sd
    np.negative(weighted[:, 1:], out=jacobian[:k])
    jacobian[k] = -by_place / problem.depth_sd
    return residual, jacobian


def sources(profile: SoundSpeedProfile | None, origin_depth: Floats, place: Floats) -> tuple[Floats, Floats]:
    """Depths (m,) from origins, themselves at depths (m or 1,), of sources that seem to be at places (3, m) from there,
    and how they move with these, (3, m).

    Across, a source is where it seems to be.
    """
    by_place = np.zeros(place.shape)
    by_place[2] = 1.0
    if profile is None:
        return place[2], by_place
    across = np.maximum(np.hypot(place[0], place[1]), _STRAIGHT_DOWN_M)
    tangent = place[2] / across
    ray = ray_depth(profile, origin_depth, tangent, across)
    by_place[:2] = (ray.by_across - ray.by_tangent * tangent / across) / across * place[:2]
    by_place[2] = ray.by_tangent / across
    return ray.depth_m - origin_depth, by_place


def misfit(problem: PositionProblem, place: Floats) -> Floats:
    """Sum of squared residuals, shape (m,)."""
    _, distance = _from_hydrophones(problem, place)
    residual = problem.observed - apply(problem.projector, distance)
    squares = np.einsum("km,km->m", residual, residual)
    if problem.depth is None or problem.depth_sd is None:
        return squares
    depth, _ = sources(problem.profile, problem.origin_depth, place)
    return squares + ((problem.depth - depth) / problem.depth_sd) ** 2


def information(problem: PositionProblem, place: Floats) -> tuple[Floats, Floats, Floats]:
    """Sum of squared residuals, (m,), information about the position, (3, 3, m) [1/m^2], gradient, (3, m) [1/m]."""
    residual, jacobian = evaluate(problem, place)
    return np.einsum("km,km->m", residual, residual), *normal_equations(residual, jacobian)


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
    return levenberg(problem, start, _nearly_exact, _move, give_up=_beyond_observation, descent=_DESCENT)


def _nearly_exact(problem: PositionProblem, place: Floats) -> tuple[Floats, Floats, Floats]:
    """As `information`, with the second derivatives of the delays near the minimum of a place that is observed.

    The nearer, the more the wave is curved: there steps without them each leave up to two thirds of the way.
    """
    paths = _paths(problem, place)
    residual, jacobian = _residuals(problem, place, paths)
    normal, gradient = normal_equations(residual, jacobian)
    # Of a distance they are what is square to the path, over it.
    pull = apply(problem.projector.swapaxes(0, 1), residual[: len(problem.observed)]) / np.maximum(paths[:, 0], 1e-300)
    exact = normal + np.einsum("nim,njm->ijm", pull[:, None] * paths[:, 1:], paths[:, 1:])
    exact[_DIAGONAL] -= pull.sum(axis=0)
    minors, determinant = _minors_and_determinant(exact)
    (a, b, c), (_, d, e), (_, _, f) = exact
    x, y, z = gradient
    promise = (d * f - e * e) * x * x + (a * f - c * c) * y * y + (a * d - b * b) * z * z
    promise += 2.0 * ((c * e - b * f) * x * y + (b * e - c * d) * x * z + (b * c - a * e) * y * z)
    near = (a > 0.0) & (a * d > b * b) & (determinant > 0.0) & (promise < NEAR_MINIMUM * determinant)
    near &= minors < np.einsum("dm,dm->m", place, place) * determinant
    return np.einsum("km,km->m", residual, residual), np.where(near, exact, normal), gradient


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
    minors, determinant = _minors_and_determinant(normal)
    return lost & (minors > _LOST**2 * distance_squared * np.maximum(determinant, 0.0))


def _minors_and_determinant(matrix: Floats) -> tuple[Floats, Floats]:
    """Sum of the principal minors and determinant of symmetric matrices (3, 3, m): the former over the latter is the
    trace of the inverse."""
    (a, b, c), (_, d, e), (_, _, f) = matrix
    minors = a * d - b * b + a * f - c * c + d * f - e * e
    return minors, a * (d * f - e * e) - b * (b * f - c * e) + c * (b * e - c * d)


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
