"""Listening waypoints: the bound of a run against outside results, the search against all sets, and the promises kept."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, permutations

import numpy as np
import pytest
from rendered import SHALLOW

from acoustics.accuracy.bounds import position_information
from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.accuracy.information import eliminate_nuisance
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose
from acoustics.estimate.fuse import PingClock
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.keep_out import KeepOut
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.execution import Running
from acoustics.study.waypoints.candidates import candidates_at, grid_of_waypoints, learned_arrivals, listen
from acoustics.study.waypoints.information import hear, run_covariance, run_information
from acoustics.study.waypoints.prior import Prior, pinger_prior
from acoustics.study.waypoints.search import Ways, choose_waypoints, shortest_order
from acoustics.study.waypoints.simulation import WaypointRun, _drawn_delays, simulate_waypoint_runs
from acoustics.study.waypoints.study import study_waypoints
from acoustics.study.waypoints.value import Worth, ellipse_95

POOL = load_scene(shipped("examples")["mallard-basin"])
QUAY = load_scene(shipped("examples")["quay-nine"])
SPEED = 1500.0
NONE = ErrorSizes()
ALL = ErrorSizes(
    heading_bias_sd=0.03,
    attitude_sd=[0.01, 0.02, 0.02],
    position_sd_m=0.2,
    depth_sd_m=0.05,
    drift_sd_m_per_root_m=0.05,
    log_scale_sd=0.02,
    sound_speed_sd_m_s=5.0,
    element_sd_m=[1e-3, 2e-3, 1e-3, 5e-4],
    skew_sd_s=2e-7,
)
ELEMENTS = np.array([[0.4, 0.0, 0.0], [-0.3, 0.2, 0.0], [-0.3, -0.2, 0.1], [0.0, 0.0, 0.3]])


def planned(scene, **changes):
    return scene.model_copy(update={"study": scene.study.model_copy(update=changes)})


def worth_of(scene, prior, criterion="rms"):
    pinger, plan = scene.pingers[0], scene.study
    return Worth(
        criterion=criterion,
        weights=prior.weights,
        prior_information=prior.information,
        drift_sd_m_per_root_m=scene.vehicle.drift_sd_m_per_root_m,
        speed_m_s=plan.speed_m_s,
        listening_s=plan.pings_per_waypoint * pinger.pri_s,
        time_limit_s=plan.time_limit_s,
    )


def test_one_waypoint_at_the_start_tells_what_the_bound_of_one_ping_says():
    start, source, variance = np.array([1.0, 2.0, 0.5]), np.array([7.0, -3.0, 3.0]), 4e-13
    pose = Pose(start, 0.0, 0.0, 0.7)
    heard = hear(ELEMENTS, pose, source, variance, start, ALL, SPEED)
    found = run_information(replace_axis(heard), np.zeros(1), ALL.drift_sd_m_per_root_m)
    one = position_information(
        pose.to_site(ELEMENTS),
        source,
        1500.0,
        arrival_variance_s2=variance,
        element_sd_m=ALL.element_sd_m,
        skew_sd_s=ALL.skew_sd_s,
        attitude_sd=[0.01, 0.02, np.hypot(0.02, 0.03)],
        attitude_axes=pose.rotation,
        pivot_m=start,
        position_sd_m=ALL.start_sd_m,
    )
    known_speed = one + np.diag([0.0, 0.0, 0.0, ALL.sound_speed_sd_m_s**-2])
    assert found == pytest.approx(eliminate_nuisance(known_speed, 3), rel=1e-6)


def replace_axis(heard):
    """One waypoint as a run of one."""
    return replace(
        heard, **{name: getattr(heard, name)[None] for name in ("by_source", "shared", "own", "variance_s2")}
    )


def test_two_crossed_bearings_agree_with_the_closed_form():
    # Bearings alone, errors of standard deviation s, independent: the information is the sum of n n' / (r s)^2, n
    # across the line of sight (D. J. Torrieri, Statistical theory of passive location systems, IEEE Trans. AES 20
    # (1984) 183-198, section on direction finding). Noise and array are made negligible, depth is that of the array.
    small, sd = 0.02 * ELEMENTS, 0.03
    waypoints, source = np.array([[0.0, 0.0, 2.0], [8.0, 1.0, 2.0]]), np.array([5.0, 9.0, 2.0])
    errors = replace(NONE, attitude_sd=[0.0, 0.0, sd])
    heard = hear(small, Pose(waypoints, 0.0, 0.0, np.array([0.3, -1.0])), source, 1e-17, waypoints[0], errors, SPEED)
    information = run_information(heard, np.array([0.0, 8.0]), 0.0) + np.diag([0.0, 0.0, 1e12])
    off = source[:2] - waypoints[:, :2]
    reach = np.linalg.norm(off, axis=-1, keepdims=True)
    across = np.stack([-off[:, 1], off[:, 0]], axis=-1) / reach
    expected = np.linalg.inv((across / (reach * sd) ** 2).T @ across)
    assert np.linalg.inv(information)[:2, :2] == pytest.approx(expected, rel=0.01)


def test_covariance_of_a_run_is_that_of_drawn_delays():
    waypoints = np.array([[2.0, 0.0, 1.0], [4.0, 3.0, 1.0], [1.0, 5.0, 1.0]])
    start, source, legs = np.array([0.0, 0.0, 1.0]), np.array([6.0, 8.0, 4.0]), np.array([2.0, 3.7, 3.7])
    # A tenth of the errors keeps the drawn delays, which know no linear model, in its range.
    few = replace(ALL, **{f: 0.1 * getattr(ALL, f) for f in vars(ALL) if "sd" in f})
    pose, variance = Pose(waypoints, 0.0, 0.0, np.array([0.2, 1.0, -2.0])), np.full(3, 1e-14)
    heard = hear(ELEMENTS, pose, source, variance, start, few, SPEED)
    route, trials = WaypointRun(ELEMENTS, SPEED, start, pose, legs, heard), 20_000
    drawn, _ = _drawn_delays(
        route, few, np.tile(source, (trials, 1)), np.tile(variance, (trials, 1)), np.zeros(3), np.random.default_rng(3)
    )
    drawn = drawn.reshape(trials, -1)
    found, expected = np.cov(drawn.T), run_covariance(heard, legs, few.drift_sd_m_per_root_m)
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    # A sample covariance of n normal draws is known to sqrt(2 / n) = 1 % of the product of the deviations.
    assert np.abs(found - expected).max() < 0.05 * size.max()
    assert np.abs((found - expected) / size).max() < 5 * np.sqrt(2 / trials)


def test_ellipse_has_the_eigenvalues_times_the_chi_square_point():
    turn = np.deg2rad(30.0)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ellipse = ellipse_95(axes @ np.diag([4.0, 1.0]) @ axes.T)
    # chi-square, two degrees of freedom, 95 %: -2 ln 0.05 = 5.9915
    assert ellipse.half_length_m == pytest.approx(2 * np.sqrt(-2 * np.log(0.05)))
    assert ellipse.half_width_m == pytest.approx(np.sqrt(-2 * np.log(0.05)))
    assert ellipse.bearing_deg == pytest.approx(30.0)


def test_shortest_order_is_the_shortest():
    rng = np.random.default_rng(4)
    places = rng.uniform(0, 10, (9, 2))
    distance = np.linalg.norm(places[:, None] - places, axis=-1)
    sets = np.array([[3, 1, 8, 5, 2], [7, 6, 4, 2, 1]])
    order, legs = shortest_order(distance, sets)
    for chosen, found, leg in zip(sets, order, legs, strict=True):
        lengths = [
            sum(distance[a, b] for a, b in zip((0, *way[:-1]), way, strict=True)) for way in permutations(chosen)
        ]
        visited = [0, *chosen[found]]
        assert leg == pytest.approx([distance[a, b] for a, b in zip(visited[:-1], visited[1:], strict=True)])
        assert leg.sum() == pytest.approx(min(lengths))


def test_the_way_round_a_square_turns_at_its_corners():
    zone = KeepOut(outline_m=((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)))
    places = np.array([[-3.0, 0.0], [3.0, 0.0], [0.0, 5.0]])
    ways = Ways(places, [zone], lambda turns: np.ones(len(turns), dtype=bool))
    corner = 1 + 0.1 / np.sqrt(2)
    assert ways.distance_m[0, 1] == pytest.approx(2 * np.hypot(3 - corner, corner) + 2 * corner)
    assert ways.distance_m[0, 2] == pytest.approx(np.hypot(3, 5))
    way = ways.between(0, 1)
    assert way[[0, -1]] == pytest.approx(places[:2])
    assert np.abs(way[1:-1]) == pytest.approx(corner)


def heard_at(scene, prior, pose, pings=3):
    pinger = scene.pingers[0]
    arrivals = learned_arrivals(scene, pinger, prior, np.asarray(pose.position_m))
    return listen(scene, pinger, prior, pose, error_sizes_of(scene, pinger), pings, arrivals)


@pytest.mark.parametrize(("scene", "criterion"), [(POOL, "rms"), (POOL, "area"), (QUAY, "rms")])
@pytest.mark.parametrize(("n_waypoints", "every"), [(2, 2), (3, 4)])
@pytest.mark.slow
def test_the_search_comes_near_the_best_of_all_sets(scene, criterion, n_waypoints, every):
    prior = pinger_prior(scene, scene.pingers[0], None)
    prior = replace(prior, places_m=prior.places_m[::3], weights=prior.weights[::3] / prior.weights[::3].sum())
    waypoints, _ = grid_of_waypoints(scene, 25.0 if scene is QUAY else 5.0)
    found = candidates_at(scene, prior, waypoints)
    few = np.arange(0, len(found.place), every)
    pose = Pose(found.pose.position_m[few], found.pose.roll, found.pose.pitch, found.pose.heading[few])
    worth = worth_of(planned(scene, time_limit_s=250.0), prior, criterion)
    heard = heard_at(scene, prior, pose)

    def score(sets):
        return worth.of_sets(heard, found.place[few], found.ways.distance_m, sets)

    every_set = np.array(list(combinations(range(len(few)), n_waypoints)))
    best = score(every_set).min()
    chosen = choose_waypoints(score, len(few), n_waypoints, np.random.default_rng(1))
    # One set alone sums in another order than a batch of sets: the last digit may differ.
    assert best * (1 - 1e-12) <= score(np.array([chosen]))[0] <= 1.01 * best


@pytest.mark.slow
def test_where_echoes_come_at_once_more_pings_at_a_place_help_little():
    """In a pool 2 m deep the echoes inside the window shift all pings of a waypoint alike, and the hydrophones of a wide
    array each in its own way; noise alone is averaged."""
    scene = SHALLOW.changed({"array": load_array("hull-4")})
    prior = pinger_prior(scene, scene.pingers[0], "pool")
    pose = Pose(np.array([[12.0, 8.0, 0.8], [25.0, 14.0, 0.8]]), 0.0, 0.0, np.zeros(2))
    few, many = (heard_at(scene, prior, pose, pings).variance_s2 for pings in (3, 300))
    heard = few < 1e-5
    assert heard.any() and (many[heard] < few[heard]).all() and np.median(many[heard] / few[heard]) > 0.1


@pytest.mark.slow
def test_more_waypoints_never_hurt_on_the_grid():
    prior = pinger_prior(POOL, POOL.pingers[0], None)
    waypoints, _ = grid_of_waypoints(POOL, 5.0)
    found, worth = candidates_at(POOL, prior, waypoints), worth_of(POOL, prior)
    heard = heard_at(POOL, prior, found.pose)

    def score(sets):
        return worth.of_sets(heard, found.place, found.ways.distance_m, sets)

    sizes = [
        float(score(np.array([choose_waypoints(score, len(found.place), n, np.random.default_rng(1))]))[0])
        for n in (1, 2, 3)
    ]
    assert all(later <= earlier for earlier, later in zip(sizes[:-1], sizes[1:], strict=True))


@pytest.mark.slow
def test_zones_time_and_water_are_respected():
    zones = (
        KeepOut(outline_m=((9.0, 2.0), (11.0, 2.0), (11.0, 9.0), (9.0, 9.0))),
        KeepOut(outline_m=((14.0, 4.0), (17.0, 4.0), (17.0, 8.0), (14.0, 8.0))),
    )
    scene = planned(POOL.model_copy(update={"keep_outs": zones}), time_limit_s=70.0, waypoints=2)
    result = study_waypoints(scene, scene.pingers[0], trials=0, step_m=2.5)
    run = result.proposed
    assert run.waypoints[-1].leaves_s <= 70.0
    stops = np.array([waypoint.position_m for waypoint in run.waypoints])
    for zone in zones:
        assert not zone.contains(stops).any()
        assert not zone.crossed_by(run.way_m[:-1], run.way_m[1:]).any()
    length = np.linalg.norm(np.diff(run.way_m, axis=0), axis=-1).sum()
    assert length == pytest.approx(run.waypoints[-1].travelled_m)
    assert run.waypoints[-1].leaves_s == pytest.approx(length / 0.3 + 6.0 * len(stops))
    for waypoint in run.waypoints:
        pose = Pose(waypoint.position_m, 0.0, 0.0, np.deg2rad(waypoint.heading_deg))
        assert scene.pool.contains(pose.to_site(scene.array.positions_m)).all()
    assert result.straight is not None and np.all(result.straight.way_m[:, 0] < 9.0)


@pytest.mark.slow
def test_a_straight_run_in_open_water_stays_where_waypoints_are_sought():
    """A fast vehicle would be 45 km away in its time, and rays of that length took minutes."""
    lake = load_scene(shipped("examples")["fennel-reservoir"]).model_copy(update={"water": POOL.water})
    scene = planned(lake, speed_m_s=30.0, time_limit_s=1500.0, waypoints=1)
    result = study_waypoints(scene, scene.pingers[0], trials=0, step_m=20.0)
    low, high = np.reshape(scene.study.map_extent_m, (2, 2))
    assert result.straight is not None
    assert np.all((result.straight.way_m >= low) & (result.straight.way_m <= high))


def test_no_waypoint_where_the_array_is_not_wet():
    # At 2.2 m, the array 0.2 m lower, the pool is deep enough only where 1.4 + 0.096 x > 2.4.
    vehicle = POOL.vehicle.model_copy(update={"position_m": (16.0, 6.0, 2.2)})
    scene = POOL.model_copy(update={"vehicle": vehicle})
    prior = pinger_prior(scene, scene.pingers[0], None)
    found = candidates_at(scene, prior, grid_of_waypoints(scene, 1.5)[0])
    assert found.pose.position_m[:, 0].min() > (2.4 - 1.4) / 0.096
    assert np.linalg.norm(found.pose.position_m[:, None] - prior.places_m, axis=-1).min() >= scene.vehicle.hull_m[0]


@pytest.mark.slow
def test_time_for_one_waypoint_gives_one_and_for_none_is_refused():
    short = planned(POOL, time_limit_s=11.0)
    assert len(study_waypoints(short, short.pingers[0], trials=0, step_m=2.5).proposed.waypoints) == 1
    none = planned(POOL, time_limit_s=5.0)
    with pytest.raises(ParameterError, match=r"no waypoint can be reached and 3 pings heard within 5 s"):
        study_waypoints(none, none.pingers[0], trials=0, step_m=2.5)


@pytest.mark.slow
def test_ellipses_hold_where_the_heading_errs_by_more_than_its_slope_tells():
    # Noise of 0.1 ns on a wide array: the square of a heading error of 3 deg shifts delays by a thousand times that, and
    # an estimator that takes the heading's effect for linear states ellipses that hold the truth in 84 %.
    elements = np.array([[0.1, 0.0, 0.0], [0.0, -0.08, 0.0], [0.0, 0.08, 0.0], [0.0, 0.0, 0.09]])
    errors = ErrorSizes(
        heading_bias_sd=np.deg2rad(3.0), attitude_sd=[0.01, 0.01, 0.0], element_sd_m=1e-3, sound_speed_sd_m_s=1.0
    )
    places = np.array([[x, y, 4.0] for x in (22.0, 28.0, 34.0) for y in (3.0, 9.0, 15.0)])
    prior = Prior("pool", places, np.full(9, 1 / 9), 2.0, 0.05)
    start = np.array([12.0, 9.0, 1.2])
    waypoints = np.array([[14.6, 7.5, 1.2], [16.9, 16.5, 1.2], [36.1, 8.2, 1.2]])
    legs = np.linalg.norm(np.diff(waypoints, axis=0, prepend=start[None]), axis=-1)
    pose = Pose(waypoints, 0.0, 0.0, np.deg2rad([151.0, 112.0, 42.0]))
    heard = hear(elements, pose, places[:, None], np.full((9, 3), 1e-20), start, errors, SPEED)
    route = WaypointRun(elements, SPEED, start, pose, legs, heard)
    worth = Worth("rms", prior.weights, prior.information, 0.02, 0.3, 3.0, 180.0)
    [trials] = simulate_waypoint_runs(
        [route], prior, errors, worth, trials=1000, seed=1, fingerprint="", running=Running(), progress=lambda *_: None
    )
    # 95 % of 1000: standard deviation 0.7 %.
    assert trials.inside_95.value == pytest.approx(0.95, abs=0.02)
    # RMS of 1000 errors on long ellipses: known to 1 / sqrt(2000) = 2.2 %; 7 % leaves three deviations.
    assert trials.rms_m.value == pytest.approx(trials.predicted_m, rel=0.07)


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("pri_sd_ppm", [None, 100.0])
def test_what_is_predicted_is_what_small_errors_give(pri_sd_ppm):
    # Errors of a fifth, so that the normal approximation holds on long ellipses.
    hydrophones = tuple(h.model_copy(update={"tolerance_m": 0.2 * h.tolerance_m}) for h in POOL.array.hydrophones)
    sds = ("heading_sd_deg", "roll_sd_deg", "pitch_sd_deg", "depth_sd_m", "drift_sd_m_per_root_m", "log_scale_sd")
    vehicle = POOL.vehicle.model_copy(update={k: 0.2 * getattr(POOL.vehicle, k) for k in sds})
    scene = POOL.model_copy(
        update={
            "array": POOL.array.model_copy(update={"hydrophones": hydrophones}),
            "vehicle": vehicle,
            "noise": POOL.noise.model_copy(update={"self_noise_density_db": 62.0, "ambient_density_db": 40.0}),
            "recorder": POOL.recorder.model_copy(update={"skew_sd_s": 4e-8}),
            "study": POOL.study.model_copy(update={"pinger_depth_sd_m": 0.04, "station_spread_m": 0.1}),
        }
    )
    pinger = scene.pingers[0].model_copy(update={"pri_sd_ppm": pri_sd_ppm})
    result = study_waypoints(planned(scene, waypoints=2), pinger, trials=1000, step_m=4.0)
    for run in (result.proposed, result.straight):
        trials = run.simulated
        # RMS of 1000 errors on long ellipses: known to 1 / sqrt(2000) = 2.2 %; 7 % leaves three deviations.
        assert trials.rms_m.value == pytest.approx(trials.predicted_m, rel=0.07)
        # 95 % of 1000: standard deviation 0.7 %.
        assert trials.inside_95.value == pytest.approx(0.95, abs=3 * 0.0069)


@pytest.mark.slow
@pytest.mark.thorough
def test_gain_over_straight_and_random_waypoints_and_the_same_again():
    first, again = (study_waypoints(QUAY, QUAY.pingers[0], trials=20, step_m=20.0) for _ in range(2))
    assert first.proposed.size_m == again.proposed.size_m
    assert first.proposed.simulated == again.proposed.simulated
    assert first.proposed.size_m < first.straight.size_m
    assert first.proposed.size_m < first.random.low_m < first.random.median_m < first.random.high_m
    assert first.gain_over_random == pytest.approx(1 - first.proposed.size_m / first.random.median_m)
    sizes = [first.prior_size_m, *(waypoint.size_m for waypoint in first.proposed.waypoints)]
    assert sizes == sorted(sizes, reverse=True)


def test_priors():
    stations = pinger_prior(POOL, POOL.pingers[0], None)
    assert stations.kind == "stations"
    centres = np.array([s.position_m for s in POOL.stations])
    assert stations.centre_m == pytest.approx(centres.mean(axis=0))
    spread = POOL.study.station_spread_m**2 * np.eye(2)
    assert stations.covariance_m2[:2, :2] == pytest.approx(np.cov(centres[:, :2].T, bias=True) + spread)
    pool = pinger_prior(QUAY, QUAY.pingers[0], None)
    assert pool.kind == "pool"
    above = QUAY.pool.floor_depth_m(pool.places_m) - pool.places_m[:, 2]
    assert above == pytest.approx(QUAY.pool.floor_depth_m(QUAY.pingers[0].position_m) - 5.0)


@pytest.mark.parametrize(
    ("scene", "arguments", "problem"),
    [
        (QUAY, {"prior": "stations"}, "prior 'stations' needs 3 stations, the scenario has 2; use 'pool'"),
        (POOL, {"prior": "lake"}, "prior 'lake' is not known"),
        (POOL, {"criterion": "depth"}, "criterion 'depth' is not known; known: rms, area"),
        (POOL, {"step_m": 0.1}, "a step of 0.1 m gives more than 500 waypoints"),
    ],
)
def test_wrong_arguments_are_refused(scene, arguments, problem):
    with pytest.raises(ParameterError, match=problem):
        study_waypoints(scene, scene.pingers[0], trials=0, **arguments)


def test_a_steady_clock_adds_to_the_bound_but_not_on_a_way_straight_ahead():
    """9 stops on an L of 4 m and 4 m, and on 2 m straight towards the pinger, which is 13 m away."""
    shift = np.linspace(0.0, 8.0, 9)
    turn = np.stack([np.maximum(shift - 4.0, 0.0), 4.0 - np.minimum(shift, 4.0), 0.0 * shift], axis=-1)
    source, clock = np.array([13.0, 2.0, 2.0]), PingClock(2.0, 2e-4, 1e-5)
    ahead = 0.25 * shift[:, None] * source / np.linalg.norm(source) * [1.0, 1.0, 0.0]
    errors, known = error_sizes_of(POOL, POOL.pingers[0]), np.diag([0.01, 0.01, 25.0])
    for way, least, most in ((turn, 0.1, 0.4), (ahead, 0.0, 0.01)):
        legs = np.linalg.norm(np.diff(way, axis=0, prepend=way[:1]), axis=-1)
        size = []
        for kept in (None, clock):
            heard = hear(POOL.array.positions_m, Pose(way), source, 1e-14, way[0], errors, 1500.0, clock=kept)
            found = run_information(heard, legs, errors.drift_sd_m_per_root_m, 2.0 * np.arange(9)) + known
            size.append(np.sqrt(np.trace(np.linalg.inv(found)[:2, :2])))
        assert least <= 1.0 - size[1] / size[0] <= most


def test_open_water_without_an_extent_is_refused():
    lake = load_scene(shipped("examples")["fennel-reservoir"])
    lake = planned(lake, map_extent_m=None)
    with pytest.raises(ParameterError, match=r"study.map_extent_m is missing"):
        study_waypoints(lake, lake.pingers[0], trials=0)
