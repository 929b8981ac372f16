"""What the vehicle's own estimator measures with the array at a few scales, echoes inside its window included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import SceneError
from acoustics.base.frames import Floats, Pose, bearing_and_depression, wrap_angle
from acoustics.estimate.direction import estimate_bearing
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import difference_matrix, plane_wave_time
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import BlindPings, measure_turned, turned_poses, with_hydrophones

_ROUNDS = 20  # in which pings of two spacings alternate


@dataclass(frozen=True)
class MeasuredScales:
    """Pings from all bearings of interest, in turn, at k spacings.

    Attributes
    ----------
    spacing_m : ndarray, shape (k,)
        Shortest baselines, ascending [m].
    pings : tuple of BlindPings
        Of each spacing, those that are answered.
    shift_deg : ndarray, shape (k,)
        RMS of what the echoes add to the bearing [deg].
    """

    spacing_m: Floats
    pings: tuple[BlindPings, ...]
    shift_deg: Floats

    @property
    def window_s(self) -> float:
        """Part of the burst that is used, median [s]."""
        return float(np.median(np.concatenate([one.window_s for one in self.pings])))

    @property
    def energy_ratio_2e_n0(self) -> float:
        """Of the sound in it, median [1]."""
        return float(np.median(np.concatenate([one.energy_ratio_2e_n0 for one in self.pings])))

    def around(self, spacing_m: float) -> BlindPings:
        """Rounds of pings of the two spacings about the given one, each as often as `between` weighs it."""
        place = float(self._place(np.array(spacing_m)))
        lower = min(int(place), max(len(self.pings) - 2, 0))
        upper = np.diff(np.floor((place - lower) * np.arange(_ROUNDS + 1) + 0.5)) > 0
        return BlindPings.joined([self.pings[lower + int(step)] for step in upper])

    def between(self, spacing_m: Floats, of: Callable[[BlindPings], ArrayLike]) -> Floats:
        """What `of` takes from the pings of a spacing, of any shape, at spacings of shape (n,)."""
        place, values = self._place(spacing_m), np.array([of(one) for one in self.pings])
        lower = np.clip(place.astype(int), 0, max(len(values) - 2, 0))
        upper, part = np.minimum(lower + 1, len(values) - 1), (place - lower).reshape(-1, *(1,) * (values.ndim - 1))
        return np.asarray((1.0 - part) * values[lower] + part * values[upper])

    def _place(self, spacing_m: Floats) -> Floats:
        """Between which of `spacing_m` spacings are, by their logarithms, counting from 0."""
        return np.asarray(np.interp(np.log(spacing_m), np.log(self.spacing_m), np.arange(len(self.spacing_m))))

    def shift_between(self, spacing_m: Floats) -> Floats:
        """What `shift_deg` is at spacings of shape (n,): the shifts of the delays change little, and turn a wider array
        by less."""
        square = (self.shift_deg * self.spacing_m) ** 2
        return np.sqrt(np.interp(np.log(spacing_m), np.log(self.spacing_m), square)) / spacing_m


def measured_scales(
    scene: Scene, pinger: Pinger, shape_m: Floats, bearings: Floats, spacing_m: Floats
) -> MeasuredScales:
    """Measure pings where the vehicle stands, turned so that the pinger is at each of some bearings.

    Parameters
    ----------
    scene, pinger
        With the vehicle at its place.
    shape_m : ndarray, shape (n, 3)
        The array for a shortest baseline of 1 m [m]; its origin is mounted where the scene's is.
    bearings : ndarray, shape (m,)
        [rad].
    spacing_m : ndarray, shape (k,)
        Spacings to measure at; those at which hydrophones would be outside the water are left out [m].

    Raises
    ------
    ParameterError
        If the array fits into the water at none of them.
    """
    rng = np.random.default_rng(scene.study.seed)
    pose = turned_poses(scene, pinger, bearings)
    kept, measured, shifts = [], [], []
    for spacing in spacing_m:
        scaled = with_hydrophones(scene, spacing * shape_m)
        pings = measure_turned(scaled, pinger, bearings, rng)
        if pings is None:
            continue
        kept.append(spacing)
        shifts.append(_shift_deg(scaled, pinger, pings, pose))
        measured.append(pings.some(np.flatnonzero(pings.answered)))
    if not kept:
        raise SceneError(
            f"vehicle.position_m: turned all round, the array does not stay in the water at "
            f"{list(scene.vehicle.position_m)}; move the vehicle"
        )
    return MeasuredScales(np.array(kept), tuple(measured), np.array(shifts))


def _shift_deg(scene: Scene, pinger: Pinger, pings: BlindPings, pose: Pose) -> float:
    """RMS error of the bearing by the echoes alone, the integers being right."""
    speed, hydrophones = scene.sound_speed_m_s, scene.array.positions_m - scene.array.positions_m.mean(axis=0)
    sight = pose.to_body(np.array(pinger.position_m)[None])[:, 0] - scene.array.positions_m.mean(axis=0)
    bearing, depression = bearing_and_depression(sight)
    times = plane_wave_time(hydrophones, sight / np.linalg.norm(sight, axis=-1, keepdims=True), speed)
    differences = difference_matrix(len(hydrophones))
    delays = (times + pings.carrier_shift_s) @ differences.T
    found = estimate_bearing(
        Tdoa(delays, differences @ differences.T * np.mean(pings.carrier_variance_s2[pings.answered])),
        hydrophones,
        speed,
        assumed_depression=float(np.mean(depression)),
    )
    off = np.abs(wrap_angle(found.bearing - bearing[:, None])).min(axis=-1)[pings.answered]
    return float(np.rad2deg(np.sqrt(np.mean(off**2))))
