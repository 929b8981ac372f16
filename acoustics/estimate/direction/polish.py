"""The fit of a direction on the unit sphere, from starts near its minima: Newton's method with exact derivatives.

Trials run along the last axis here, which makes numpy's work on batches several times faster.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import (
    NEAR_MINIMUM,
    Indices,
    apply,
    levenberg,
    normal_equations,
    pick,
    pick_of_each,
    trailing,
)
from acoustics.base.record import record
from acoustics.estimate.direction.fit import DirectionProblem, as_plane_wave, closed_form

_CONE_STEPS = 4  # each shrinks what curvature leaves by the array's size over the distance
_ONE = 1e-5  # starts so near each other lead to one minimum [rad]


def polish(problem: DirectionProblem, starts: Floats) -> Floats:
    """The minima of the fit that starts of shape (m, 2, 3) lead to."""
    if problem.rank == 1:
        # The closed form is the minimum for a plane wave. The curvature is the same all round the cone.
        for _ in range(_CONE_STEPS if problem.range_m is not None else 0):
            starts = closed_form(as_plane_wave(problem, starts[:, 0]))
        return starts
    m, two = len(starts), np.flatnonzero(np.linalg.norm(starts[:, 1] - starts[:, 0], axis=-1) > _ONE)
    each = _Wave.of(problem).subset(np.concatenate([np.arange(m), two]))
    found = levenberg(each, np.concatenate([starts[:, 0], starts[two, 1]]).T, _evaluate, _move).T
    minima = np.repeat(found[:m, None], 2, axis=1)
    minima[two, 1] = found[m:]
    return minima


@record
class _Wave:
    """A batch of m trials; where one value serves all of them its last axis has length 1, and matrices have none."""

    observed: Floats  # (k, m), whitened delays
    projector: Floats  # (k, n) or (k, n, m), from lengths of paths to whitened delays
    range_m: Floats | None  # (m or 1,); a plane wave without
    hydrophones: Floats  # (n, 3)

    @classmethod
    def of(cls, problem: DirectionProblem) -> _Wave:
        whitener = trailing(problem.whitener)
        projector = trailing(problem.whitener @ problem.differences / problem.sound_speed[:, None, None])
        observed = apply(whitener, np.ascontiguousarray(problem.delay.T))
        return cls(observed, projector, problem.range_m, problem.hydrophones)

    def subset(self, rows: Indices) -> _Wave:
        """Some of the trials, in the given order; rows may repeat."""
        return replace(
            self,
            observed=pick(self.observed, rows),
            projector=self.projector if self.projector.ndim == 2 else pick(self.projector, rows),
            range_m=None if self.range_m is None else pick_of_each(self.range_m, rows),
        )

    def paths(self, axes: Floats) -> tuple[Floats, Floats]:
        """Of directions and two tangents `axes`, (3, 3, m): lengths of the paths and their derivatives along both
        tangents, (n, 3, m) [m], and the second derivatives by the first, the second, and both, (n, 3, m) [m]."""
        second = np.zeros((len(self.hydrophones), 3, axes.shape[-1]))
        if self.range_m is None:
            path = -np.einsum("nd,adm->nam", self.hydrophones, axes)
            second[:, :2] = -path[:, :1]
            return path, second
        apart = self.range_m * axes[0] - self.hydrophones[..., None]
        length = np.sqrt(np.einsum("ndm,ndm->nm", apart, apart))
        cosine = np.einsum("ndm,adm->nam", apart, axes) / np.maximum(length, 1e-300)[:, None]
        path = self.range_m * cosine
        # Of a length by the source's place: what is square to the path, over the length. And the sphere bends away.
        round_m = self.range_m**2 / np.maximum(length, 1e-300)
        second[:, :2] = round_m[:, None] * (1.0 - cosine[:, 1:] ** 2) - path[:, :1]
        second[:, 2] = -round_m * cosine[:, 1] * cosine[:, 2]
        path[:, 0] = length
        return path, second


def _evaluate(wave: _Wave, unit: Floats) -> tuple[Floats, Floats, Floats]:
    """Chi-square of directions (3, m), its information and gradient along their tangents, as `levenberg` takes them.

    Far from a minimum the information counts how the sphere bends: along a great circle the delays of a plane wave
    have the second derivative of a cosine, minus themselves. Without it wrong integers that fit badly take many times
    the steps. Near one it is exact, second derivatives of the delays included, for which two steps are enough.
    """
    path, second = wave.paths(np.stack([unit, *_tangents(unit)]))
    weighted = apply(wave.projector, path)
    residual, jacobian = wave.observed - weighted[:, 0], -weighted[:, 1:]
    normal, gradient = normal_equations(residual, jacobian)
    exact = normal[[0, 1, 0], [0, 1, 1]] - np.einsum(
        "nm,nhm->hm", apply(wave.projector.swapaxes(0, 1), residual), second
    )
    determinant = exact[0] * exact[1] - exact[2] ** 2
    promise = exact[1] * gradient[0] ** 2 + exact[0] * gradient[1] ** 2 - 2.0 * exact[2] * gradient[0] * gradient[1]
    near = (exact[0] > 0.0) & (determinant > 0.0) & (promise < NEAR_MINIMUM * determinant)
    half = 0.5 * np.hypot(normal[0, 0] - normal[1, 1], 2.0 * normal[0, 1])
    least = 0.5 * (normal[0, 0] + normal[1, 1]) - half
    bend = np.einsum("km,km->m", residual, weighted[:, 0])
    normal[[0, 1], [0, 1]] += np.maximum(bend, -0.9 * least)  # which leaves it positive definite
    information = np.where(near, exact[[[0, 2], [2, 1]]], normal)
    return np.einsum("km,km->m", residual, residual), information, gradient


def _tangents(unit: Floats) -> tuple[Floats, Floats]:
    """Unit vectors along bearing and depression at directions (3, m); straight up or down the bearing is 0."""
    level = np.hypot(unit[0], unit[1])
    cosine, sine = np.where(level > 0.0, unit[:2], [[1.0], [0.0]]) / np.where(level > 0.0, level, 1.0)
    along_bearing = np.stack([-sine, cosine, np.zeros(len(level))])
    return along_bearing, np.stack([-unit[2] * cosine, -unit[2] * sine, level])


def _move(wave: _Wave, unit: Floats, step: Floats) -> Floats:
    """Along the tangents and back to the sphere, by one radian at most."""
    short = step / np.maximum(np.hypot(step[0], step[1]), 1.0)
    one, other = _tangents(unit)
    moved = unit + one * short[0] + other * short[1]
    return np.asarray(moved / np.sqrt(np.einsum("dm,dm->m", moved, moved)))
