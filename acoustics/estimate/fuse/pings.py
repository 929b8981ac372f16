"""From located pings to what is fused: channels joined by name, poses from the pings or from the navigation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.estimate.fuse.run import PingRun, PoseErrors, Track
from acoustics.io.ping import Ping
from acoustics.physics.tdoa import difference_matrix

_SAME_PLACE_M = 1e-6


def run_of_pings(pings: Sequence[Ping], *, sound_speed_sd_m_s: float | None = None) -> PingRun:
    """Pings of one pinger as a run of batch shape (); a ping that is not ok is there, but not measured.

    The standard deviations of the sound speed [m/s] and of the channels' skew, which the run shares, are the largest
    that stand in the pings, unless that of the sound speed is given.

    Raises
    ------
    ParameterError
        If there is no ping, or a channel stands at different places in two of them.
    """
    if not pings:
        raise ParameterError("no ping to fuse")
    places: dict[str, tuple[Floats, float]] = {}
    for ping in pings:
        for name, place, tolerance in zip(ping.channels, ping.hydrophones_m, ping.tolerances_m, strict=True):
            known = places.setdefault(name, (place, float(tolerance)))
            if np.abs(known[0] - place).max() > _SAME_PLACE_M:
                raise ParameterError(
                    f"channel {name!r} stands at {known[0].tolist()} m in one ping and at {place.tolist()} m in ping "
                    f"{ping.ping}: fuse only pings of one array"
                )
    names = list(places)
    n, k = max(len(names), 2), max(max((len(p.tdoa_s) for p in pings), default=1), 1)
    delay, covariance = np.zeros((len(pings), k)), np.tile(np.eye(k), (len(pings), 1, 1))
    differences = np.zeros((len(pings), k, n))
    for i, ping in enumerate(pings):
        own = len(ping.tdoa_s)
        if not ping.ok or own == 0:
            delay[i] = np.nan
            continue
        delay[i, :own], covariance[i, :own, :own] = ping.tdoa_s, ping.tdoa_covariance_s2
        columns = [names.index(name) for name in ping.channels]
        differences[i][np.ix_(range(own), columns)] = difference_matrix(own + 1, ping.reference)
    hydrophones, tolerances = np.zeros((n, 3)), np.zeros(n)
    for column, (place, tolerance) in enumerate(places.values()):
        hydrophones[column], tolerances[column] = place, tolerance
    return PingRun(
        delay,
        covariance,
        hydrophones,
        differences,
        np.array([ping.sound_speed_m_s for ping in pings]),
        max(ping.sound_speed_sd_m_s for ping in pings) if sound_speed_sd_m_s is None else sound_speed_sd_m_s,
        tolerances,
        max(ping.skew_sd_s for ping in pings),
    )


def track_of_pings(pings: Sequence[Ping]) -> Track:
    """The poses that stand in the pings, in their order."""
    poses = [ping.pose for ping in pings]
    return Track(
        position_m=np.array([pose.position_m for pose in poses]),
        roll=np.array([pose.roll for pose in poses]),
        pitch=np.array([pose.pitch for pose in poses]),
        heading=np.array([pose.heading for pose in poses]),
    )


def pose_errors_of_pings(
    pings: Sequence[Ping], *, heading_bias_sd: float | None, drift_sd_m_per_root_m: float, log_scale_sd: float
) -> PoseErrors:
    """The largest standard deviations in the pings' poses, and of the run what no ping tells.

    Without `heading_bias_sd` [rad] all of the heading's error is taken to last; else what it leaves of the heading's
    variance is new at each ping.
    """
    poses = [ping.pose for ping in pings]
    heading = max(pose.heading_sd for pose in poses)
    lasting = heading if heading_bias_sd is None else heading_bias_sd
    jitter = np.sqrt(max(heading**2 - lasting**2, 0.0))
    return PoseErrors(
        heading_bias_sd=lasting,
        attitude_sd=(max(pose.roll_sd for pose in poses), max(pose.pitch_sd for pose in poses), jitter),
        position_sd_m=max(pose.position_sd_m for pose in poses),
        depth_sd_m=max(pose.depth_sd_m for pose in poses),
        drift_sd_m_per_root_m=drift_sd_m_per_root_m,
        log_scale_sd=log_scale_sd,
    )
