"""Directions of one ping: where a second one fits nearly as well, it is told, and no position is made of the first."""

from __future__ import annotations

import json

import numpy as np
import pytest

from acoustics.base.frames import direction
from acoustics.estimate.locate.direction import TWO_FIT, WiringMemory, with_direction
from acoustics.io.ping import NavigatedPose, Ping
from acoustics.io.ping_lines import ping_line

# All but one in the vertical plane ahead; the last is 18 mm beside it and alone tells port from starboard.
ARRAY = np.array([[0.0, 0, 0], [0, 0.018, 0], [-0.3, 0, 0], [0, 0, 0.15]])
C = 1480.0


def heard(bearing, *, short_baseline_reads=None, sd_s=7e-7):
    """A ping from that bearing; noise lets the short baseline read another sine than its own."""
    times = -ARRAY @ direction(bearing, 0.05) / C
    if short_baseline_reads is not None:
        times[1] = -0.018 * short_baseline_reads / C
    differences = np.hstack([-np.ones((3, 1)), np.eye(3)])
    ping = Ping(
        ping=1, pinger="amber pinger", time_s=0.5, frequency_hz=30e3, ok=True, reason="", energy_ratio_db=20.0, window_s=1e-4,
        method="phase", integer_probability=1.0, channels=("a", "b", "c", "d"), hydrophones_m=ARRAY,
        tolerances_m=np.full(4, 1e-3), reference=0, tdoa_s=differences @ times,
        tdoa_covariance_s2=sd_s**2 * differences @ differences.T, skew_sd_s=0.0, flags=(), sound_speed_m_s=C, sound_speed_sd_m_s=1.0,
        candidates=(), p_value=np.nan, position_m=None, position_covariance_m2=None, position_reason="",
        pose=NavigatedPose((0.0, 0.0, 1.0), depth_sd_m=0.05), depth_m=1.3, depth_sd_m=0.05, site_bearing=(),
        site_position_m=None,
    )  # fmt: skip
    return with_direction(ping, WiringMemory())


@pytest.mark.parametrize("side", [1, -1])
def test_near_the_plane_both_sides_are_told_and_no_position(side):
    ping = heard(side * 0.2, short_baseline_reads=side * 0.03)
    assert ping.ok and len(ping.candidates) == len(ping.site_bearing) == 2
    first, second = ping.candidates
    assert first.bearing == pytest.approx(side * 0.2, abs=0.05)
    assert second.bearing == pytest.approx(-side * 0.2, abs=0.05)
    assert first.probability + second.probability == pytest.approx(1.0)
    assert 0.05 < second.probability < 0.5
    assert ping.position_m is None and ping.position_reason == TWO_FIT
    assert json.loads(ping_line(ping))["candidates"][1]["probability"] == second.probability


def test_far_from_the_plane_there_is_one_direction():
    ping = heard(1.2)
    assert [c.probability for c in ping.candidates] == pytest.approx([1.0], abs=0.01)
    assert ping.position_m is not None
