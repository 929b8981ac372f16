"""Bearings and positions by pings with their echoes, as the vehicle's own estimators will find them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.frames import Floats, Pose, bearing_and_depression, direction, rotation_matrix, wrap_angle
from acoustics.estimate.direction import MISFIT_P, Bearing, DepressionPrior, estimate_bearing, over_the_cone
from acoustics.estimate.position import Fix, locate_source
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import difference_matrix, plane_wave_time, spherical_time
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings
from acoustics.study.draws.integers import HALF_A_CYCLE, cycles_apart, resolved_tdoa

_TOLD = 0.01  # probability of a second direction from which on `locate` tells it


@dataclass(frozen=True)
class BlindBearings:
    """Draws of what comes of m pings, shape (m, n_draws).

    Attributes
    ----------
    error : ndarray
        Of the bearing [rad], NaN where none is given. Of a direction and its mirror image the nearer one counts.
    wrong_integer : ndarray of bool
        Whether the delays of the answered direction are over half a period off on some baseline.
    across_m : ndarray
        Horizontal error of the position [m], NaN where there is none.
    """

    error: Floats
    wrong_integer: NDArray[np.bool_]
    across_m: Floats


def draw_blind_bearings(
    scene: Scene,
    pinger: Pinger,
    pings: BlindPings,
    pose: Pose,
    *,
    draws: int,
    rng: np.random.Generator,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
) -> BlindBearings:
    """Draw noise, mounting, skew and sound speed for pings whose echoes are known, and ask the vehicle's estimators.

    Parameters
    ----------
    scene : Scene
        For its array and the sizes of all errors.
    pinger : Pinger
        The source.
    pings : BlindPings
        Of m places.
    pose : Pose
        Of the vehicle there, batch shape (m,).
    draws : int
        For each ping.
    rng : Generator
        Source of randomness.
    attitude_sd : array_like, shape (3,)
        Of roll, pitch and heading [rad]: the vehicle's for the bearing in the site, zeros for that from the bow.
    """
    sources = pose.to_body(np.array(pinger.position_m)[None])[:, 0]
    depth_m = float(np.mean(np.asarray(pose.position_m)[..., 2]))
    shape = (len(sources), draws)
    drawn = BlindBearings(np.full(shape, np.nan), np.zeros(shape, dtype=bool), np.full(shape, np.nan))
    kinds = np.column_stack([pings.window_s, pings.heard])
    for kind in np.unique(kinds[pings.answered], axis=0):
        rows = np.flatnonzero((kinds == kind).all(axis=-1) & pings.answered)
        listener = _Listener(scene, pinger, kind[1:] > 0, depth_m, np.asarray(attitude_sd, dtype=float))
        part = listener.draw(pings, rows, np.repeat(sources[rows], draws, axis=0), draws, rng)
        for name, value in vars(part).items():
            getattr(drawn, name)[rows] = value.reshape(len(rows), draws)
    return drawn


@dataclass(frozen=True)
class _Listener:
    """The hydrophones that hear a ping, and what the vehicle knows beside what they measure."""

    scene: Scene
    pinger: Pinger
    channels: NDArray[np.bool_]
    depth_m: float
    attitude_sd: Floats

    @property
    def hydrophones_m(self) -> Floats:
        return self.scene.array.positions_m[self.channels]

    @property
    def elements_sd_m(self) -> Floats:
        return self.scene.array.tolerances_m[self.channels]

    def draw(
        self, pings: BlindPings, rows: NDArray[np.intp], sources: Floats, draws: int, rng: np.random.Generator
    ) -> BlindBearings:
        """Draws for pings of one window, laid out flat."""
        hydrophones, speed, count = self.hydrophones_m, self.scene.sound_speed_m_s, len(sources)
        n, frequency = len(hydrophones), self.pinger.frequency_hz
        skew_sd = self.scene.recorder.timing_sd_s(frequency)
        carrier_s2, cycle_s2 = (float(v[rows].mean()) for v in (pings.carrier_variance_s2, pings.cycle_variance_s2))
        by_carrier, by_envelope = (
            np.repeat(shift[rows][:, self.channels], draws, axis=0)
            for shift in (pings.carrier_shift_s, pings.envelope_shift_s)
        )
        turn = rotation_matrix(rng.standard_normal((count, 3)) * self.attitude_sd)
        moved = hydrophones @ np.swapaxes(turn, -1, -2)
        moved += rng.standard_normal((count, n, 3)) * self.elements_sd_m[:, None]
        drawn_speed = speed + rng.standard_normal(count) * self.scene.sound_speed_sd_m_s
        times = spherical_time(moved, sources, drawn_speed) + rng.standard_normal((count, n)) * skew_sd
        times += by_envelope
        noise = by_carrier - by_envelope + rng.standard_normal((count, n)) * np.sqrt(carrier_s2)
        differences = difference_matrix(n)
        delay = (times + noise) @ differences.T
        truth = sources - hydrophones.mean(axis=0)
        away_m = np.linalg.norm(truth, axis=-1)
        unit = truth / away_m[:, None]
        if n <= LARGEST_DIMENSION + 1:
            # `locate` weighs sets of integers over all distances; the search here is for plane waves, so what the true
            # distance bends is taken off and put on again.
            bent = spherical_time(hydrophones, sources, speed) - plane_wave_time(hydrophones, unit, speed)
            delay = bent @ differences.T + resolved_tdoa(
                times - bent,
                noise,
                carrier_variance_s2=carrier_s2,
                cycle_variance_s2=cycle_s2,
                shared_variance_s2=skew_sd**2 + (self.elements_sd_m / speed) ** 2,
                hydrophones_m=hydrophones,
                sound_speed_m_s=speed,
                frequency_hz=frequency,
                rng=rng,
            )
        found, fix = self._answers(Tdoa(delay, (carrier_s2 + skew_sd**2) * (differences @ differences.T)), away_m, rng)
        error, answered = self._nearest(found, truth)
        given = found.ok & (found.p_value >= MISFIT_P)
        wrong = self._cycles_apart(answered, unit) > HALF_A_CYCLE
        level = self._level
        off = (fix.position_m - sources @ level.T)[..., :2]
        return BlindBearings(
            np.where(given, error, np.nan),
            given & wrong,
            np.where(given & fix.ok, np.linalg.norm(off, axis=-1), np.nan),
        )

    @property
    def _level(self) -> Floats:
        own = self.scene.vehicle.pose
        return Pose(np.zeros(3), own.roll, own.pitch, 0.0).rotation

    def _answers(self, delays: Tdoa, away_m: Floats, rng: np.random.Generator) -> tuple[Bearing, Fix]:
        """Bearings, and positions in the frame that stands level, as `locate` finds them.

        Where no position is found `locate` weighs all distances; here the true one, `away_m`, stands for them.
        """
        scene, level = self.scene, self._level
        speed, centre = scene.sound_speed_m_s, self.hydrophones_m.mean(axis=0)
        known: dict[str, Any] = {"sound_speed_sd_m_s": scene.sound_speed_sd_m_s, "element_sd_m": self.elements_sd_m}
        depth = self.pinger.position_m[2] - self.depth_m
        depth_sd = float(np.hypot(scene.study.pinger_depth_sd_m, scene.vehicle.depth_sd_m))
        fix = locate_source(
            delays,
            self.hydrophones_m @ level.T,
            speed,
            source_depth_m=depth + rng.standard_normal(len(delays.tdoa_s)) * depth_sd,
            source_depth_sd_m=depth_sd,
            attitude_sd=np.array([*scene.vehicle.attitude_sd[:2], 0.0]),
            pivot_m=np.zeros(3),
            **known,
        )
        reach = np.where(fix.ok, np.linalg.norm(fix.position_m @ level - centre, axis=-1), away_m)
        found = estimate_bearing(delays, self.hydrophones_m - centre, speed, range_m=reach, **known)
        if found.observes == "line":
            below = depth - float(centre @ level[2])
            found = over_the_cone(found, DepressionPrior(level[2], below, depth_sd))
        return found, fix

    def _cycles_apart(self, one: Floats, other: Floats) -> Floats:
        return cycles_apart(self.hydrophones_m, one, other, self.scene.sound_speed_m_s, self.pinger.frequency_hz)

    def _nearest(self, found: Bearing, truth: Floats) -> tuple[Floats, Floats]:
        """Error [rad], shape (m,), and direction, (m, 3), of the candidate that counts: the one nearest to the truth
        (m, 3) among the first and what the delays leave beside it."""
        bearing, depression = bearing_and_depression(truth)
        units = direction(found.bearing, found.depression)
        counts = (found.probability >= _TOLD) & (self._cycles_apart(units, units[:, :1]) <= HALF_A_CYCLE)
        closeness = np.einsum("tci,ti->tc", units, direction(bearing, depression))
        best = np.argmax(np.where(counts, np.nan_to_num(closeness, nan=-2.0), -np.inf), axis=-1)
        row = np.arange(len(best))
        return wrap_angle(found.bearing[row, best] - bearing), units[row, best]
