"""What `pingfix place` judges an array by: bearing error, mirror images and wrong cycles over directions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from acoustics.accuracy.ambiguity import cycle_ambiguity
from acoustics.accuracy.bounds import bearing_bound
from acoustics.accuracy.cycle_mistakes import beyond_the_surface
from acoustics.accuracy.cycle_model import cycle_model
from acoustics.accuracy.information import independent_variance
from acoustics.geometry import Floats, bearing_and_depression, direction, wrap_angle
from acoustics.physics.integer_basis import reduced_basis
from acoustics.scene.mounting import Mounting
from acoustics.scene.shadow import Bools
from acoustics.study.statistics import BEARING_GUESS_SD

_ROWS = 20_000  # arrays times directions worked on together, for the memory
_NO_WIDTH = 1e-6  # part of the widest spread that is none, as `array_rank` has it, squared
_SHORTEST_SETS, _ROUGH_DIRECTIONS = 48, 8


@dataclass(frozen=True)
class Criterion:
    """How good arrays are towards directions, for one link; the arrays have shape (n_arrays, n_hydrophones, 3) [m].

    `bearing` and `depression`, shape (n_directions,), are in the body frame [rad]; the source is `range_m` from its
    origin, which decides what is in shadow. `worst`: judge by the worst direction, else by the mean over them.
    """

    bearing: Floats
    depression: Floats
    range_m: float
    worst: bool
    frequency_hz: float
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    carrier_variance_s2: float
    envelope_variance_s2: float
    skew_sd_s: float
    mounting: Mounting

    def heard(self, arrays_m: Floats) -> Bools:
        """Which hydrophones hear which directions, shape (n_arrays, n_directions, n_hydrophones)."""
        return self.mounting.hears(arrays_m, self.range_m * direction(self.bearing, self.depression))

    def errors(self, arrays_m: Floats) -> Floats:
        """Bearing error with the right cycle [rad], shape (n_arrays, n_directions): never above that of a guess.

        The Cramer-Rao bound, or where that is more the error from the mirror image in the plane of a flat array. A
        hydrophone in the shadow hears nothing.
        """
        return np.concatenate([self._errors(part) for part in self._chunks(arrays_m)])

    def wrong_cycles(self, arrays_m: Floats) -> Floats:
        """Probability of a wrong cycle by `cycle_ambiguity`, shape (n_arrays, n_directions).

        Zero where fewer than two hydrophones hear: there is no cycle then, nor a bearing.
        """
        fine, coarse = self._arrival_variances()
        heard = self.heard(arrays_m)
        probability = np.zeros(heard.shape[:2])
        for k, (points, clear) in enumerate(zip(arrays_m, heard, strict=True)):
            for pattern in np.unique(clear, axis=0):
                if pattern.sum() >= 2:
                    at = (clear == pattern).all(axis=-1)
                    probability[k, at] = cycle_ambiguity(
                        points[pattern],
                        self.bearing[at],
                        self.depression[at],
                        self.sound_speed_m_s,
                        frequency_hz=self.frequency_hz,
                        carrier_variance_s2=fine,
                        envelope_variance_s2=coarse,
                    ).wrong_probability
        return probability

    def wrong_cycles_roughly(self, arrays_m: Floats) -> Floats:
        """A quick guide to `wrong_cycle_figure` without shadows, shape (n_arrays,).

        The sum of Q(half the distance) over the shortest sets of cycles, for a few of the directions.
        """
        return np.concatenate([self._wrong_cycles_roughly(part) for part in self._chunks(arrays_m)])

    def error_figure(self, arrays_m: Floats) -> Floats:
        """The one number for the errors [rad], shape (n_arrays,): their worst or their RMS."""
        errors = self.errors(arrays_m)
        return errors.max(axis=-1) if self.worst else np.sqrt((errors**2).mean(axis=-1))

    def wrong_cycle_figure(self, arrays_m: Floats) -> Floats:
        """The one number for the wrong cycles, shape (n_arrays,): the worst or the mean probability."""
        return self._over_directions(self.wrong_cycles(arrays_m))

    def _over_directions(self, probability: Floats) -> Floats:
        return probability.max(axis=-1) if self.worst else probability.mean(axis=-1)

    def _chunks(self, arrays_m: Floats) -> Iterator[Floats]:
        step = max(1, _ROWS // len(self.bearing))
        return (arrays_m[i : i + step] for i in range(0, len(arrays_m), step))

    def _arrival_variances(self) -> tuple[float, float]:
        """Of the carrier with what else touches one channel, and of the envelope [s^2]."""
        own = independent_variance(
            np.array([self.carrier_variance_s2]),
            n_channels=1,
            sound_speed_m_s=self.sound_speed_m_s,
            element_sd_m=self.mounting.tolerance_m,
            skew_sd_s=self.skew_sd_s,
        )
        return float(own[0]), self.envelope_variance_s2

    def _errors(self, arrays_m: Floats) -> Floats:
        heard = self.heard(arrays_m)
        if not self.mounting.shadows:
            heard = heard[:, :1]  # alike in all directions, and so is what follows from it
        bound = bearing_bound(
            arrays_m[:, None],
            self.bearing,
            self.depression,
            self.sound_speed_m_s,
            arrival_variance_s2=np.where(heard, self.carrier_variance_s2, np.inf),
            element_sd_m=self.mounting.tolerance_m,
            skew_sd_s=self.skew_sd_s,
            sound_speed_sd_m_s=self.sound_speed_sd_m_s,
        )
        delay_sd_m = self.sound_speed_m_s * np.sqrt(self._arrival_variances()[0])
        mirrored = mirror_error(arrays_m[:, None], heard, self.bearing, self.depression, delay_sd_m)
        # Not their sum: near the plane of reflection the image is what noise makes of the pinger, and in the bound.
        return np.minimum(np.maximum(bound.bearing_sd, mirrored), BEARING_GUESS_SD)

    def _wrong_cycles_roughly(self, arrays_m: Floats) -> Floats:
        some = np.unique(np.linspace(0, len(self.bearing) - 1, _ROUGH_DIRECTIONS).astype(int))
        unit = direction(self.bearing[some], self.depression[some])
        spread = np.linalg.svd(arrays_m - arrays_m.mean(axis=-2, keepdims=True), compute_uv=False)
        ranks = (spread > np.sqrt(_NO_WIDTH) * spread[:, :1]).sum(axis=-1)
        result = np.ones(len(arrays_m))
        for rank in np.unique(ranks):
            of_rank = np.flatnonzero(ranks == rank)
            result[of_rank] = self._over_directions(self._sum_over_sets(arrays_m[of_rank], unit))
        return result

    def _sum_over_sets(self, arrays_m: Floats, unit: Floats) -> Floats:
        k, n = arrays_m.shape[:2]
        fine, coarse = self._arrival_variances()
        model = cycle_model(
            arrays_m,
            np.full(k, self.sound_speed_m_s),
            np.full(k, 1.0 / self.frequency_hz),
            np.full((k, n), fine),
            np.full((k, n), coarse),
        )
        basis = reduced_basis(model.metric)
        sets = np.stack(np.meshgrid(*[[-1, 0, 1]] * (n - 1), indexing="ij"), axis=-1).reshape(-1, n - 1)
        sets = sets[len(sets) // 2 + 1 :]  # one of each pair of opposites
        length = np.linalg.norm(sets @ np.linalg.cholesky(np.swapaxes(basis, -1, -2) @ model.metric @ basis), axis=-1)
        nearest = np.argsort(length, axis=-1)[:, :_SHORTEST_SETS]
        change = np.einsum("krm,ksm->ksr", model.cosines_per_cycle @ basis, sets[nearest])
        change = np.concatenate([change, -change], axis=1)[:, None]
        true = np.swapaxes(model.axes[:, : model.rank] @ unit.T, -1, -2)[:, :, None, :]
        cosines = (true + change).reshape(k, -1, model.rank)
        excess = beyond_the_surface(cosines, model.cosine_covariance)[0].reshape(k, len(unit), -1)
        outside = np.abs(excess) if model.rank == 3 else np.maximum(excess, 0.0)
        shortest = np.tile(np.take_along_axis(length, nearest, axis=-1), 2)[:, None]
        return np.minimum(ndtr(-np.hypot(shortest, outside) / 2).sum(axis=-1), 1.0)


def mirror_error(hydrophones_m: Floats, heard: Bools, bearing: Floats, depression: Floats, delay_sd_m: float) -> Floats:
    """Root mean square bearing error from taking the mirror image of a flat or straight array for the pinger [rad].

    Parameters
    ----------
    hydrophones_m : ndarray, shape (..., n_hydrophones, 3)
        Positions [m].
    heard : ndarray of bool, shape (..., n_hydrophones)
        Which of them hear the ping.
    bearing, depression : ndarray, shape (...)
        Direction of the pinger [rad].
    delay_sd_m : float
        Standard deviation of one hydrophone's arrival time, as a length of path [m].

    Notes
    -----
    The pinger is reflected along the one or two axes of least spread of the hydrophones, and along both. With d the
    distance of the delays from those of the image, in standard deviations, it is taken with probability Q(d / 2):
    one half for a plane array. The image in a level plane has the same bearing and does no harm.
    """
    unit = direction(bearing, depression)
    weight = heard[..., None] / np.maximum(heard.sum(axis=-1), 1)[..., None, None]
    offset = (hydrophones_m - (weight * hydrophones_m).sum(axis=-2, keepdims=True)) * heard[..., None]
    spread, axes = np.linalg.eigh(np.swapaxes(offset, -1, -2) @ offset)  # columns, the least first
    least, middle = _axes_across(spread, axes)
    square = np.zeros(unit.shape[:-1])
    along = [(unit * axis).sum(axis=-1) for axis in (least, middle)]
    for flips in ((1, 0), (0, 1), (1, 1)):
        image = unit - 2 * sum(f * a[..., None] * x for f, a, x in zip(flips, along, (least, middle), strict=True))
        path = sum(
            f * 4 * a**2 * np.maximum(spread[..., i], 0.0) for i, (f, a) in enumerate(zip(flips, along, strict=True))
        )
        chance = ndtr(-np.sqrt(path) / delay_sd_m / 2)
        square = square + chance * wrap_angle(bearing_and_depression(image)[0] - bearing) ** 2
    return np.sqrt(square)


def _axes_across(spread: Floats, axes: Floats) -> tuple[Floats, Floats]:
    """The axes of least and of middle spread; of a line, which has no such axes, the steepest and the level one."""
    least, middle, line = (axes[..., i] for i in range(3))
    level = np.stack([-line[..., 1], line[..., 0], np.zeros_like(line[..., 0])], axis=-1)
    length = np.linalg.norm(level, axis=-1, keepdims=True)
    straight = (spread[..., 1] <= _NO_WIDTH * spread[..., 2])[..., None] & (length > 1e-9)
    level = level / np.maximum(length, 1e-9)
    return np.where(straight, np.cross(line, level), least), np.where(straight, level, middle)
