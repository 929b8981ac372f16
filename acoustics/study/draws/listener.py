"""What the vehicle's estimators tell of a ping by its delays with each vector of integers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.frames import (
    Floats,
    bearing_and_depression,
    direction,
    rotation_matrix,
    wrap_angle,
)
from acoustics.base.record import record
from acoustics.estimate.direction import (
    FARTHEST_M,
    MISFIT_P,
    NEAREST_M,
    DepressionPrior,
    DirectionMixture,
    direction_mixture,
)
from acoustics.estimate.position import Fix, locate_source
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.direct_rays import direct_rays
from acoustics.physics.error_model import channel_variance_s2
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix, spherical_time
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings
from acoustics.study.draws.integers import HALF_A_CYCLE, cycles_apart, resolved_integers

_TOLD = 0.01  # probability of a second direction from which on `locate` tells it
# Vectors of integers that are weighed by their directions, as in `locate`, which lists more of them; and the share by a
# rough look under which none is looked at closely.
VECTORS, _NEGLIGIBLE, _ROUGHLY_NEGLIGIBLE = 24, 1e-5, 1e-3
_DOUBTFUL = 0.05  # of all directions but the first from which on `locate` makes no position of that


@record
class Listener:
    """The hydrophones that hear a ping, and what the vehicle knows beside what they measure."""

    scene: Scene
    pinger: Pinger
    channels: NDArray[np.bool_]
    attitude_sd: Floats

    @property
    def hydrophones_m(self) -> Floats:
        return self.scene.array.positions_m[self.channels]

    @property
    def elements_sd_m(self) -> Floats:
        return self.scene.array.tolerances_m[self.channels]

    @property
    def skew_sd_s(self) -> float:
        return self.scene.recorder.timing_sd_s(self.pinger.frequency_hz)

    def draw(
        self, pings: BlindPings, rows: NDArray[np.intp], sources: Floats, draws: int, rng: np.random.Generator
    ) -> Told:
        """Draws for pings of one window, laid out flat."""
        found = self.searched(pings, rows, sources, draws, rng)
        return self.told(found.vectors, sources, found.turn, rng)

    def searched(
        self, pings: BlindPings, rows: NDArray[np.intp], sources: Floats, draws: int, rng: np.random.Generator
    ) -> Searched:
        """Draws for pings of one window, laid out flat, whose directions are still to be worked out."""
        carrier_s2, cycle_s2, lasting_s2 = (
            float(v[rows].mean())
            for v in (pings.carrier_variance_s2, pings.cycle_variance_s2, pings.lasting_variance_s2)
        )
        by_carrier, by_envelope = (
            np.repeat(shift[rows][:, self.channels], draws, axis=0)
            for shift in (pings.carrier_shift_s, pings.envelope_shift_s)
        )
        times, turn = self.arrival_times(sources, rng)
        times += by_envelope
        noise = by_carrier - by_envelope + rng.standard_normal(times.shape) * np.sqrt(carrier_s2)
        vectors = self._integers(times, noise, carrier_s2 + lasting_s2, cycle_s2, rng)
        off_s = vectors.delay_s[:, 0] - (times + noise) @ difference_matrix(times.shape[-1]).T
        wrong = np.any(np.abs(off_s) > HALF_A_CYCLE / self.pinger.frequency_hz, axis=-1)
        return Searched(vectors, turn, wrong | ((vectors.weight >= _NEGLIGIBLE).sum(axis=-1) > 1))

    def arrival_times(self, sources: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Times (t, n) [s] from places (t, 3) in the body frame, mounting, attitude, sound speed and skew drawn anew;
        and how the array is turned, (t, 3, 3)."""
        shape = len(sources), len(self.hydrophones_m)
        turn = rotation_matrix(rng.standard_normal((len(sources), 3)) * self.attitude_sd)
        moved = self.hydrophones_m @ np.swapaxes(turn, -1, -2)
        moved += rng.standard_normal((*shape, 3)) * self.elements_sd_m[:, None]
        speed = self.scene.sound_speed_m_s + rng.standard_normal(len(sources)) * self.scene.sound_speed_sd_m_s
        return spherical_time(moved, self.seen(sources), speed) + rng.standard_normal(shape) * self.skew_sd_s, turn

    def nominal_times(self, sources: Floats) -> Floats:
        """Times (t, n) [s] if all were as the vehicle takes it to be."""
        return spherical_time(self.hydrophones_m, self.seen(sources), self.scene.sound_speed_m_s)

    def told(self, vectors: Vectors, sources: Floats, turn: Floats, rng: np.random.Generator) -> Told:
        """What comes of (t, n) arrivals from true places (t, 3), heard by the array as it is turned, (t, 3, 3)."""
        place_m = sources @ self._level.T
        depth_m = place_m[:, 2] + rng.standard_normal(len(sources)) * self._depth_sd_m
        found = self._directions(vectors, depth_m, sources, turn)
        return Told(**vars(found), listener=self, covariance_s2=vectors.covariance_s2, depth_m=depth_m, place_m=place_m)

    def _integers(
        self, times: Floats, noise: Floats, carrier_s2: float, cycle_s2: float, rng: np.random.Generator
    ) -> Vectors:
        """The delays of (t, n) arrivals with each vector of integers that may be right."""
        n, skew_sd = times.shape[-1], self.skew_sd_s
        differences, frequency = difference_matrix(n), self.pinger.frequency_hz
        covariance = (carrier_s2 + skew_sd**2) * (differences @ differences.T)
        if n > LARGEST_DIMENSION + 1:  # no integers are searched
            one = np.ones((len(times), 1))
            return Vectors(((times + noise) @ differences.T)[:, None], covariance, one, 0.0 * one)
        found = resolved_integers(
            times,
            noise,
            carrier_variance_s2=carrier_s2,
            cycle_variance_s2=cycle_s2,
            shared_variance_s2=channel_variance_s2(skew_sd, self.elements_sd_m, self.scene.sound_speed_m_s),
            hydrophones_m=self.hydrophones_m,
            sound_speed_m_s=self.scene.sound_speed_m_s,
            frequency_hz=frequency,
            rng=rng,
            sound_speed_sd_m_s=self.scene.sound_speed_sd_m_s,
            nearest_m=NEAREST_M,
            n_alternatives=VECTORS,
        )
        those = found.alternatives
        return Vectors(
            found.tdoa.tdoa_s[:, None] + those.cycles / frequency, covariance, those.weight, those.build_up_misfit
        )

    def _directions(self, vectors: Vectors, depth_m: Floats, truth: Floats, turn: Floats) -> _Found:
        """What is told first of each ping, whose distance is unknown, beside the true places (t, 3) of the source and
        the true rotations (t, 3, 3) of the array against where it is taken to be."""
        ping, vector = np.nonzero(vectors.weight >= _NEGLIGIBLE)
        doubtful = np.flatnonzero(np.bincount(ping)[ping] > 1)
        kept = np.ones(len(ping), dtype=bool)
        if len(doubtful):
            rough = self._mixture(vectors, depth_m, ping[doubtful], vector[doubtful], most_cells=1)
            kept[doubtful] = _shares(rough.log_evidence, ping[doubtful]) > _ROUGHLY_NEGLIGIBLE
        ping, vector = ping[kept], vector[kept]
        mixture = self._mixture(vectors, depth_m, ping, vector)
        share = _shares(mixture.log_evidence, ping)[:, None] * mixture.weight[:, 0]
        # The likeliest of each ping: the last row of it when they are sorted so.
        order = np.lexsort((share.max(axis=-1), ping))
        lead = order[np.append(np.diff(ping[order]) > 0, True)]
        return self._told(mixture, share, lead, truth, turn, vectors.delay_s[ping[lead], vector[lead]])

    def _mixture(
        self, vectors: Vectors, depth_m: Floats, ping: NDArray[np.intp], vector: NDArray[np.intp], **cells: int
    ) -> DirectionMixture:
        """Directions of each of some vectors by itself, as `locate` finds them."""
        centre = self.hydrophones_m.mean(axis=0)
        below_m = depth_m[ping] - centre @ self._level[2]
        return direction_mixture(
            Tdoa(vectors.delay_s[ping, vector][:, None], vectors.covariance_s2),
            vectors.misfit[ping, vector][:, None],
            self.hydrophones_m - centre,
            self.scene.sound_speed_m_s,
            DepressionPrior(
                self._level[2],
                below_m[:, None, None],
                self._depth_sd_m,
                self.scene.vehicle.position_m[2] + float(centre @ self._level[2]),
                farthest_m=self._farthest_m,
                profile=self.scene.bending_profile,
            ),
            sound_speed_sd_m_s=self.scene.sound_speed_sd_m_s,
            element_sd_m=self.elements_sd_m,
            **cells,
        )

    def _told(
        self,
        mixture: DirectionMixture,
        share: Floats,
        lead: NDArray[np.intp],
        truth: Floats,
        turn: Floats,
        delay_s: Floats,
    ) -> _Found:
        """Of each ping's likeliest vector the direction, and of its two sides the one nearer to the truth, if told."""
        row = np.arange(len(lead))
        bearing, depression, share = mixture.bearing[lead, 0], mixture.depression[lead, 0], share[lead]
        units = direction(bearing, depression)
        first = np.argmax(share, axis=-1)
        told = (share >= _TOLD) & (self._cycles_apart(units, units[row, first][:, None]) <= HALF_A_CYCLE)
        told[row, first] = True
        sight = self.seen(truth) - self.hydrophones_m.mean(axis=0)
        sight = sight / np.linalg.norm(sight, axis=-1, keepdims=True)
        best = np.argmax(np.where(told, np.einsum("tci,ti->tc", units, sight), -np.inf), axis=-1)
        heard = np.einsum("tij,ti->tj", turn, sight)  # from there in the frame of the array as it really stands
        return _Found(
            error=wrap_angle(bearing[row, best] - bearing_and_depression(sight)[0]),
            wrong=self._cycles_apart(units[row, best], heard) > HALF_A_CYCLE,
            given=mixture.ok[lead] & (mixture.p_value[lead, 0] >= MISFIT_P),
            # The mirror image in a line or a plane of hydrophones is no other direction.
            decided=(share.max(axis=-1) if mixture.observes == "volume" else share.sum(axis=-1)) >= 1.0 - _DOUBTFUL,
            delay_s=delay_s,
        )

    @property
    def _farthest_m(self) -> float:
        """As the notes of a recording have it."""
        extent = float(np.hypot(self.scene.pool.extent_m, self.scene.pool.deepest_m))
        return max(extent, 2.0) if extent < np.inf else FARTHEST_M

    @property
    def _depth_sd_m(self) -> float:
        """Of the pinger's depth below the vehicle."""
        return float(np.hypot(self.scene.study.pinger_depth_sd_m, self.scene.vehicle.depth_sd_m))

    @property
    def _level(self) -> Floats:
        return self.scene.vehicle.level_pose.rotation

    def positions(self, delays: Tdoa, depth_m: Floats) -> Fix:
        """Positions in the frame that stands level, as `locate` finds them by the likeliest vector alone."""
        return locate_source(
            delays,
            self.hydrophones_m @ self._level.T,
            self.scene.sound_speed_m_s,
            source_depth_m=depth_m,
            source_depth_sd_m=self._depth_sd_m,
            sound_speed_sd_m_s=self.scene.sound_speed_sd_m_s,
            element_sd_m=self.elements_sd_m,
            attitude_sd=np.array([*self.scene.vehicle.attitude_sd[:2], 0.0]),
            pivot_m=np.zeros(3),
            nearest_m=NEAREST_M,
            farthest_m=self._farthest_m,
            profile=self._profile,
        )

    @property
    def _profile(self) -> SoundSpeedProfile | None:
        """Where direct rays are bent, its depths from the vehicle."""
        bent = self.scene.bending_profile
        return None if bent is None else bent.below(self.scene.vehicle.position_m[2])

    def seen(self, sources: Floats) -> Floats:
        """Where sources seem to be, both in the body frame."""
        if self._profile is None:
            return sources
        middle = self.hydrophones_m.mean(axis=0) @ self._level.T
        return direct_rays(self._profile, middle, sources @ self._level.T).apparent_m @ self._level

    def _cycles_apart(self, one: Floats, other: Floats) -> Floats:
        return cycles_apart(self.hydrophones_m, one, other, self.scene.sound_speed_m_s, self.pinger.frequency_hz)


