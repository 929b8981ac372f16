"""Time differences as a function of direction, for a plane wave or a known range, and the fit on the unit sphere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.batches import fill_gaps, flat, positive_flat, rows_of
from acoustics.base.errors import ParameterError
from acoustics.base.frames import (
    Floats,
    array_rank,
    bearing_and_depression,
    direction,
    direction_jacobian,
    length,
    principal_axes,
    wrap_angle,
)
from acoustics.base.least_squares import Indices, inverse_factor, solve_positive
from acoustics.base.record import record
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import (
    difference_matrix,
    element_covariance,
    plane_wave_time,
    spherical_wave,
)


@record
class DirectionProblem:
    """A flat batch of m trials, already checked; one row serves all trials where m may be 1."""

    delay: Floats  # (m, k)
    covariance: Floats  # (m or 1, k, k), with that of the hydrophones' positions
    whitener: Floats  # (m or 1, k, k)
    sound_speed: Floats  # (m or 1,)
    range_m: Floats | None  # (m or 1,)
    hydrophones: Floats  # (n, 3)
    differences: Floats  # (k, n)
    rank: int
    axes: Floats  # (3, 3), rows; the last is the normal of a plane
    depression: float

    def subset(self, rows: Indices) -> DirectionProblem:
        """Some of the trials, in the given order; rows may repeat."""
        return replace(
            self,
            delay=self.delay[rows],
            covariance=rows_of(self.covariance, rows),
            whitener=rows_of(self.whitener, rows),
            sound_speed=rows_of(self.sound_speed, rows),
            range_m=None if self.range_m is None else rows_of(self.range_m, rows),
        )

    def with_covariance(self, covariance: Floats) -> DirectionProblem:
        """The same with another covariance of the delays, shape (m or 1, k, k)."""
        return replace(self, covariance=covariance, whitener=inverse_factor(covariance))


def prepare(
    delays: Tdoa,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    *,
    range_m: ArrayLike | None,
    element_sd_m: ArrayLike,
    assumed_depression: float,
) -> tuple[DirectionProblem, NDArray[np.bool_]]:
    """Check the arguments and lay the batch out flat; also tell which trials are whole, shape (m,)."""
    hydrophones = np.asarray(hydrophones_m, dtype=float)
    n, k = delays.n_hydrophones, delays.n_hydrophones - 1
    if hydrophones.shape != (n, 3) or not np.isfinite(hydrophones).all():
        raise ParameterError(
            f"hydrophones_m has shape {hydrophones.shape}: expected ({n}, 3) finite values for {k} delays"
        )
    rank = array_rank(hydrophones)
    if rank == 0:
        raise ParameterError("hydrophones_m: all hydrophones are at one place, which observes no direction")
    if not abs(assumed_depression) <= np.pi / 2 + 1e-9:  # the mean of a right angle may round to more
        raise ParameterError(f"assumed_depression={assumed_depression}: expected between -pi/2 and pi/2")
    batch = delays.tdoa_s.shape[:-1]
    delay, covariance, finite = fill_gaps(delays.tdoa_s.reshape(-1, k), flat(delays.covariance_s2, batch, (k, k)))
    speed = positive_flat("sound_speed_m_s", sound_speed_m_s, batch)
    elements = element_covariance(element_sd_m, n, delays.reference)
    covariance = covariance + elements / speed[:, None, None] ** 2
    problem = DirectionProblem(
        delay=delay,
        covariance=covariance,
        whitener=inverse_factor(covariance),
        sound_speed=speed,
        range_m=None if range_m is None else positive_flat("range_m", range_m, batch),
        hydrophones=hydrophones,
        differences=difference_matrix(n, delays.reference),
        rank=rank,
        axes=_oriented_axes(hydrophones, rank),
        depression=assumed_depression,
    )
    return problem, finite


def _oriented_axes(hydrophones: Floats, rank: int) -> Floats:
    """Principal axes as rows, with signs that fix the order of the candidates.

    The normal of a plane points down (a vertical plane: forward, else to starboard), the axis of a line
    forward (a line along y: to port).
    """
    axes = principal_axes(hydrophones)
    row, order = (2, ((2, 1.0), (0, 1.0), (1, 1.0))) if rank > 1 else (0, ((0, 1.0), (1, -1.0), (2, 1.0)))
    sign = next(s * np.sign(axes[row, i]) for i, s in order if abs(axes[row, i]) > 1e-6)
    axes[row] *= sign
    return axes


def model(problem: DirectionProblem, unit: Floats) -> tuple[Floats, Floats]:
    """Time differences (m, k) for directions (m, 3), and their derivative by the direction (m or 1, k, 3)."""
    c = problem.sound_speed
    if problem.range_m is None:
        time = plane_wave_time(problem.hydrophones, unit, c)
        by_unit = -(problem.differences @ problem.hydrophones) / c[:, None, None]
    else:
        distance = problem.range_m[:, None]
        time, to_source = spherical_wave(problem.hydrophones, distance * unit, c)
        by_unit = problem.differences @ to_source * (distance[..., None] / c[:, None, None])
    return time @ problem.differences.T, by_unit


def curvature_delay(problem: DirectionProblem, unit: Floats) -> Floats:
    """Time differences (m, k) of the spherical wave less those of a plane one, for directions (m, 3); 0 where plane."""
    if problem.range_m is None:
        return np.zeros_like(problem.delay)
    return model(problem, unit)[0] - model(replace(problem, range_m=None), unit)[0]


def as_plane_wave(problem: DirectionProblem, unit: Floats) -> DirectionProblem:
    """The problem with the curvature of a wave from directions (m, 3) taken off the delays."""
    return replace(problem, delay=problem.delay - curvature_delay(problem, unit), range_m=None)


def cosines(problem: DirectionProblem) -> tuple[Floats, Floats]:
    """Least-squares components of the direction along the array's axes, (m, r), and their covariance.

    For a plane wave. Only the r axes that the hydrophones span are observed.
    """
    r = problem.rank
    baselines = problem.differences @ problem.hydrophones @ problem.axes[:r].T
    # Trials last: several times faster than a product and an inverse of each tiny matrix by itself.
    whitener = np.moveaxis(problem.whitener, 0, -1)
    design = -np.einsum("ijm,jr->irm", whitener, baselines) / problem.sound_speed
    normal = np.einsum("kim,kjm->ijm", design, design)
    covariance = solve_positive(normal, np.broadcast_to(np.eye(r)[..., None], normal.shape))
    right = np.einsum("kim,km->im", design, np.einsum("ijm,mj->im", whitener, problem.delay))
    return np.einsum("ijm,jm->mi", covariance, right), np.moveaxis(covariance, -1, 0)


def closed_form(problem: DirectionProblem) -> Floats:
    """Directions of a plane wave, shape (m, 2, 3): both sides of the plane of the widest axes, or of a line."""
    observed, _ = cosines(problem)
    if problem.rank == 1:
        return _directions_on_cone(problem, observed[:, 0])
    in_plane = observed[:, :2]
    reach = length(in_plane)[..., None]
    in_plane = in_plane / np.maximum(reach, 1.0)
    out = np.sqrt(np.maximum(1.0 - np.minimum(reach, 1.0) ** 2, 0.0))
    sides = np.stack([out, -out], axis=1) * problem.axes[2]
    units = (in_plane @ problem.axes[:2])[:, None, :] + sides
    return units / length(units)[..., None]


def _directions_on_cone(problem: DirectionProblem, cosine: Floats) -> Floats:
    """The two directions, shape (m, 2, 3), at the assumed depression that lie on the cone, or nearest it."""
    azimuth, tilt = bearing_and_depression(problem.axes[0])
    d = problem.depression
    level = np.cos(tilt) * np.cos(d)
    ratio = (cosine - np.sin(tilt) * np.sin(d)) / max(float(level), 1e-9)
    turn = np.arccos(np.clip(ratio, -1.0, 1.0))
    return direction(wrap_angle(azimuth + np.stack([turn, -turn], axis=-1)), d)


def tangents(problem: DirectionProblem, unit: Floats) -> Floats:
    """Unit tangents (m, 3, 2) along bearing and depression; for a line along the bearing only."""
    bearing, depression = bearing_and_depression(unit)
    basis = direction_jacobian(bearing, depression)
    if problem.rank == 1:
        return basis[..., :1]
    # The derivative by bearing shrinks towards the zenith; its direction does not.
    basis[..., 0, 0], basis[..., 1, 0] = -np.sin(bearing), np.cos(bearing)
    return basis


def chi_square(problem: DirectionProblem, units: Floats) -> Floats:
    """Weighted sums of squared residuals, shape (m, n_candidates)."""
    sums = []
    for i in range(units.shape[1]):
        delay, _ = model(problem, units[:, i])
        residual = np.einsum("mij,mj->mi", problem.whitener, problem.delay - delay)
        sums.append(np.sum(residual**2, axis=-1))
    return np.stack(sums, axis=-1)
