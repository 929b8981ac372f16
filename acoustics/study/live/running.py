"""The running solution of a run that is still going on: pings and poses in, after each ping an answer out."""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from acoustics.base.frames import Pose
from acoustics.base.record import record
from acoustics.base.table_model import Number, TableModel
from acoustics.base.toml_tables import validated
from acoustics.estimate.fuse import ALTERNATIVE, NONE_OF_THESE, Track, navigated_track, track_of_pings
from acoustics.io.navigation_stream import NavigationLog, NavigationState, Row
from acoustics.io.ping import Ping
from acoustics.io.ping_lines import ping_from_table, ping_table
from acoustics.scene.scene import Scene
from acoustics.study.fuse import FusedRun, RunErrors, errors_of_run, fuse_run
from acoustics.study.live.evidence import Commit, CommitRule, commit_or_not
from acoustics.study.live.next_waypoint import HeardPings, NextWaypoint, NextWaypoints
from acoustics.study.stations import station_model

_LATE_S = 5.0  # a ping that is earlier than the last by more was timed by a clock that went back
_SILENT_S = 10.0  # as long without a ping is worth a word
_KNOWN_PINGS = 1000  # by which a line that is read a second time is known
_USUAL_COST_S = 300.0  # of a wrong station, for choosing a waypoint where the user gives none


class _State(TableModel):
    """What a run is taken up from; its pings are read as the lines that they were."""

    pings: tuple[Any, ...]
    heard: Annotated[int, Field(strict=True, ge=0)]
    began_s: Number | None
    known: Annotated[tuple[tuple[Annotated[int, Field(strict=True)], Number], ...], Field(max_length=_KNOWN_PINGS)]
    navigation: NavigationState | None


@record
class RejectedPing:
    """A ping of the window that the position does not rest on, and why."""

    ping: int
    why: str


@record
class LiveAnswer:
    """What is known by now.

    `event`: "ping", or what else made the line: "silence", "end". `time_s` and `ping` are the newest ping's, and
    `elapsed_s` is since the first, on the recorder's clock; `heard` counts the pings of the run and `waiting` names
    those whose pose is not known yet. `solution` is what `fuse_run` says of the window's pings whose pose is known.
    """

    event: str
    time_s: float | None
    ping: int | None
    elapsed_s: float
    heard: int
    waiting: tuple[int, ...]
    rejected: tuple[RejectedPing, ...]
    flags: tuple[str, ...]
    solution: FusedRun | None
    commit: Commit | None
    next_waypoint: NextWaypoint | None


