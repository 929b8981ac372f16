"""The running solution against the one of the whole files, against the joint bound, and against drawn runs."""

import json
from dataclasses import replace

import numpy as np
import pytest
from pings import heard_ping
from quick import POOL

from acoustics import fuse, load_scene
from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import InputError, ParameterError
from acoustics.base.frames import Pose
from acoustics.estimate.fuse import PingClock, StationModel, station_posterior
from acoustics.io.navigation import COLUMNS
from acoustics.io.navigation_stream import NavigationLog
from acoustics.physics.tdoa import difference_matrix
from acoustics.study.live import CommitRule, LiveRun, NextWaypoints
from acoustics.study.live.evidence import commit_or_not, expected_leader_probability
from acoustics.study.live.next_waypoint import _heard_there, _heard_until_now
from acoustics.study.waypoints import hear, run_information

SCENE = load_scene(POOL)
SOURCE = np.array(SCENE.pingers[0].position_m)
DIFFERENCES = difference_matrix(len(SCENE.array.positions_m))


def way(time_s):
    """Four metres along the side, then across, at 0.4 m/s."""
    along = 0.4 * np.asarray(time_s, dtype=float)
    return np.stack([8 + np.minimum(along, 4.0), 2 + np.maximum(along - 4.0, 0.0), 0.8 + 0 * along], axis=-1)


def heard(number, time_s, source=SOURCE):
    rng = np.random.default_rng(number)
    return heard_ping(SCENE, way(time_s), 0.35, source, rng, ping=number, time_s=time_s)


PINGS = [heard(k + 1, 2.0 * k + 0.513, np.array([3.0, 11.0, 2.0]) if k == 3 else SOURCE) for k in range(10)]
TIMES = np.arange(0, 20.05, 0.1)
ROWS = [(float(t), *map(float, way(t)), 0.0, 0.0, float(np.rad2deg(0.35))) for t in TIMES]


@pytest.mark.slow
def test_the_running_solution_is_that_of_the_whole_files(tmp_path):
    path = tmp_path / "nav.csv"
    path.write_text("\n".join([",".join(COLUMNS), *(",".join(map(repr, row)) for row in ROWS)]) + "\n")
    run = LiveRun(SCENE, navigation=NavigationLog("nav"))
    for ping in PINGS:
        run.take(ping)
        run.steer(row for row in reversed(ROWS) if row[0] <= ping.time_s + 0.2)
        answer = run.answer("ping", ping)
        whole = fuse(PINGS[: ping.ping], scene=SCENE, navigation=path)
        np.testing.assert_allclose(answer.solution.position_m, whole.position_m, rtol=1e-9)
        np.testing.assert_allclose(answer.solution.covariance_m2, whole.covariance_m2, rtol=1e-6)
        np.testing.assert_allclose(answer.solution.probabilities, whole.probabilities, rtol=1e-6, atol=1e-12)
        assert [p.status for p in answer.solution.pings] == [p.status for p in whole.pings]
    assert [(r.ping, "as far" in r.why) for r in answer.rejected] == [(4, True)]
    assert answer.commit.now and answer.commit.station == "amber"


def test_a_run_taken_up_again_goes_on_as_if_it_had_not_stopped():
    whole, first = (LiveRun(SCENE, window=5, navigation=NavigationLog("nav")) for _ in range(2))
    whole.steer(ROWS)
    first.steer(ROWS[:120])
    for ping in PINGS[:6]:
        whole.take(ping)
        first.take(ping)
    second = LiveRun(SCENE, window=5, navigation=NavigationLog("nav"))
    second.restore(json.loads(json.dumps(first.table())), "state")
    second.steer(ROWS)
    assert [second.knows(ping) for ping in PINGS] == [True] * 6 + [False] * 4
    for ping in PINGS[6:]:
        whole.take(ping)
        second.take(ping)
    answers = [run.answer("end") for run in (whole, second)]
    np.testing.assert_allclose(answers[0].solution.position_m, answers[1].solution.position_m, rtol=1e-9)
    assert answers[0].heard == answers[1].heard == 10
    assert answers[0].elapsed_s == answers[1].elapsed_s == pytest.approx(18.0)
    assert len(second.pings) == 5


