"""Bearings that an array will give where the vehicle stands, turned so that the pinger is heard from all sides.

A ping of each bearing is measured with its echoes as the vehicle's own estimator measures it, and then drawn many times
with noise, mounting, skew and sound speed. Scaled and uneven arrays are told apart by this one simulation.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.frames import Floats, Pose, bearing_and_depression, wrap_angle
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.record import record
from acoustics.scene.array import Array
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings, measure_blind, places_about
from acoustics.study.draws.pings import ArrivalErrors, BearingTrials, simulate_bearings

JOINED = 4  # pings at one place; by then a crew has heard enough to move on
_RENDERED_OVER_SIMULATED = 3.0  # of the uneven array of Mallard Basin 2.1 % of 471 were wrong, 0.5 to 0.9 simulated
_NOTHING_CYCLES = 1e3  # an arrival known no better than this tells no direction of any array


@record
class BearingOutcome:
    """Simulated with the echoes inside the estimator's window, 95 % intervals.

    Attributes
    ----------
    rms_deg : Interval
        Error of the bearing over all trials, wrong integers included.
    right_integer_deg : Interval
        Over those with the right integers; NaN where there are none.
    wrong_integer : Interval
        Share of the others.
    """

    rms_deg: Interval
    right_integer_deg: Interval
    wrong_integer: Interval

    @property
    def wrong_integer_deg(self) -> float:
        """RMS error of the pings with wrong integers [deg]; 0 without any."""
        share = self.wrong_integer.value
        right = (1.0 - share) * self.right_integer_deg.value**2 if share < 1.0 else 0.0
        return float(np.sqrt(max(self.rms_deg.value**2 - right, 0.0) / share)) if share > 0 else 0.0

    def surely_better_than(self, other: BearingOutcome, limit: float) -> bool:
        """Whether it errs less, interval against interval, and keeps a limit of wrong integers.

        Three times the share counts: so many had rendered pings of arrays beyond half a wavelength at times.
        """
        return self.rms_deg.high < other.rms_deg.low and _RENDERED_OVER_SIMULATED * self.wrong_integer.high <= limit

    @classmethod
    def of(cls, trials: BearingTrials, rng: np.random.Generator) -> BearingOutcome:
        """The intervals by bootstrap."""
        error_deg, wrong = np.rad2deg(trials.error), trials.wrong_integer
        nothing = Interval(float("nan"), float("nan"), float("nan"))
        return cls(
            rms_interval(error_deg, rng),
            nothing if wrong.all() else rms_interval(error_deg[~wrong], rng),
            rate_interval(int(wrong.sum()), len(wrong)),
        )


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


def measure_turned(
    scene: Scene, pinger: Pinger, bearings: Floats, rng: np.random.Generator, *, about: bool = False
) -> BlindPings | None:
    """One ping from each of m bearings as the estimator measures it; None where a hydrophone would leave the water.

    With `about`, within 20 cm of there: no vehicle keeps a place better, and echoes add in another phase at each.
    Those that it does not answer tell nothing where it answers none, and are left to `BlindPings.answered` else.
    """
    pose = turned_poses(scene, pinger, bearings)
    if not np.all(scene.pool.contains(pose.to_site(scene.array.positions_m))):
        return None
    if about:
        pose = replace(pose, position_m=places_about(scene, np.asarray(pose.position_m), rng))
    pings = measure_blind(scene, pinger, pose, rng)
    return pings if pings.answered.any() else _told_nothing(pings, 1 / pinger.frequency_hz)


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


def simulate_turned(
    scene: Scene,
    pinger: Pinger,
    hydrophones_m: Floats,
    pings: BlindPings,
    bearing: Floats,
    depression: Floats,
    rng: np.random.Generator,
    *,
    joined: int = 1,
) -> BearingTrials:
    """Bearings of far pingers by an array, from pings that were measured, in turn.

    Parameters
    ----------
    scene, pinger : Scene, Pinger
        For sound speed, frequency, and the sizes of errors; the scene's array is the one that is tried.
    hydrophones_m : ndarray, shape (n, 3)
        Positions [m], as the integers are searched for.
    pings : BlindPings
        Of which k are gone round.
    bearing, depression : ndarray, shape (trials,)
        True directions [rad], those of the pings in turn.
    joined : int
        Pings at one place whose phases and build-ups are averaged before the integers are chosen. Noise is new at each;
        echoes, skew, mounting and sound speed are not, and no number of pings lessens them.
    """
    ping = np.resize(np.arange(len(pings.window_s)), len(bearing))
    errors = ArrivalErrors(
        float(np.mean(pings.carrier_variance_s2)) / joined,
        float(np.mean(pings.cycle_variance_s2)) / joined,
        error_sizes_of(scene, pinger),
        pings.carrier_shift_s[ping],
        pings.envelope_shift_s[ping],
    )
    return simulate_bearings(
        hydrophones_m, bearing, depression, scene.sound_speed_m_s, errors, pinger.frequency_hz, rng
    )
