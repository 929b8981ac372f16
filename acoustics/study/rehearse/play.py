"""One run played in simulated time: from rendered samples through `locate` and the running solution to the decision."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.frames import Floats, Pose, wrap_angle
from acoustics.base.record import record
from acoustics.io.navigation_stream import NavigationLog
from acoustics.io.ping import Ping
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import SimulatedVehicle
from acoustics.study.execution import Arrays
from acoustics.study.live import CommitRule, LiveAnswer, LiveRun, NextWaypoints
from acoustics.study.locate import heard_ping

OUTCOMES = ("right station", "wrong station", "not in the time")
_ROW_S = 0.05  # the navigation gives a pose so long before and after each ping
_LARGEST_SEED = 2**63


@record
class PlayedRuns:
    """Runs to play: their scene, pinger and rule, and a seed for each."""

    scene: Scene
    pinger: Pinger
    rule: CommitRule
    seeds: tuple[np.random.SeedSequence, ...]


def play(runs: PlayedRuns) -> Arrays:
    """Play runs one after another; arrays of shape (n_runs, ...), and of the first run what was at each ping."""
    waypoints = NextWaypoints(runs.scene, runs.pinger)
    played = [_Played(runs, waypoints, seed).play() for seed in runs.seeds]
    columns = {name: np.stack([one[name] for one in played]) for name in played[0] if name not in _WAYS}
    return columns | {name: played[0][name] for name in _WAYS}


_WAYS = ("believed_m", "true_m", "sounded_s", "stated_m", "stated_m2")


def _position(answer: LiveAnswer | None) -> tuple[Floats, Floats]:
    """Horizontal position (2,) [m] and covariance (2, 2) [m^2] of an answer; NaN where it has none."""
    if answer is None or answer.solution is None:
        return np.full(2, np.nan), np.full((2, 2), np.nan)
    return answer.solution.position_m[:2], answer.solution.covariance_m2[:2, :2]


class _Played:
    """The world of one run: the pinger's place, the array's and the vehicle's errors, the clock."""

    def __init__(self, runs: PlayedRuns, waypoints: NextWaypoints, seed: np.random.SeedSequence) -> None:
        self._rng = np.random.default_rng(seed)
        scene, rng = runs.scene, self._rng
        priors = np.array([station.prior for station in scene.stations])
        self._truth = int(rng.choice(len(priors), p=priors / priors.sum()))
        self._pinger = runs.pinger.model_copy(update={"position_m": self._place(scene)})
        self._scene = scene.model_copy(update={"pingers": (self._pinger,)})
        drift = 0.0 if runs.pinger.pri_sd_ppm is None else 1e-6 * runs.pinger.pri_sd_ppm * rng.normal()
        self._interval_s = runs.pinger.pri_s * (1.0 + float(drift))
        self._array_seed = int(rng.integers(_LARGEST_SEED))  # the same array and instruments all the run
        self._vehicle = SimulatedVehicle(scene, error_sizes_of(scene, runs.pinger), rng)
        self._run = LiveRun(scene, navigation=NavigationLog("navigation"), waypoints=waypoints, rule=runs.rule)
        self._moving_db = max(
            (state.self_noise_density_db for state in scene.noise.states), default=scene.noise.self_noise_density_db
        )

    def _place(self, scene: Scene) -> tuple[float, float, float]:
        """About its station, in the water."""
        x, y, z = scene.stations[self._truth].position_m
        for _ in range(100):
            off = self._rng.normal(size=2) * scene.study.station_spread_m
            if scene.pool.contains((x + off[0], y + off[1], z)):
                return (float(x + off[0]), float(y + off[1]), z)
        return (x, y, z)

    def play(self) -> Arrays:
        """From the first ping to the decision, or to the end of the time."""
        plan, pinger, vehicle = self._scene.study, self._pinger, self._vehicle
        due = at = float(self._rng.uniform(0.0, pinger.pri_s))
        target, heading, heard_here, stops, number, last = vehicle.believed_m, vehicle.heading, 0, 0, 0, 0.0
        answer: LiveAnswer | None = None
        believed, true, sounded, stated = [], [], [], []
        while at <= plan.time_limit_s:
            there = vehicle.go(target, plan.speed_m_s * (at - last))
            if there:
                vehicle.heading = heading
            pose, last, number = vehicle.true_pose(), at, number + 1
            believed.append(vehicle.believed_m)
            true.append(np.asarray(pose.position_m))
            ping = self._heard(number, at, pose, moving=not there)
            if ping is not None:
                answer = self._answered(ping, at)
            sounded.append(at)
            stated.append(_position(answer))
            if ping is not None and answer is not None and answer.commit is not None and answer.commit.now:
                break
            heard_here += there
            following = None if answer is None else answer.next_waypoint
            if heard_here >= plan.pings_per_waypoint and following is not None:
                target, heading = following.position_m, float(np.deg2rad(following.heading_deg))
                heard_here, stops = 0, stops + 1
            due += self._interval_s
            at = due + float(self._rng.normal() * pinger.start_jitter_s)
        return self._outcome(answer, min(at, plan.time_limit_s), stops, number) | {
            "believed_m": np.array(believed).reshape(-1, 3),
            "true_m": np.array(true).reshape(-1, 3),
            "sounded_s": np.array(sounded),
            "stated_m": np.array([place for place, _ in stated]).reshape(-1, 2),
            "stated_m2": np.array([covariance for _, covariance in stated]).reshape(-1, 2, 2),
        }

    def _heard(self, number: int, at_s: float, pose: Pose, *, moving: bool) -> Ping | None:
        """What `locate` makes of the samples about a ping sent at a time; None where it hears none."""
        scene = self._scene
        if not scene.pool.contains(pose.to_site(scene.array.positions_m)).all():
            return None
        roll, pitch, heading = (float(np.rad2deg(wrap_angle(a))) for a in (pose.roll, pose.pitch, pose.heading))
        place = tuple(np.asarray(pose.position_m).tolist())
        vehicle = scene.vehicle.model_copy(
            update={"position_m": place, "roll_deg": roll, "pitch_deg": pitch, "heading_deg": heading}
        )
        noise = scene.noise
        if moving:
            noise = noise.model_copy(update={"self_noise_density_db": self._moving_db})
        here = scene.model_copy(update={"vehicle": vehicle, "noise": noise})
        noise_seed = np.random.SeedSequence(self._rng.integers(_LARGEST_SEED))
        ping = heard_ping(here, self._believed(), array_seed=self._array_seed, noise_seed=noise_seed, at_s=at_s)
        return None if ping is None else replace(ping, ping=number)

    def _believed(self) -> dict[str, object]:
        held = self._scene.vehicle
        return {
            "position_m": tuple(self._vehicle.believed_m.tolist()),
            "roll_deg": held.roll_deg,
            "pitch_deg": held.pitch_deg,
            "heading_deg": float(np.rad2deg(wrap_angle(self._vehicle.heading))),
        }

    def _answered(self, ping: Ping, at_s: float) -> LiveAnswer:
        """The running solution after a ping, as `fuse -` has it."""
        held = self._scene.vehicle
        angles = (held.roll_deg, held.pitch_deg, float(np.rad2deg(self._vehicle.heading)))
        place = self._vehicle.believed_m.tolist()
        self._run.steer([(ping.time_s - _ROW_S, *place, *angles), (ping.time_s + _ROW_S, *place, *angles)])
        return self._run.answer("ping", ping, self._run.take(ping))

    def _outcome(self, answer: LiveAnswer | None, time_s: float, stops: int, pings: int) -> dict[str, Floats]:
        outcome, fix, covariance = 2, np.full(3, np.nan), np.full((2, 2), np.nan)
        stated = np.nan
        if answer is not None and answer.solution is not None:
            fix, covariance = answer.solution.position_m, answer.solution.covariance_m2[:2, :2]
            if answer.commit is not None and answer.commit.now:
                right = answer.commit.station == self._scene.stations[self._truth].name
                outcome, stated = (0 if right else 1), answer.commit.probability
        return {
            "outcome": np.array(outcome),
            "truth": np.array(self._truth),
            "source_m": np.array(self._pinger.position_m),
            "time_s": np.array(time_s),
            "distance_m": np.array(self._vehicle.travelled_m),
            "stops": np.array(stops),
            "pings": np.array(pings),
            "stated": np.array(stated),
            "fix_m": fix,
            "covariance_m2": covariance,
        }
