"""What `pingfix place` judges an array by: error of bearing or position, and wrong cycles, over directions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from acoustics.accuracy.ambiguity import beyond_the_surface, cycle_model, integer_ambiguity
from acoustics.accuracy.bounds import bearing_bound, position_information
from acoustics.accuracy.information import independent_variance
from acoustics.accuracy.observability import position_bound_of
from acoustics.base.frames import Floats, bearing_and_depression, direction, wrap_angle
from acoustics.base.intervals import BEARING_GUESS_SD
from acoustics.base.record import record
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.lattice_reduction import reduced_basis
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.scene.mounting import Mounting
from acoustics.scene.shadow import Bools
from acoustics.study.place.directions import Directions
from acoustics.study.place.mirror import mirror_error

_ROWS = 20_000  # arrays times directions worked on together, for the memory
_SHORTEST_SETS, _ROUGH_DIRECTIONS = 48, 8
_LEAST_DEPTH_SD_M = 1e-3
_NO_WIDTH = 1e-3  # part of the widest spread that is none, as `array_rank` has it

Of = Literal["bearing", "position"]


@record
class Knowledge:
    """What a position rests on besides the delays.

    Attributes
    ----------
    depth_sd_m : float
        Of the pinger's depth below the vehicle [m].
    upright : ndarray, shape (3, 3)
        Rotation from the body frame to the one that stands level and heads with the vehicle.
    area_sd_m : float
        Along each horizontal axis, of a pinger that may be anywhere in the water [m].
    profile : SoundSpeedProfile, optional
        Of water that bends the direct ray, its depths from the vehicle's origin.
    """

    depth_sd_m: float
    upright: Floats
    area_sd_m: float
    profile: SoundSpeedProfile | None = None


@record
class Criterion:
    """How good arrays are towards directions; the arrays have shape (n_arrays, n_hydrophones, 3) [m].

    `of`: whether the bearing [rad] or the horizontal position [m] is to be good. `worst`: judge by the worst direction,
    else by the mean over them (RMS). `sizes` are those of any array in the mounting, all hydrophones alike.
    """

    towards: Directions
    of: Of
    worst: bool
    frequency_hz: float
    sound_speed_m_s: float
    sizes: ErrorSizes
    mounting: Mounting
    known: Knowledge

    @property
    def guess(self) -> float:
        """Error of a guess, and the most that any array is said to err [rad or m]."""
        return BEARING_GUESS_SD if self.of == "bearing" else float(np.sqrt(2)) * self.known.area_sd_m

    def heard(self, arrays_m: Floats) -> Bools:
        """Which hydrophones hear which directions, shape (n_arrays, n_directions, n_hydrophones)."""
        return self.mounting.hears(arrays_m, self.towards.source_m)

    def errors(self, arrays_m: Floats) -> Floats:
        """Error of what the criterion is of, with the right cycle, shape (n_arrays, n_directions)."""
        return (self.bearing_errors if self.of == "bearing" else self.position_errors)(arrays_m)

    def bearing_errors(self, arrays_m: Floats) -> Floats:
        """Bearing error with the right cycle [rad], shape (n_arrays, n_directions): never above that of a guess.

        The Cramer-Rao bound, or where that is more the error from the mirror image in the plane of a flat array. A
        hydrophone in the shadow hears nothing. The image in a level plane has the same bearing and does no harm.
        """
        return self._in_chunks(self._bearing_errors, arrays_m)

    def position_errors(self, arrays_m: Floats) -> Floats:
        """Horizontal RMS error of the position by the vehicle, right cycle [m], shape (n_arrays, n_directions).

        As for the bearing; with the depth aid, the errors of attitude, and the water's extent as what is known before:
        that of a guess in the water is the most.
        """
        return self._in_chunks(self._position_errors, arrays_m)

    def wrong_integers(self, arrays_m: Floats, *, enough: float = np.inf) -> Floats:
        """Probability of a wrong cycle by `integer_ambiguity`, shape (n_arrays, n_directions).

        One where fewer than two hydrophones hear: no bearing is as bad as a wrong one. An array of which some
        directions alone bring the figure above `enough` is not worked out in the others.
        """
        heard = self.heard(arrays_m)
        probability = np.where(heard.sum(axis=-1) < 2, 1.0, 0.0)
        for k, (points, clear) in enumerate(zip(arrays_m, heard, strict=True)):
            for alike, fine, coarse in self._links():
                patterns = np.unique(clear[alike], axis=0)
                for pattern in patterns[np.argsort(patterns.sum(axis=-1))]:  # the fewest channels err the most
                    if pattern.sum() < 2 or self._over_directions(probability[k]) > enough:
                        continue
                    at = alike[(clear[alike] == pattern).all(axis=-1)]
                    probability[k, at] = integer_ambiguity(
                        points[pattern],
                        self.towards.bearing[at],
                        self.towards.depression[at],
                        self.sound_speed_m_s,
                        frequency_hz=self.frequency_hz,
                        carrier_variance_s2=fine,
                        envelope_variance_s2=coarse,
                        common_variance_s2=self.sizes.channel_variance_s2(self.sound_speed_m_s),
                        with_errors=False,
                    ).wrong_probability
        return probability

    def wrong_integers_roughly(self, arrays_m: Floats) -> Floats:
        """A quick guide to `wrong_integer_figure`, shape (n_arrays,).

        The sum of Q(half the distance) over the shortest sets of cycles, for a few of the directions, all hydrophones
        hearing; or where more, the figure of the directions that fewer than two hear.
        """
        rough = self._in_chunks(self._wrong_integers_roughly, arrays_m)
        if not self.mounting.shadows:
            return rough
        return np.maximum(rough, self._over_directions((self.heard(arrays_m).sum(axis=-1) < 2).astype(float)))

    def error_figure(self, arrays_m: Floats) -> Floats:
        """The one number for the errors, shape (n_arrays,): their worst or their RMS."""
        return self.figure(self.errors(arrays_m))

    def figure(self, errors: Floats) -> Floats:
        """The one number for errors of shape (..., n_directions)."""
        return errors.max(axis=-1) if self.worst else np.sqrt((errors**2).mean(axis=-1))

    def may_err_less(self, arrays_m: Floats, than: float, where: NDArray[np.intp]) -> Bools:
        """False for arrays, shape (n_arrays,), of which a few directions alone show that they err no less."""
        errors = replace(self, towards=self.towards.take(where)).errors(arrays_m)
        if self.worst:
            return errors.max(axis=-1) < than
        return (errors**2).sum(axis=-1) < than**2 * len(self.towards.bearing)

    def wrong_integer_figure(self, arrays_m: Floats, *, enough: float = np.inf) -> Floats:
        """The one number for the wrong cycles, shape (n_arrays,): the worst or mean; above `enough` a part of it."""
        return self._over_directions(self.wrong_integers(arrays_m, enough=enough))

    def _over_directions(self, probability: Floats) -> Floats:
        return probability.max(axis=-1) if self.worst else probability.mean(axis=-1)

    def _in_chunks(self, work: Callable[[Floats], Floats], arrays_m: Floats) -> Floats:
        step = max(1, _ROWS // len(self.towards.bearing))
        return np.concatenate([work(arrays_m[i : i + step]) for i in range(0, len(arrays_m), step)])

    def _arrival_variance(self) -> Floats:
        """Of the carrier with what else touches one channel, shape (n_directions,) [s^2]."""
        return independent_variance(
            self.towards.carrier_variance_s2[:, None],
            n_channels=1,
            sound_speed_m_s=self.sound_speed_m_s,
            element_sd_m=self.sizes.element_sd_m,
            skew_sd_s=self.sizes.skew_sd_s,
        )[:, 0]

    def _links(self) -> Iterator[tuple[NDArray[np.intp], float, float]]:
        """Directions with the same variances, and these: of the carrier and of the envelope, by noise [s^2]."""
        for alike in self.towards.alike():
            of = alike[0]
            yield alike, float(self.towards.carrier_variance_s2[of]), float(self.towards.envelope_variance_s2[of])

    def _heard_once(self, arrays_m: Floats) -> Bools:
        """As `heard`; without bodies in the way alike in all directions, and then given once."""
        if self.mounting.shadows:
            return self.heard(arrays_m)
        return np.ones((len(arrays_m), 1, arrays_m.shape[1]), dtype=bool)

    def _bearing_errors(self, arrays_m: Floats) -> Floats:
        heard, at = self._heard_once(arrays_m), self.towards
        bound = bearing_bound(
            arrays_m[:, None],
            at.bearing,
            at.depression,
            self.sound_speed_m_s,
            arrival_variance_s2=np.where(heard, at.carrier_variance_s2[:, None], np.inf),
            element_sd_m=self.sizes.element_sd_m,
            skew_sd_s=self.sizes.skew_sd_s,
            sound_speed_sd_m_s=self.sizes.sound_speed_sd_m_s,
        )
        mirrored = mirror_error(
            arrays_m[:, None],
            heard,
            direction(at.bearing, at.depression),
            self.sound_speed_m_s * np.sqrt(self._arrival_variance()),
            harm=lambda image: wrap_angle(bearing_and_depression(image)[0] - at.bearing),
        )
        # Not their sum: near the plane of reflection the image is what noise makes of the pinger, and in the bound.
        return np.minimum(np.maximum(bound.bearing_sd, mirrored), BEARING_GUESS_SD)

    def _position_errors(self, arrays_m: Floats) -> Floats:
        known, heard, range_m = self.known, self._heard_once(arrays_m), self.towards.range_m
        points, source = (arrays_m @ known.upright.T)[:, None], self.towards.source_m @ known.upright.T
        unit, depth_sd = source / range_m[:, None], max(known.depth_sd_m, _LEAST_DEPTH_SD_M)
        information = position_information(
            points,
            source,
            self.sound_speed_m_s,
            arrival_variance_s2=np.where(heard, self.towards.carrier_variance_s2[:, None], np.inf),
            element_sd_m=self.sizes.element_sd_m,
            skew_sd_s=self.sizes.skew_sd_s,
            attitude_sd=self.sizes.single_attitude_sd,
            pivot_m=np.zeros(3),
            rays=self.towards.rays,
        )
        information[..., [0, 1], [0, 1]] += known.area_sd_m**-2
        bound = position_bound_of(
            information, source, source_depth_sd_m=depth_sd, sound_speed_sd_m_s=self.sizes.sound_speed_sd_m_s
        )
        mirrored = mirror_error(
            points,
            heard,
            unit,
            self.sound_speed_m_s * np.sqrt(self._arrival_variance()),
            harm=lambda image: range_m * np.linalg.norm((image - unit)[..., :2], axis=-1),
            against=lambda image: (range_m * (image - unit)[..., 2] / depth_sd) ** 2,
        )
        return np.minimum(np.maximum(bound.horizontal_rms_m, mirrored), np.sqrt(2) * known.area_sd_m)

    def _wrong_integers_roughly(self, arrays_m: Floats) -> Floats:
        spread = np.linalg.svd(arrays_m - arrays_m.mean(axis=-2, keepdims=True), compute_uv=False)
        ranks = (spread > _NO_WIDTH * spread[:, :1]).sum(axis=-1)
        result = np.ones(len(arrays_m))
        for rank in np.unique(ranks):
            of_rank = np.flatnonzero(ranks == rank)
            chances = [self._sum_over_sets(arrays_m[of_rank], *link) for link in self._links()]
            result[of_rank] = self._over_directions(np.concatenate(chances, axis=-1))
        return result

    def _sum_over_sets(self, arrays_m: Floats, alike: NDArray[np.intp], fine: float, coarse: float) -> Floats:
        some = alike[np.unique(np.linspace(0, len(alike) - 1, _ROUGH_DIRECTIONS).astype(int))]
        unit = direction(self.towards.bearing[some], self.towards.depression[some])
        k, n = arrays_m.shape[:2]
        model = cycle_model(
            arrays_m,
            np.full(k, self.sound_speed_m_s),
            np.full(k, 1.0 / self.frequency_hz),
            np.full((k, n), fine),
            np.full((k, n), coarse),
            np.full((k, n), self.sizes.channel_variance_s2(self.sound_speed_m_s)),
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
