"""What the vehicle's own estimator measures with the array at a few scales, echoes inside its window included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, Pose, bearing_and_depression, wrap_angle
from acoustics.estimate.direction import estimate_bearing
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import difference_matrix, plane_wave_time
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import BlindPings, measure_turned, turned_poses, with_hydrophones


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

    def nearest(self, spacing_m: float) -> BlindPings:
        """Pings of the spacing nearest to the given one, by its logarithm."""
        return self.pings[int(np.argmin(np.abs(np.log(self.spacing_m / spacing_m))))]

    def between(self, spacing_m: Floats, of: Callable[[BlindPings], Floats]) -> Floats:
        """Mean over pings and hydrophones of what `of` takes from them, at spacings of shape (n,)."""
        return np.interp(np.log(spacing_m), np.log(self.spacing_m), [np.mean(of(one)) for one in self.pings])

    def shift_between(self, spacing_m: Floats) -> Floats:
        """`shift_deg` at spacings of shape (n,)."""
        return np.interp(np.log(spacing_m), np.log(self.spacing_m), self.shift_deg)


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
        raise ParameterError(
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
