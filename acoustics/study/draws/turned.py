"""Pings of an array where the vehicle stands, turned so that the pinger is heard from all sides: each bearing's is
measured with its echoes as the vehicle's own estimator measures it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, Pose, bearing_and_depression, wrap_angle
from acoustics.base.record import record
from acoustics.scene.array import Array
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings, measure_blind, places_about

_NOTHING_CYCLES = 1e3  # an arrival known no better than this tells no direction of any array


def with_hydrophones(scene: Scene, positions_m: Floats, tolerance_m: float | None = None) -> Scene:
    """The scene with hydrophones at positions (n, 3) [m] from the mounting point of its array.

    They are as its own in turn, with their tolerances or with the one given.
    """
    own = scene.array.hydrophones
    changed = {} if tolerance_m is None else {"tolerance_m": tolerance_m}
    hydrophones = tuple(
        own[k % len(own)].model_copy(update={"name": f"h{k + 1}", "position_m": tuple(place), **changed})
        for k, place in enumerate(positions_m.tolist())
    )
    array = Array.model_construct(name=scene.array.name, mount_m=scene.array.mount_m, hydrophones=hydrophones)
    return scene.model_copy(update={"array": array})


def turned_poses(scene: Scene, pinger: Pinger, bearings: Floats) -> Pose:
    """Where the vehicle stands, with headings that put the pinger at bearings of shape (m,) [rad] from the bow."""
    own = scene.vehicle.pose
    there = np.array(pinger.position_m) - own.position_m
    heading = float(bearing_and_depression(there)[0]) - bearings
    return scene.vehicle.pose_at(np.tile(own.position_m, (len(bearings), 1)), heading)


@record
class TurnedPings:
    """Pings of an array that stands turned by m bearings, as the estimator measures them.

    Attributes
    ----------
    scene, pinger : Scene, Pinger
        With the array that is tried.
    pose : Pose
        Of the vehicle, batch shape (m,).
    pings : BlindPings
        Of m pings.
    place : ndarray of int, shape (m,)
        Number of the place and bearing: pings of one have the same echoes.
    """

    scene: Scene
    pinger: Pinger
    pose: Pose
    pings: BlindPings
    place: NDArray[np.intp]


def turned_about(scene: Scene, pinger: Pinger, bearings: Floats, rng: np.random.Generator) -> TurnedPings | None:
    """A ping from each of m bearings within 20 cm of where the vehicle stands; None where a hydrophone would leave the
    water.

    No vehicle keeps a place better, and echoes add in another phase at each.
    """
    pose = _in_the_water(scene, pinger, bearings)
    if pose is None:
        return None
    pose = replace(pose, position_m=places_about(scene, np.asarray(pose.position_m), rng))
    return TurnedPings(scene, pinger, pose, measure_blind(scene, pinger, pose, rng), np.arange(len(bearings)))


def measure_turned(scene: Scene, pinger: Pinger, bearings: Floats, rng: np.random.Generator) -> BlindPings | None:
    """One ping from each of m bearings where the vehicle stands, as the estimator measures it; None where a hydrophone
    would leave the water.

    Those that it does not answer tell nothing where it answers none, and are left to `BlindPings.answered` else.
    """
    pose = _in_the_water(scene, pinger, bearings)
    if pose is None:
        return None
    pings = measure_blind(scene, pinger, pose, rng)
    return pings if pings.answered.any() else _told_nothing(pings, 1 / pinger.frequency_hz)


def _in_the_water(scene: Scene, pinger: Pinger, bearings: Floats) -> Pose | None:
    pose = turned_poses(scene, pinger, bearings)
    return pose if np.all(scene.pool.contains(pose.to_site(scene.array.positions_m))) else None


def answered_all_round(pings: BlindPings, bearings: Floats) -> BlindPings:
    """Pings of bearings (m,) [rad], where one is not answered that of the nearest bearing that is.

    Echoes shift a ping by what its own direction makes of them, so pings must stay with their bearings.
    """
    answered = np.flatnonzero(pings.answered)
    away = np.abs(wrap_angle(bearings[:, None] - bearings[answered]))
    return pings.some(answered[away.argmin(axis=-1)])


def _told_nothing(pings: BlindPings, period_s: float) -> BlindPings:
    """Pings too weak to be measured: neither phase nor envelope tells of the arrival."""
    nothing = np.full(pings.window_s.shape, (_NOTHING_CYCLES * period_s) ** 2)
    return replace(pings, carrier_variance_s2=nothing, cycle_variance_s2=nothing, answered=np.ones_like(pings.answered))