def test_what_is_no_state_is_refused():
    with pytest.raises(InputError, match="^state: heard: is missing"):
        LiveRun(SCENE).restore({"pings": []}, "state")
    run = LiveRun(SCENE, navigation=NavigationLog("nav"))
    run.steer(ROWS[:3])
    good = json.loads(json.dumps(run.table()))
    for key, value, said in (
        ("rows", [[1.0, 2.0]], r"navigation.rows\[1\]\[3\]: is missing"),
        ("rows", good["navigation"]["rows"][::-1], "navigation: rows are not in order of time"),
        ("rows", 3, "navigation.rows: expected a list, got int"),
        ("travelled_m", "far", "navigation.travelled_m: should be a number, got 'far'"),
        ("travelled_m", float("inf"), "navigation.travelled_m: should be a finite number"),
    ):
        with pytest.raises(InputError, match=f"^state: {said}"):
            run.restore(good | {"navigation": good["navigation"] | {key: value}}, "state")


def test_a_clock_that_jumps_is_said_and_a_run_begins_again_where_it_went_back():
    run = LiveRun(None)
    assert run.take(PINGS[0]) == ()
    (said,) = run.take(replace(PINGS[1], time_s=300.0))
    assert "no ping in the 299 s" in said and "jumped ahead" in said
    (said,) = run.take(replace(PINGS[2], time_s=1.0))
    assert "went back by 299.0 s" in said
    assert run.heard == 1 and run.answer("ping", PINGS[2]).elapsed_s == 0.0


def test_a_ping_waits_for_its_pose_and_is_fused_when_it_comes():
    run = LiveRun(SCENE, navigation=NavigationLog("nav"))
    run.take(PINGS[0])
    answer = run.answer("ping", PINGS[0])
    assert answer.waiting == (1,) and answer.solution is None and "does not reach ping 1" in answer.flags[0]
    run.steer(ROWS[:20])
    assert run.answer("ping", PINGS[0]).solution is not None


@pytest.mark.parametrize("clock", [None, PingClock(pri_s=2.0, pri_sd_s=2e-4, jitter_sd_s=1e-5)], ids=["alone", "clock"])
def test_the_next_waypoint_adds_what_the_joint_bound_says(clock):
    """`run_information` integrates all errors out at once; one ping after another must come to the same."""
    errors = error_sizes_of(SCENE, SCENE.pingers[0])
    places = way([0.0, 8.0, 16.0])
    pose = Pose(places, 0.0, 0.0, np.array([0.3, 0.5, 0.7]))
    elements, speed = SCENE.array.positions_m, SCENE.sound_speed_m_s
    legs, variance = np.array([0.0, 3.2, 3.2]), np.full(3, 1e-13)
    since = np.array([0.0, 8.0, 16.0])
    all_three = hear(elements, pose, SOURCE[None], variance, places[0], errors, speed, clock=clock)
    prior = np.diag([40.0, 15.0, 0.04])
    joint = run_information(all_three, legs, errors.drift_sd_m_per_root_m, since) + np.linalg.inv(prior)
    past, there = all_three.take(np.array([0, 1])), all_three.take(np.array([2]))
    state = _heard_until_now(past, since[:2], legs[:2], prior, errors.drift_sd_m_per_root_m)
    after = _heard_there(state, there, since[2:], legs[2:], errors.drift_sd_m_per_root_m)
    # A clock's start is known to a second beforehand, which leaves ten digits less.
    np.testing.assert_allclose(after[0], np.linalg.inv(joint)[:2, :2], rtol=1e-6 if clock is None else 1e-4)
    if clock is not None:
        alone = hear(elements, pose, SOURCE[None], variance, places[0], errors, speed)
        without = run_information(alone, legs, errors.drift_sd_m_per_root_m) + np.linalg.inv(prior)
        assert np.trace(after[0]) < 0.98 * np.trace(np.linalg.inv(without)[:2, :2])


