"""From located pings to what is fused: channels joined by name, poses from the pings or from the navigation."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.estimate.fuse.echo_places import echo_places, usable_echoes
from acoustics.estimate.fuse.run import PingClock, PingRun, Track
from acoustics.estimate.fuse.stops import UndetectedEchoes
from acoustics.io.ping import Ping
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix

_SAME_PLACE_M = 1e-6


def run_of_pings(
    pings: Sequence[Ping],
    clock: PingClock | None = None,
    off_clock: Collection[int] = (),
    profile: SoundSpeedProfile | None = None,
    *,
    by_echoes: bool = False,
) -> PingRun:
    """Pings of one pinger as a run of batch shape (); a ping that is not ok is there, but not measured.

    With a clock their arrival times count, but for those of the pings of indices `off_clock`. With a
    profile of the sound speed the rays are bent. `by_echoes`: a place by echoes that may be used stands for its ping's
    time differences.

    Raises
    ------
    ParameterError
        If there is no ping, a channel stands at different places in two of them, or the echoes are not of one sketch.
    """
    if not pings:
        raise ParameterError("no ping to fuse")
    places = _channels(pings)
    names = list(places)
    n, k = max(len(names), 2), max(max((len(p.tdoa_s) for p in pings), default=1), 1)
    delay, covariance = np.zeros((len(pings), k)), np.tile(np.eye(k), (len(pings), 1, 1))
    differences = np.zeros((len(pings), k, n))
    for i, ping in enumerate(pings):
        own = len(ping.tdoa_s)
        if by_echoes and usable_echoes(ping):
            continue
        if not ping.ok or own == 0:
            delay[i] = np.nan
            continue
        delay[i, :own], covariance[i, :own, :own] = ping.tdoa_s, ping.tdoa_covariance_s2
        columns = [names.index(name) for name in ping.channels]
        differences[i][np.ix_(range(own), columns)] = difference_matrix(own + 1, ping.reference)
    hydrophones = np.zeros((n, 3))
    hydrophones[: len(names)] = [place for place, _ in places.values()]
    speed = np.array([ping.sound_speed_m_s for ping in pings])
    shares = np.array([ping.lasting_share for ping in pings])
    further: dict[str, Any] = {"profile": profile, "undetected": UndetectedEchoes(shares, pings[0].frequency_hz)}
    if by_echoes:
        further["echoes"] = echo_places(pings, names, n)
    if (m := max(len(ping.integers) for ping in pings)) > 1:
        offset, misfit = _alternatives(pings, m, k)
        further |= {"alternatives_s": offset, "alternative_misfit": misfit}
    if clock is not None:
        arrival = [np.nan if i in off_clock or not ping.ok else ping.time_s for i, ping in enumerate(pings)]
        first = [names.index(ping.channels[0]) if ping.channels else 0 for ping in pings]
        further |= {"arrival_s": np.array(arrival), "heard_first": np.array(first), "clock": clock}
    return PingRun(delay, covariance, hydrophones, differences, speed, **further)


def _alternatives(pings: Sequence[Ping], m: int, k: int) -> tuple[Floats, Floats]:
    """What the integers of the pings add to their k delays, (n_pings, m, k) [s], and their misfits, (n_pings, m)."""
    offset, misfit = np.zeros((len(pings), m, k)), np.full((len(pings), m), np.inf)
    misfit[:, 0] = 0.0  # a ping of which none were compared stands as it is
    for i, ping in enumerate(pings):
        for j, one in enumerate(ping.integers):
            offset[i, j, : len(one.cycles)] = np.array(one.cycles) / ping.frequency_hz
            misfit[i, j] = one.build_up_misfit
    return offset, misfit


def _channels(pings: Sequence[Ping]) -> dict[str, tuple[Floats, float]]:
    """Place [m] and tolerance [m] of every channel of a run, in the order of the run's hydrophones."""
    places: dict[str, tuple[Floats, float]] = {}
    for ping in pings:
        for name, place, tolerance in zip(ping.channels, ping.hydrophones_m, ping.tolerances_m, strict=True):
            known = places.setdefault(name, (place, float(tolerance)))
            if np.abs(known[0] - place).max() > _SAME_PLACE_M:
                before, now = (np.round(place_m, 4).tolist() for place_m in (known[0], place))
                raise ParameterError(
                    f"channel {name!r} stands at {before} m in one ping and at {now} m in ping {ping.ping}: fuse only "
                    "pings of one array"
                )
    return places


def track_of_pings(pings: Sequence[Ping]) -> Track:
    """The poses that stand in the pings, in their order."""
    poses = [ping.pose for ping in pings]
    return Track(
        position_m=np.array([pose.position_m for pose in poses]),
        roll=np.array([pose.roll for pose in poses]),
        pitch=np.array([pose.pitch for pose in poses]),
        heading=np.array([pose.heading for pose in poses]),
    )


def error_sizes_of_pings(
    pings: Sequence[Ping],
    *,
    heading_bias_sd: float | None,
    drift_sd_m_per_root_m: float,
    log_scale_sd: float,
    dead_reckoned: bool = True,
    sound_speed_sd_m_s: float | None = None,
) -> ErrorSizes:
    """The largest standard deviations in the pings and their poses, and of the run what no ping tells.

    Without `heading_bias_sd` [rad] all of the heading's error is taken to last; else what it leaves of the heading's
    variance is new at each ping. `sound_speed_sd_m_s` [m/s] stands in the place of the pings' own.
    """
    poses = [ping.pose for ping in pings]
    heading = max(pose.heading_sd for pose in poses)
    lasting = heading if heading_bias_sd is None else heading_bias_sd
    jitter = np.sqrt(max(heading**2 - lasting**2, 0.0))
    tolerances = [tolerance for _, tolerance in _channels(pings).values()]
    if sound_speed_sd_m_s is None:
        sound_speed_sd_m_s = max(ping.sound_speed_sd_m_s for ping in pings)
    return ErrorSizes(
        heading_bias_sd=lasting,
        attitude_sd=np.array([max(pose.roll_sd for pose in poses), max(pose.pitch_sd for pose in poses), jitter]),
        position_sd_m=max(pose.position_sd_m for pose in poses),
        depth_sd_m=max(pose.depth_sd_m for pose in poses),
        drift_sd_m_per_root_m=drift_sd_m_per_root_m * dead_reckoned,
        log_scale_sd=log_scale_sd * dead_reckoned,
        dead_reckoned=dead_reckoned,
        sound_speed_sd_m_s=sound_speed_sd_m_s,
        element_sd_m=np.array(tolerances + [0.0] * (2 - len(tolerances))),
        skew_sd_s=np.array(max(ping.skew_sd_s for ping in pings)),
    )
