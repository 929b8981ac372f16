"""Runs along bent rays: arrival times by eigenrays, code that the fit does not use."""

import numpy as np
import pytest

from acoustics.estimate.fuse import PingClock, PingRun, Track, fuse_pings
from acoustics.estimate.fuse.fusion import SHADOW
from acoustics.physics.eigenrays import eigenrays
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import difference_matrix

ARRAY = 0.2 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, -1, 1], [-1, 1, -1], [0.3, 0.2, -0.5]])
D = difference_matrix(5)
SD_S = 2e-7


def times(profile, source, poses, *, first):
    """Of each pose at each hydrophone [s]: of the first ray to come, or of that which leaves flattest."""
    found = np.empty((len(poses), len(ARRAY)))
    for k, pose in enumerate(poses):
        places = ARRAY + pose
        across = np.hypot(*(places - source)[:, :2].T)
        steep = np.maximum(0.7, np.arctan2(source[2] - places[:, 2], across) + 0.2)
        rays = eigenrays(profile.depth_m, profile.speed_m_s, source[2], places[:, 2:], across, steepest=steep)
        for h in range(len(ARRAY)):
            of = np.flatnonzero(rays.receiver == h)
            chosen = of[np.argmin(rays.ends.time_s[of] if first else np.abs(rays.angle[of]))]
            found[k, h] = rays.ends.time_s[chosen]
    return found


def fused(profile, delays, poses, depth_m, speed, along):
    run = PingRun(delays @ D.T, SD_S**2 * (D @ D.T), ARRAY, D, speed, profile=along)
    errors = ErrorSizes(attitude_sd=np.full(3, 2e-3), element_sd_m=np.array(1e-4))
    return fuse_pings(run, Track(poses), errors, source_depth_m=depth_m, source_depth_sd_m=0.05)


@pytest.mark.parametrize("range_m", [30.0, 60.0, 85.0])
def test_rays_that_turn_on_their_way_lead_to_the_source(range_m):
    """A leg of 30 m past it; from 45 m on the ray leaves the array upwards, or turns. Straight lines lead far beyond."""
    profile = SoundSpeedProfile(np.array([0.0, 3.0, 6.0, 20.0]), np.array([1486.0, 1483.0, 1460.0, 1445.0]))
    source = np.array([range_m, 5.0, 9.0])
    poses = np.stack([np.zeros(4), np.linspace(-15.0, 15.0, 4), np.full(4, 2.0)], axis=-1)
    speed = float(np.interp(2.0, profile.depth_m, profile.speed_m_s))
    delays = times(profile, source, poses, first=True)
    bent, straight = (fused(profile, delays, poses, 9.0, speed, along) for along in (profile, None))
    assert bent.ok and bent.reason != SHADOW
    off = np.hypot(*(bent.position_m - source)[:2])
    assert off < np.sqrt(np.trace(bent.covariance_m2[:2, :2]))
    assert np.hypot(*(straight.position_m - source)[:2]) > 5.0 * off


def test_where_another_ray_would_come_first_nothing_is_concluded():
    """Warm water over cold, both ends in the cold; these pings are said to have come by the level ray, a later one."""
    profile = SoundSpeedProfile(np.array([0.0, 2.0, 6.0, 20.0]), np.array([1486.0, 1485.0, 1446.0, 1445.9]))
    source = np.array([90.0, 5.0, 7.0])
    poses = np.stack([np.zeros(4), np.linspace(-25.0, 25.0, 4), np.full(4, 7.0)], axis=-1)
    late, early = (
        fused(profile, times(profile, source, poses, first=first), poses, 7.0, 1446.0, profile)
        for first in (False, True)
    )
    assert not late.ok and late.reason == SHADOW
    assert np.hypot(*(late.position_m - source)[:2]) < 10.0
    assert not (early.ok and np.hypot(*(early.position_m - source)[:2]) > 10.0)


def test_arrival_times_are_those_along_the_bent_rays():
    """A leg from 30 m to 6 m away, heard by a clock that keeps its interval. Times along straight lines to where the
    source seems to be grow by 0.3 ms less on the way, 0.4 m of sound, and would put it far outside what is stated."""
    profile = SoundSpeedProfile(np.array([0.0, 3.0, 6.0, 20.0]), np.array([1486.0, 1483.0, 1460.0, 1445.0]))
    source = np.array([30.0, 2.0, 9.0])
    poses = np.stack([np.linspace(0.0, 24.0, 5), np.zeros(5), np.full(5, 2.0)], axis=-1)
    speed = float(np.interp(2.0, profile.depth_m, profile.speed_m_s))
    heard = times(profile, source, poses, first=True)
    run = PingRun(
        heard @ D.T, (10 * SD_S) ** 2 * (D @ D.T), ARRAY, D, speed, profile=profile,
        arrival_s=heard[:, 0] + 2.0 * np.arange(5), clock=PingClock(2.0, 1e-9, 1e-5),
    )  # fmt: skip
    fix = fuse_pings(run, Track(poses), ErrorSizes(), source_depth_m=9.0, source_depth_sd_m=0.05)
    off = np.hypot(*(fix.position_m - source)[:2])
    assert fix.ok and off < 2.0 * np.sqrt(np.trace(fix.covariance_m2[:2, :2])) and off < 0.05
