"""Directions of one ping: a second one that fits is told, a misfit is refused, and a near pinger is no misfit."""

from __future__ import annotations

import json

import numpy as np
import pytest
from pings import bare_ping

from acoustics.base.frames import direction
from acoustics.estimate.locate.direction import EITHER_SIDE, MANY_FIT, TWO_FIT, UNDECIDED, with_directions
from acoustics.io.ping import MISFIT, IntegerAlternative, NavigatedPose
from acoustics.io.ping_lines import ping_line

# All but one in the vertical plane ahead; the last is 18 mm beside it and alone tells port from starboard.
ARRAY = np.array([[0.0, 0, 0], [0, 0.018, 0], [-0.3, 0, 0], [0, 0, 0.15]])
C = 1480.0


def heard(bearing, *, depression=0.05, depth_m=1.3, short_baseline_reads=None, sd_s=7e-7):
    """A ping from that bearing; noise lets the short baseline read another sine than its own."""
    times = -ARRAY @ direction(bearing, depression) / C
    if short_baseline_reads is not None:
        times[1] = -0.018 * short_baseline_reads / C
    pose = NavigatedPose((0.0, 0.0, 1.0), depth_sd_m=0.05)
    return with_directions([bare_ping(ARRAY, times, sd_s=sd_s, pose=pose, depth_m=depth_m, depth_sd_m=0.05)])[0]


def of_times(hydrophones, times, *, sd_s, tolerance_m=1e-3, **known):
    """A ping of an array of any size; nothing is known of the pinger's depth unless it is given."""
    tolerances = np.full(len(hydrophones), tolerance_m)
    return with_directions([bare_ping(hydrophones, times, sd_s=sd_s, tolerances_m=tolerances, **known)])[0]


CUBE = 0.00875 * np.array([[x, y, z] for x in (1.0, -1.0) for y in (1.0, -1.0) for z in (1.0, -1.0)])
WIDE = np.array([[0.30, 0, 0.10], [0.2825, 0, 0.10], [0.30, 0.0175, 0.10], [0.30, 0, 0.15], [-0.20, 0.15, 0.10]])


@pytest.mark.parametrize("side", [1, -1])
def test_near_the_plane_both_sides_are_told_and_no_position(side):
    ping = heard(side * 0.2, short_baseline_reads=side * 0.055)
    assert ping.ok and len(ping.candidates) == len(ping.site_bearing) == 2
    first, second = ping.candidates
    assert first.bearing == pytest.approx(side * 0.2, abs=0.06)
    assert second.bearing == pytest.approx(-side * 0.2, abs=0.06)
    assert first.probability + second.probability == pytest.approx(1.0)
    assert 0.05 < second.probability < 0.5
    assert ping.position_m is None and ping.position_reason == TWO_FIT
    assert json.loads(ping_line(ping))["candidates"][1]["probability"] == second.probability


def test_far_from_the_plane_there_is_one_direction():
    ping = heard(1.2, depression=0.3, depth_m=3.3)
    assert [c.probability for c in ping.candidates] == pytest.approx([1.0], abs=0.01)
    assert ping.position_m is not None


@pytest.mark.parametrize(("listed", "reason", "unlocated"), [
    (0.97, "", ""), (0.9, "", MANY_FIT), (0.55, "", MANY_FIT), (0.45, UNDECIDED, MANY_FIT),
])  # fmt: skip
def test_integers_too_many_to_be_listed_may_be_of_any_direction(listed, reason, unlocated):
    times = -ARRAY @ direction(1.2, 0.3) / C
    told = {"pose": NavigatedPose((0.0, 0.0, 1.0), depth_sd_m=0.05), "depth_m": 3.3, "depth_sd_m": 0.05}
    integers = (IntegerAlternative((0, 0, 0), listed, 0.0),)
    bare = bare_ping(ARRAY, times, sd_s=7e-7, integers=integers, integers_left_out=1.0 - listed, **told)
    ping = with_directions([bare])[0]
    assert ping.ok and ping.reason == reason
    # A sure direction off the plane, had all integers been listed.
    assert ping.candidates[0].probability == pytest.approx(listed, abs=1e-3)
    assert (ping.position_m is None) == bool(unlocated) and ping.position_reason == unlocated


@pytest.mark.parametrize("fault", ["inverted", "swapped"])
def test_the_very_first_ping_of_a_wrongly_wired_array_is_refused(fault):
    times = -CUBE @ direction(0.7, 0.2) / C
    if fault == "inverted":
        times[3] += 0.5 / 30e3
    else:
        times[[0, 7]] = times[[7, 0]]
    ping = of_times(CUBE, times, sd_s=2e-7, tolerance_m=2e-4)
    assert ping.p_value < 1e-3 and not ping.ok and ping.reason == MISFIT
    assert ping.position_m is None and ping.position_reason == MISFIT
    assert "inverted" in MISFIT and "echo" in MISFIT and "integers" in MISFIT
    assert ping.can_calibrate, "a calibration finds out why it does not fit"


@pytest.mark.slow
@pytest.mark.thorough
def test_healthy_pings_are_refused_no_more_often_than_the_p_value_says():
    rng = np.random.default_rng(3)
    refused = 0
    for bearing in rng.uniform(-np.pi, np.pi, 150):
        moved = CUBE + 1e-3 * rng.normal(size=CUBE.shape)
        times = -moved @ direction(bearing, 0.3) / (C + rng.normal()) + 3e-7 * rng.normal(size=8)
        refused += not of_times(CUBE, times, sd_s=3e-7).ok
    # At one in a thousand 0.15 are due; over 3 come once in 50,000 such tests (Poisson).
    assert refused <= 3


def test_a_near_pinger_is_no_misfit_of_a_wide_array():
    source = WIDE.mean(axis=0) + 1.6 * direction(1.9, 0.2)
    times = np.linalg.norm(source - WIDE, axis=-1) / C
    ping = of_times(WIDE, times, sd_s=1e-7, tolerance_m=1e-4)
    assert ping.ok and ping.reason == "" and ping.p_value > 1e-3


def test_a_line_answers_with_its_cone_and_the_depths_sharpen_it():
    line = np.array([[0.0, y, 0.0] for y in (-0.02625, -0.00875, 0.00875, 0.02625)])
    times = -line @ direction(0.6, np.deg2rad(40.0)) / C
    vague = of_times(line, times, sd_s=1e-7)
    assert vague.ok and vague.position_m is None and vague.position_reason == EITHER_SIDE
    ahead = min(vague.candidates, key=lambda c: abs(c.bearing))
    assert abs(ahead.bearing - 0.6) < 1.96 * ahead.bearing_sd and ahead.depression_share > 0.99
    assert ahead.depression_sd == np.inf
    assert json.loads(ping_line(vague))["candidates"][0]["depression_share"] > 0.99
    depths = {"pose": NavigatedPose((0.0, 0.0, 1.0), depth_sd_m=0.05), "depth_m": 1.5, "depth_sd_m": 0.05}
    sharp = of_times(line, times, sd_s=1e-7, **depths)
    assert max(c.bearing_sd for c in sharp.candidates) < 0.5 * ahead.bearing_sd