@pytest.mark.slow
def test_the_next_waypoint_crosses_the_bearing_within_the_time():
    waypoints = NextWaypoints(SCENE, SCENE.pingers[0])
    run = LiveRun(SCENE, waypoints=waypoints, rule=CommitRule(wrong_station_cost_s=100.0))
    for ping in PINGS[:3]:
        run.take(ping)
    answer = run.answer("ping", PINGS[2])
    following = answer.next_waypoint
    assert following.rms_after_m < 0.5 * following.rms_now_m
    assert following.takes_s < SCENE.study.time_limit_s and following.travel_m > 0
    run.began_s = -200.0  # the time is over
    assert run.answer("ping", PINGS[2]).next_waypoint is None


MODEL = StationModel(
    np.array([[5.0, 5.0], [9.0, 5.0], [15.0, 9.0]]),
    np.array([1.0, 2.0, 1.0]),
    np.array([[0, 0], [25, 0], [25, 12], [0, 12]]),
)


@pytest.mark.slow
def test_the_expected_probability_is_the_mean_over_drawn_runs():
    """Against drawn places, fixes and further fixes, 40,000 of them: 4 standard errors, and 0.01 for the nodes."""
    rng = np.random.default_rng(5)
    fix, covariance = np.array([6.8, 5.2]), np.array([[2.0, 0.5], [0.5, 1.0]])
    information = np.array([[1.5, -0.3], [-0.3, 2.0]])
    posterior = station_posterior(fix, covariance, MODEL)
    # A place from the prior, weighed by how likely it makes the fix: here by rejection.
    which = rng.choice(4, size=4_000_000, p=MODEL.probabilities)
    anywhere = rng.uniform([0, 0], [25, 12], size=(len(which), 2))
    at = np.concatenate([MODEL.places_m, [[0, 0]]])[which] + MODEL.spread_m * rng.normal(size=(len(which), 2))
    place = np.where((which == 3)[:, None], anywhere, at)
    off = fix - place
    keep = rng.random(len(which)) < np.exp(-0.5 * np.einsum("ni,ij,nj->n", off, np.linalg.inv(covariance), off))
    place, which = place[keep][:40_000], which[keep][:40_000]
    np.testing.assert_allclose(np.bincount(which, minlength=4) / len(which), posterior, atol=0.012)
    further = place + rng.multivariate_normal([0, 0], np.linalg.inv(information), size=len(place))
    known = np.linalg.inv(covariance)
    after = np.linalg.inv(known + information)
    fixes = (known @ fix + further @ information) @ after
    best = station_posterior(fixes, np.broadcast_to(after, (len(fixes), 2, 2)), MODEL)[:, :-1].max(axis=-1)
    expected = expected_leader_probability(fix, covariance, information[None], MODEL)[0]
    assert abs(expected - best.mean()) < 4 * best.std() / np.sqrt(len(best)) + 0.01


def test_the_decision_weighs_a_wrong_station_against_time():
    dear, cheap = CommitRule(wrong_station_cost_s=2000.0), CommitRule(wrong_station_cost_s=50.0)
    asked = {"next_takes_s": 20.0, "next_probability": 0.97}
    assert not commit_or_not("teal", 0.9, dear, **asked).now
    now = commit_or_not("teal", 0.9, cheap, **asked)
    assert now.now and now.cost_now_s == pytest.approx(5.0) and now.cost_after_next_s == pytest.approx(21.5)
    assert commit_or_not("teal", 0.96, CommitRule()).now
    assert not commit_or_not("teal", 0.94, CommitRule()).now
    assert not commit_or_not("teal", 0.99, CommitRule(), refusal="no range").now
    with pytest.raises(ParameterError, match="probability=1"):
        CommitRule(1.0)
    with pytest.raises(ParameterError, match="wrong_station_cost_s"):
        CommitRule(wrong_station_cost_s=-1.0)
