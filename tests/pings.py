"""Located pings made up for tests: bare ones of given delays, and those of a source that a vehicle hears."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.base.frames import Pose, bearing_and_depression
from acoustics.io.ping import Candidate, NavigatedPose, Ping
from acoustics.physics.tdoa import difference_matrix, spherical_time


def bare_ping(hydrophones_m, times_s, *, sd_s, **told):
    """Arrival times at hydrophones (n, 3), each with a standard deviation, before directions are sought.

    `told` replaces any of its other fields.
    """
    n, differences = len(hydrophones_m), difference_matrix(len(hydrophones_m))
    bare = Ping(
        ping=1, pinger="amber pinger", time_s=0.5, frequency_hz=30e3, ok=True, reason="", energy_ratio_db=20.0, window_s=1e-4,
        method="phase", integer_probability=1.0, channels=tuple(f"h{k}" for k in range(n)), hydrophones_m=hydrophones_m,
        tolerances_m=np.full(n, 1e-3), reference=0, tdoa_s=differences @ times_s,
        tdoa_covariance_s2=sd_s**2 * differences @ differences.T, skew_sd_s=0.0, flags=(), sound_speed_m_s=1480.0,
        sound_speed_sd_m_s=1.0, candidates=(), p_value=np.nan, position_m=None, position_covariance_m2=None, position_reason="",
        pose=NavigatedPose(), depth_m=None, depth_sd_m=None, site_bearing=(), site_position_m=None,
    )  # fmt: skip
    return replace(bare, **told)


def heard_ping(scene, place_m, heading, source_m, rng, *, sd_s=2e-7, hydrophones_m=None, tolerance_m=0.0005, **told):
    """What a level vehicle at a place hears of a source: noisy delays, the right direction, no position."""
    hydrophones = scene.array.positions_m if hydrophones_m is None else hydrophones_m
    n, pose = len(hydrophones), Pose(place_m, 0.0, 0.0, heading)
    times = spherical_time(pose.to_site(hydrophones), source_m, scene.sound_speed_m_s) + sd_s * rng.normal(size=n)
    bearing, depression = (float(angle) for angle in bearing_and_depression(pose.to_body(source_m[None])[0]))
    return bare_ping(
        hydrophones, times, sd_s=sd_s, channels=tuple(h.name for h in scene.array.hydrophones[:n]),
        tolerances_m=np.full(n, tolerance_m), sound_speed_m_s=scene.sound_speed_m_s, sound_speed_sd_m_s=2.0, p_value=0.5,
        candidates=(Candidate(bearing, depression, 0.02, 0.05),), site_bearing=(bearing + heading,),
        pose=NavigatedPose(tuple(np.asarray(place_m).tolist()), 0.0, 0.0, heading, 0.05, 0.05, 0.01, 0.01, 0.03),
        depth_m=2.4, depth_sd_m=0.2, **told,
    )  # fmt: skip