@dataclass
class LiveRun:
    """Pings of one pinger, and with `navigation` their poses, as they come.

    Parameters
    ----------
    scene : Scene, optional
        For the water's outline, the stations and the vehicle's dead reckoning.
    errors : RunErrors
        What is known of the errors beyond the pings.
    window : int
        The latest pings that are fused; earlier ones are let go, so that time and memory stay as they are.
    navigation : NavigationLog, optional
        Takes up the rows; without it the poses in the pings count.
    waypoints : NextWaypoints, optional
        For the next waypoint.
    rule : CommitRule
        When to commit to a station.
    by_echoes : bool
        As of `fuse_run`.
    """

    scene: Scene | None
    errors: RunErrors = RunErrors()
    window: int = 24
    navigation: NavigationLog | None = None
    waypoints: NextWaypoints | None = None
    rule: CommitRule = CommitRule()
    by_echoes: bool = False
    pings: list[Ping] = field(default_factory=list, init=False)
    heard: int = field(default=0, init=False)
    began_s: float | None = field(default=None, init=False)
    known: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=_KNOWN_PINGS), init=False)

    def knows(self, ping: Ping) -> bool:
        """Whether a ping was taken already, as when its line is read again after a restart."""
        return (ping.ping, ping.time_s) in self.known

    def take(self, ping: Ping) -> tuple[str, ...]:
        """Take up a new ping; returns what is odd about its time."""
        flags = []
        last = self.pings[-1].time_s if self.pings else ping.time_s
        if ping.time_s < last - _LATE_S:
            flags.append(
                f"the recorder's clock went back by {last - ping.time_s:.1f} s: the run begins again with this ping"
            )
            self._begin_again()
        elif ping.time_s > last + _SILENT_S:
            flags.append(
                f"no ping in the {ping.time_s - last:.0f} s before this one: the pinger was silent or out of reach, or "
                "the recorder's clock jumped ahead"
            )
        insort(self.pings, ping, key=lambda p: p.time_s)
        if self.began_s is None:
            self.began_s = ping.time_s
        self.heard += 1
        self.known.append((ping.ping, ping.time_s))
        del self.pings[: -self.window]
        if self.navigation is not None:
            self.navigation.forget_before(self.pings[0].time_s)
        return tuple(flags)

    def steer(self, rows: Iterable[Row]) -> None:
        """Take up rows of the navigation, in any order."""
        if self.navigation is not None:
            self.navigation.add(rows)

    def waits(self, ping: Ping) -> bool:
        """Whether the navigation does not say yet where a ping was heard."""
        if self.navigation is None:
            return False
        first, last = self.navigation.spans()
        return not first <= ping.time_s <= last

    def answer(self, event: str = "ping", ping: Ping | None = None, flags: tuple[str, ...] = ()) -> LiveAnswer:
        """What is known by now; `ping` is the one that the line is about."""
        waiting = [p for p in self.pings if self.waits(p)]
        fused = [p for p in self.pings if not self.waits(p)]
        if waiting:
            flags += (f"the navigation does not reach ping {waiting[-1].ping} at {waiting[-1].time_s:.3f} s",)
        solution = commit = following = None
        if fused:
            track = self._track(fused)
            errors = errors_of_run(fused, self.scene, self.errors, navigated=self.navigation is not None)
            solution = fuse_run(fused, track, errors, self.scene, by_echoes=self.by_echoes)
            following = self._next(fused, track, solution)
            commit = self._commit(solution, following)
        return LiveAnswer(
            event=event,
            time_s=None if ping is None else ping.time_s,
            ping=None if ping is None else ping.ping,
            elapsed_s=self._elapsed_s(),
            heard=self.heard,
            waiting=tuple(p.ping for p in waiting),
            rejected=() if solution is None else _rejected(solution),
            flags=flags,
            solution=solution,
            commit=commit,
            next_waypoint=following,
        )

    def table(self) -> dict[str, Any]:
        """The run as plain values, for `restore`."""
        return {
            "pings": [ping_table(ping) for ping in self.pings],
            "heard": self.heard,
            "began_s": self.began_s,
            "known": list(self.known),
            "navigation": None if self.navigation is None else self.navigation.table(),
        }

    def restore(self, table: object, source: str) -> None:
        """Take up a run where `table` was made; `source` is named in the refusal.

        Raises
        ------
        InputError
            If the table is no run.
        """
        state = validated(_State, table, source)
        self.pings = sorted((ping_from_table(entry, source) for entry in state.pings), key=lambda p: p.time_s)
        self.heard, self.began_s = state.heard, state.began_s
        self.known.extend(state.known)
        if self.navigation is not None and state.navigation is not None:
            self.navigation.restore(state.navigation)

    def _begin_again(self) -> None:
        self.pings, self.began_s, self.heard = [], None, 0
        self.known.clear()
        if self.navigation is not None:
            self.navigation.restore(NavigationState(rows=(), origin_m=None, travelled_m=0.0))

    def _elapsed_s(self) -> float:
        return self.pings[-1].time_s - self.began_s if self.pings and self.began_s is not None else 0.0

    def _track(self, pings: list[Ping]) -> Track:
        if self.navigation is None:
            return track_of_pings(pings)
        return navigated_track(self.navigation.navigation(), [ping.time_s for ping in pings])

    def _commit(self, solution: FusedRun, following: NextWaypoint | None) -> Commit | None:
        if not solution.stations:
            return None
        # Of several modes the probabilities hold the weights, so that they may decide where no single place does.
        undecided = solution.modes and solution.reason == ALTERNATIVE
        refusal = "" if solution.ok or undecided else solution.reason
        best = max(range(len(solution.stations)), key=lambda k: solution.probabilities[k])
        if solution.stations[best] == NONE_OF_THESE:
            refusal = refusal or "it is at none of the stations"
        return commit_or_not(
            solution.stations[best],
            solution.probabilities[best],
            self.rule,
            refusal=refusal,
            next_takes_s=None if following is None else following.takes_s,
            next_probability=(following and following.probability_after) or 0.0,
        )

    def _next(self, pings: list[Ping], track: Track, solution: FusedRun) -> NextWaypoint | None:
        finite = np.isfinite(solution.position_m).all() and np.isfinite(solution.covariance_m2).all()
        if self.waypoints is None or self.scene is None or not finite:
            return None
        kept = [k for k, row in enumerate(solution.pings) if row.status == "inlier"]
        variance = [np.trace(pings[k].tdoa_covariance_s2) / (2 * len(pings[k].tdoa_s)) for k in kept]
        pose = Pose(
            track.position_m[kept],
            *(np.asarray(angle)[kept] for angle in (track.roll, track.pitch, track.heading)),
        )
        by_clock = solution.clock
        heard = HeardPings(
            pose,
            np.asarray(track.origin_m),
            np.asarray(track.distance_m)[kept],
            np.array(variance),
            np.array([pings[k].time_s for k in kept]),
            by_clock.jitter_sd_s if by_clock is not None and by_clock.used else None,
        )
        return self.waypoints.choose(
            heard,
            self._here_m(track),
            solution.position_m,
            solution.covariance_m2,
            time_left_s=self.scene.study.time_limit_s - self._elapsed_s(),
            stations=station_model(self.scene) if self.scene.stations else None,
            wrong_station_cost_s=self.rule.wrong_station_cost_s or _USUAL_COST_S,
        )

    def _here_m(self, track: Track) -> np.ndarray:
        """Where the vehicle is by its latest pose [m]."""
        rows = self.navigation.rows if self.navigation is not None else None
        return np.array(rows[-1][1:4]) if rows else track.position_m[-1]


def _rejected(solution: FusedRun) -> tuple[RejectedPing, ...]:
    """The pings that are no inliers."""
    return tuple(
        RejectedPing(
            row.ping,
            f"not measured: {row.reason}"
            if row.status == "not measured"
            else f"{row.misfit:.1f} times as far from what the other pings predict as usual"
            if row.misfit is not None
            else "the other pings agree on another place",
        )
        for row in solution.pings
        if row.status != "inlier"
    )