@record
class Vectors:
    """Delays of t pings by j vectors of integers, (t, j, k), their covariance (k, k), and as `IntegerAlternatives`."""

    delay_s: Floats
    covariance_s2: Floats
    weight: Floats
    misfit: Floats

    def some(self, rows: NDArray[np.intp]) -> Vectors:
        """Of some of the pings."""
        return Vectors(self.delay_s[rows], self.covariance_s2, self.weight[rows], self.misfit[rows])


@record
class Searched:
    """Draws (t,): their vectors of integers, how the array is turned, (t, 3, 3), and whether more than one vector may
    be right, or the likeliest is not."""

    vectors: Vectors
    turn: Floats
    doubtful: NDArray[np.bool_]

    def some(self, rows: NDArray[np.intp]) -> Searched:
        """Some of the draws."""
        return Searched(self.vectors.some(rows), self.turn[rows], self.doubtful[rows])


@record
class _Found:
    """What is told first of t pings; `decided`: no other direction stands against it."""

    error: Floats
    wrong: NDArray[np.bool_]
    given: NDArray[np.bool_]
    decided: NDArray[np.bool_]
    delay_s: Floats


@record
class Told(_Found):
    """What a listener tells first of t pings, by their delays, and where they come from in the frame that stands level.

    `delay_s`: (t, k), of covariance `covariance_s2`, (k, k); `depth_m`: (t,), as known; `place_m`: (t, 3).
    """

    listener: Listener
    covariance_s2: Floats
    depth_m: Floats
    place_m: Floats


def _shares(log_weight: Floats, ping: NDArray[np.intp]) -> Floats:
    """Of rows (r,) in what all rows of the same ping weigh."""
    largest = np.full(ping.max() + 1, -np.inf)
    np.maximum.at(largest, ping, log_weight)
    weight = np.exp(log_weight - largest[ping])
    return np.asarray(weight / np.bincount(ping, weight)[ping])
