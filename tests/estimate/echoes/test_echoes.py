"""The estimator by echoes on samples that `propagate` renders, which finds its paths by another method."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acoustics.accuracy.echo_bound import echo_bound, echo_place_errors
from acoustics.base.frames import bearing_and_depression
from acoustics.estimate.echoes import DirectBearing, SearchRegion, SiteKnowledge, locate_by_echoes
from acoustics.estimate.echoes.baseband import burst_table, to_baseband
from acoustics.estimate.echoes.fit import fit_modes, further_modes
from acoustics.estimate.echoes.likelihood import Roughness, cost, evaluate, new_problem, unexplained
from acoustics.estimate.echoes.paths import (
    _TURN_BY_COSINE,
    DEPTH,
    EMISSION,
    EMISSION_UNIT_S,
    FACES,
    X,
    Y,
    arrival_times,
    arrivals_alone,
    path_sets,
    sources_m,
    turned_phases,
)
from acoustics.estimate.echoes.places import loosened
from acoustics.estimate.echoes.search import around, moved_to, new_grid, start_states, states_at
from acoustics.estimate.echoes.small_array import cost_small, evaluate_small
from acoustics.estimate.echoes.window import other_window, useful_window
from acoustics.estimate.tdoa import Segment
from acoustics.io.ping import NavigatedPose
from acoustics.io.site_sketch import faces_sd, site_faces
from acoustics.physics.burst import Burst
from acoustics.physics.image_receivers import FloorPart, prism_faces
from acoustics.physics.reflection import elastic_reflection
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.render.bursts import SampleTimes, ping_pressure
from acoustics.scene.materials import MATERIALS
from acoustics.scene.scenario import load_array, load_scene, shipped

RATE_HZ, SENT_S = 250e3, 3e-3


class Rendered:
    """One ping in the shipped pool, with what a crew knows of it."""

    def __init__(self, own=(6.0, 5.0, 0.8), source=(14.0, 8.0, 2.0), noise=True, floor_deeper_m=0.0):
        scene = load_scene(shipped("examples")["mallard-basin"])
        pinger = scene.pingers[0].model_copy(update={"position_m": source})
        vehicle = scene.vehicle.model_copy(update={"position_m": own})
        points = np.array(scene.pool.floor_points_m) + [0.0, 0.0, floor_deeper_m]
        true_pool = scene.pool.model_copy(update={"floor_points_m": tuple(map(tuple, points.tolist()))})
        scene = scene.model_copy(update={"vehicle": vehicle, "pingers": (pinger,)})
        hydrophones = scene.array.positions_m
        paths = arrivals(
            scene.model_copy(update={"pool": true_pool}), vehicle.pose.to_site(hydrophones), source,
            frequency_hz=pinger.frequency_hz, horizon_s=6e-3, floor_db=-60.0,
        )  # fmt: skip
        n = len(hydrophones)
        first, sound = ping_pressure(
            pinger, SENT_S, paths.delay_s, paths.amplitude, paths.valid, SampleTimes(1 / RATE_HZ, np.zeros(n))
        )
        self.pressure = np.zeros((n, int(0.025 * RATE_HZ)))
        heard = sound[: self.pressure.shape[1] - first].real.T
        self.pressure[:, first : first + heard.shape[1]] = heard
        self.density = np.full(n, (1e-6 * 10 ** (float(scene.noise_density_db(30e3)) / 20)) ** 2)
        if noise:
            rng = np.random.default_rng(3)
            self.pressure += rng.normal(size=self.pressure.shape) * np.sqrt(self.density[0] * RATE_HZ / 2)
        self.onset_s = SENT_S + float(paths.delay_s[:, 0].min())
        self.source = np.array(source)
        faces = site_faces(scene.pool)
        pose = NavigatedPose(own, 0.0, 0.0, vehicle.pose.heading, 0.02, 0.05, *vehicle.attitude_sd)
        self.known = SiteKnowledge(
            faces, faces_sd(scene.pool, faces), hydrophones, scene.array.tolerances_m, 2e-7, pose,
            scene.sound_speed_m_s, scene.sound_speed_sd_m_s, Burst(30e3, pinger.length_s, pinger.q), source[2], 0.1,
        )  # fmt: skip
        away = vehicle.pose.to_body(self.source[None])[0]
        self.bearing = DirectBearing(float(bearing_and_depression(away)[0]), np.deg2rad(4.0))

    def located(self, region=None, **other):
        known = replace(self.known, **other)
        segment = Segment(self.pressure, RATE_HZ)
        return locate_by_echoes(
            segment, known, noise_density=self.density, onset_s=self.onset_s, bearings=(self.bearing,), region=region
        )

    def problem(self, n=1, roughness=None):
        baseband = to_baseband(
            self.pressure, RATE_HZ, 30e3, offset_s=np.zeros(len(self.pressure)), noise_density=self.density,
            begin_s=self.onset_s - 2e-4, end_s=self.onset_s + 4e-3,
        )  # fmt: skip
        paths = path_sets(self.known, np.tile(self.source, (n, 1)), 4e-3)
        return new_problem(
            self.known, baseband, burst_table(self.known.burst, baseband), paths, roughness or Roughness()
        )

    def true_state(self):
        state = np.zeros((1, self.known.n_parameters))
        state[0, [X, Y]], state[0, EMISSION] = self.source[:2], SENT_S / EMISSION_UNIT_S
        return state


@pytest.fixture(scope="module")
def ping():
    return Rendered()


def test_at_the_truth_the_model_explains_the_rendered_samples():
    """Of the samples' energy under 1 % is left: paths under -26 dB, and each channel's own amplitude."""
    ping = Rendered(noise=False)
    problem = ping.problem(roughness=Roughness(scatter=1e-3, timing_sd_m=1e-4, diffuse=1e-4))
    left, _ = cost(problem, ping.true_state())
    energy = 2 * np.sum(np.abs(problem.baseband.samples) ** 2 / problem.noise_share[:, None])
    assert left[0] < 0.01 * energy


def test_its_gradient_is_that_of_the_cost(ping):
    """Against finite differences; the attitude's is that of Euler angles, the images' own change 1e-3 of it."""
    state = ping.true_state()
    problem, problem_of_all = ping.problem(), ping.problem(state.size)
    rng = np.random.default_rng(0)
    state += 0.3 * rng.standard_normal(state.shape) * np.where(np.arange(state.size) < 2, 0.2, 1.0)
    _, information, gradient = evaluate(problem, state.T)
    step = 1e-3 * np.eye(state.size)  # entries of the burst's table meet to third order only
    ahead, behind = (cost(problem_of_all, np.repeat(state, state.size, 0) + sign * step)[0] for sign in (1, -1))
    numeric = 0.25 * (ahead - behind) / 1e-3
    np.testing.assert_allclose(gradient[:, 0], numeric, rtol=0.02, atol=0.05)
    assert np.linalg.eigvalsh(information[..., 0])[0] > 0


def test_of_a_small_array_one_envelope_for_all_channels_costs_the_same(ping):
    """An envelope shifted by a twentieth of the build-up: the costs differ by less than 1, where starts are dropped at 80."""
    state, moving = ping.true_state(), FACES + len(ping.known.faces_sd)
    state[:, :moving] += 0.2 * np.random.default_rng(2).standard_normal(moving)
    rough = Roughness(timing_sd_m=0.03, diffuse=0.15)
    problem, of_all = ping.problem(roughness=rough), ping.problem(moving, rough)
    assert ping.known.is_small
    for one, other in zip(cost(problem, state), cost_small(problem, state), strict=True):
        np.testing.assert_allclose(one, other, atol=1.0)
    total, information, gradient = evaluate_small(problem, state.T)
    np.testing.assert_allclose(total, cost_small(problem, state)[0])
    step = 1e-3 * np.eye(moving, state.size)
    ahead, behind = (cost_small(of_all, np.repeat(state, moving, 0) + sign * step)[0] for sign in (1, -1))
    np.testing.assert_allclose(gradient[:moving, 0], 0.25 * (ahead - behind) / 1e-3, rtol=0.02, atol=0.05)
    assert not gradient[moving:].any()
    exact = evaluate(problem, state.T)[1][:moving, :moving, 0]
    size = np.sqrt(np.outer(np.diag(exact), np.diag(exact)))
    np.testing.assert_allclose(information[:moving, :moving, 0] / size, exact / size, atol=0.03)


def test_a_path_is_as_loud_at_a_hydrophone_where_the_paths_cancel(ping):
    """Levels in pascals are alike, however much weaker one channel is; so a place is not fitted by the fading."""
    problem = ping.problem()
    weak = replace(problem.baseband, samples=problem.baseband.samples * np.array([1.0, 1.0, 1.0, 0.2])[:, None])
    faded = new_problem(ping.known, weak, problem.table, problem.paths, Roughness())
    np.testing.assert_allclose(faded.level * weak.noise_sd, faded.level[0] * weak.noise_sd[0])
    assert faded.noise_share[3] == pytest.approx(faded.noise_share[0])


def test_the_onset_is_that_of_the_first_hydrophone(ping):
    """Of an array of 0.7 m the middle hears the direct sound up to 0.25 ms sooner or later."""
    hydrophones = np.array([[0.35, 0.2, 0.1], [-0.35, -0.2, 0.1]])
    wide = replace(ping.known, hydrophones_m=hydrophones, tolerances_m=np.full(2, 2e-3))
    state = states_at(wide, ping.source[None, :2], (), 7e-3)
    arrivals = arrivals_alone(wide, path_sets(wide, ping.source[None], 1e-4), state)
    assert arrivals[0, 0, 0] == pytest.approx(7e-3, abs=1e-9)


def test_it_listens_on_where_the_burst_hears_too_few_walls(ping):
    """In a corner echoes of two walls come within the burst; from the middle of the pool to beside it, none."""
    corner = replace(ping.known, pose=replace(ping.known.pose, position_m=(1.5, 1.5, 0.8)))
    near = states_at(corner, np.array([[4.0, 3.0]]), (ping.bearing,), 7e-3)
    assert useful_window(corner, near, (ping.bearing,), 1.0) == corner.burst.length_s
    middle = replace(ping.known, pose=replace(ping.known.pose, position_m=(8.0, 6.25, 0.8)))
    beside = states_at(middle, np.array([[15.5, 6.25]]), (ping.bearing,), 7e-3)
    assert useful_window(middle, beside, (ping.bearing,), 1.0) > middle.burst.length_s
    assert useful_window(middle, beside, (ping.bearing,), 5e-3) < 5e-3
    length = middle.burst.length_s
    assert other_window(middle, length, 1.0) == 2 * length and other_window(middle, 2 * length, 1.0) < 2 * length
    assert other_window(middle, length, 1.1 * length) < length


def test_what_no_path_explains_is_told_from_noise(ping):
    """At the truth it is a small part of what the model allows for; where half the power is left, far more."""
    problem = ping.problem()
    misfit, _ = cost(problem, ping.true_state())
    assert unexplained(problem.baseband, Roughness(), misfit[0]) < 0.3
    half = 0.5 * 2 * np.sum(np.abs(problem.baseband.samples) ** 2 / problem.noise_share[:, None])
    assert unexplained(problem.baseband, Roughness(), half) > 10.0


def test_arrival_times_are_those_of_the_image_sources(ping):
    """`propagate` mirrors the source, this the hydrophones: the same times.

    To 0.15 mm of path: it takes the sound speed along each path, this the one at the vehicle.
    """
    scene = load_scene(shipped("examples")["mallard-basin"])
    theirs = arrivals(
        scene, ping.known.pose.pose.to_site(ping.known.hydrophones_m), ping.source, frequency_hz=30e3, horizon_s=4e-3
    )
    paths = path_sets(ping.known, ping.source[None], 3.5e-3)
    ours, _ = arrival_times(ping.known, paths, ping.true_state())
    count = int(np.sum(paths.expected > 0))
    gaps = np.abs(ours[0, 0, :count, None] - SENT_S - theirs.delay_s[0])
    assert gaps.min(axis=-1).max() < 1e-7


def test_faces_turn_phases_as_the_angles_differ(ping):
    """By the cosines at a level floor of each hydrophone's own path; to first order, so to 5 % over 0.7 m at 6 m."""
    faces = prism_faces(None, floor=[FloorPart("floor", 3.0)])
    wide = load_array(shipped("arrays")["hull-4"]).positions_m
    pose = NavigatedPose((0.0, 0.0, 0.5), 0.0, 0.0, 0.3)
    known = replace(ping.known, faces=faces, faces_sd=np.ones(3), hydrophones_m=wide, pose=pose)
    source = np.array([[6.0, 1.0, 2.4]])
    paths = path_sets(known, source, 3e-3)
    turned = turned_phases(known, paths, source)[0]
    names = [[faces.names[k] for k in row if k >= 0] for row in paths.faces[paths.sequence[0]]]
    place = pose.pose.to_site(wide)
    height, level = (3.0 - 2.4) + (3.0 - place[:, 2]), np.linalg.norm(place[:, :2] - source[0, :2], axis=-1)
    expected = _TURN_BY_COSINE * np.std(height / np.hypot(height, level))
    assert turned[names.index(["floor"])] == pytest.approx(expected, rel=0.05)
    assert turned[names.index([])] == turned[names.index(["surface"])] == 0.0


def test_how_fast_phases_turn_is_that_of_the_materials():
    """Root mean square by reflected power of the elastic half-space's phase over steps of 0.1 of the cosine."""
    cosine = np.linspace(5e-4, 1.0, 2001)
    step = int(round(0.1 / (cosine[1] - cosine[0])))
    found = []
    for name in ("concrete", "rock", "sand", "clay"):
        solid = {"attenuation_db_per_wavelength": 0.0, "shear_speed_m_s": 0.0} | MATERIALS[name].behind
        sent_on = elastic_reflection(np.arcsin(cosine), water_density_kg_m3=1e3, water_speed_m_s=1480.0, **solid)
        turn = np.unwrap(np.angle(sent_on))
        power = np.minimum(np.abs(sent_on[step:]), np.abs(sent_on[:-step])) ** 2
        found.append(np.sqrt(np.average((turn[step:] - turn[:-step]) ** 2, weights=power)) / 0.1)
    assert min(found) > 4.0 and max(found) < 12.0
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(_TURN_BY_COSINE, rel=0.1)


@pytest.mark.parametrize(
    ("module", "limit"), [("estimate.echoes.paths._AT_ONCE", 2), ("physics.image_receivers.MAX_IMAGES", 200)]
)
def test_paths_are_the_same_however_many_places_are_looked_at_at_once(ping, monkeypatch, module, limit):
    places = np.random.default_rng(5).uniform([1.0, 1.0, 1.0], [24.0, 11.0, 1.2], (9, 3))
    whole = path_sets(ping.known, places, 4e-3)
    monkeypatch.setattr(f"acoustics.{module}", limit)
    parts = path_sets(ping.known, places, 4e-3)
    np.testing.assert_array_equal(parts.expected, whole.expected)
    np.testing.assert_array_equal(parts.faces[parts.sequence], whole.faces[whole.sequence])


def test_a_fit_goes_on_from_places_around(ping):
    """From a minimum 0.4 m off, as the grid may leave one, to the better one; what is known is not fitted again."""
    problem = ping.problem()
    given = ping.known, problem.baseband, problem.table
    start = ping.true_state()[0]
    near = around(*given, moved_to(ping.known, start, start[None, :2] + [0.4, 0.0])[0], window_s=4e-3)
    assert np.linalg.norm(near[:, :2] - start[:2], axis=-1).min() < 0.3
    direct = arrivals_alone(ping.known, path_sets(ping.known, sources_m(ping.known, near), 1e-4), near)[:, :, 0]
    np.testing.assert_allclose(direct.mean(axis=-1), direct.mean(), atol=2e-7)  # the array's own curvature
    right = fit_modes(*given, start[None], window_s=4e-3)
    same = further_modes(*given, start[None], right, window_s=4e-3)
    np.testing.assert_array_equal(same.state, right.state)
    off = replace(right, state=right.state + 0.4 * np.eye(right.state.shape[1])[0], log_evidence=right.log_evidence - 9)
    found = further_modes(*given, near, off, window_s=4e-3)
    assert np.linalg.norm(found.state[0, :2] - right.state[0, :2]) < 0.05 and found.members[0] == 0


@pytest.mark.slow
def test_a_place_of_many_paths_is_among_the_likeliest():
    """At 18 m some 60 paths come: priced at each channel, 13 places with fewer were taken for likelier."""
    far = Rendered((22.0, 3.0, 0.8), (5.0, 9.0, 1.5))
    problem = far.problem()
    bearing = replace(far.bearing, bearing_sd=np.deg2rad(2.0))
    grid = new_grid(far.known, (bearing,), np.empty((0, 3)), far.known.burst.length_s)
    starts = start_states(
        far.known, problem.baseband, problem.table, grid, onset_s=far.onset_s, bearings=(bearing,), count=5
    )
    assert np.linalg.norm(starts[:, :2] - far.source[:2], axis=-1).min() < 0.3


@pytest.mark.parametrize(
    ("own", "source", "noted_off_m", "floor_deeper_m"),
    [
        ((20.38, 3.34, 0.8), (14.89, 4.78, 1.2), (-0.02, -0.04), 0.03),
        ((22.34, 6.29, 0.8), (13.52, 9.19, 1.2), (-0.04, -0.08), 0.0),
    ],
)
def test_a_place_is_among_the_likeliest_where_pose_and_floor_are_off(own, source, noted_off_m, floor_deeper_m):
    """Two of 48 drawn places that a search misses which takes paths for known to 4 cm a bounce, not to 6."""
    off = Rendered(own, source, floor_deeper_m=floor_deeper_m)
    pose = replace(off.known.pose, position_m=tuple(np.add(own, [*noted_off_m, 0.0])))
    known, problem = replace(off.known, pose=pose), off.problem()
    grid = new_grid(known, (off.bearing,), np.empty((0, 3)), known.burst.length_s)
    starts = start_states(
        known, problem.baseband, problem.table, grid, onset_s=off.onset_s, bearings=(off.bearing,), count=16
    )
    assert np.linalg.norm(starts[:, :2] - off.source[:2], axis=-1).min() < 0.35


@pytest.mark.slow
@pytest.mark.parametrize("deeper_m", [-0.2, 0.4])
def test_a_floor_off_the_sketch_is_found_with_the_place(deeper_m):
    """Rendered by `propagate` with another floor: the likeliest shift near the pinger is the true one."""
    off = Rendered(floor_deeper_m=deeper_m)
    problem, loose = off.problem(), loosened(off.known)
    grid = new_grid(loose, (off.bearing,), np.empty((0, 3)), off.known.burst.length_s)
    starts = start_states(
        loose, problem.baseband, problem.table, grid, onset_s=off.onset_s, bearings=(off.bearing,), count=12,
        floor_shifts_m=(-0.4, -0.2, 0.2, 0.4),
    )  # fmt: skip
    near = starts[np.linalg.norm(starts[:, :2] - off.source[:2], axis=-1) < 0.5]
    floor = FACES + loose.faces.parameters.index("floor_depth")
    assert len(near)
    assert near[0, floor] * loose.faces_sd[floor - FACES] == pytest.approx(deeper_m)


@pytest.mark.slow
def test_it_finds_the_pinger(ping):
    """14 m of pool, half-wave array: within what it states, and half a metre at most."""
    fix = ping.located()
    assert fix.ok, fix.reason
    best = fix.modes[0]
    off = (best.position_m - ping.source)[:2]
    assert np.linalg.norm(off) < 0.5
    assert off @ np.linalg.solve(best.covariance_m2[:2, :2], off) < 9.2  # 99 % of chi-squared with 2 degrees of freedom
    assert best.probability > 0.5
    assert fix.p_value > 0.001


def test_what_cannot_be_used_is_a_reason(ping):
    assert "swept" in ping.located(burst=Burst(30e3, 4e-3, 8.0, 2e3)).reason
    empty = replace(ping.known.faces, names=(), normals=np.empty((0, 3)), offsets_m=np.empty(0))
    assert "no face" in ping.located(faces=empty).reason
    assert ping.located(burst=Burst(30e3, 4e-3, 8.0, 2e3)).modes == ()


def test_what_it_states_is_the_bound_with_echoes():
    """With faces like mirrors its information is that of `echo_bound`, which integrates the burst's closed form.

    Within 15 %: the band holds nine tenths of an edge's information, paths under -26 dB are left out here, there those
    under -30 dB.
    """
    scene = load_scene(shipped("examples")["mallard-basin"])
    pinger, own = scene.pingers[0], scene.vehicle.pose
    bound = echo_bound(
        scene, pinger, own.position_m[None], np.array([own.heading]), np.array([pinger.position_m])
    ).whole_burst_m[0]
    ping = Rendered(tuple(own.position_m.tolist()), pinger.position_m, noise=False)
    pose = replace(ping.known.pose, position_sd_m=scene.vehicle.position_sd_m, depth_sd_m=scene.vehicle.depth_sd_m)
    ping.known = replace(ping.known, pose=pose, depth_sd_m=scene.study.pinger_depth_sd_m)
    problem = ping.problem(roughness=Roughness(scatter=1e-3, timing_sd_m=1e-4, diffuse=1e-3))
    _, information, _ = evaluate(problem, ping.true_state().T)
    covariance = np.linalg.inv(information[..., 0])
    stated = np.sqrt(covariance[X, X] + covariance[Y, Y])
    assert stated == pytest.approx(bound, rel=0.15)
    # The same of what each error makes of the place, in the order of `EchoMode` and in standard deviations.
    theirs = echo_place_errors(
        scene, pinger, own.position_m[None], np.array([own.heading]), np.array([pinger.position_m])
    )
    shared, channels, site = np.split(theirs.by[0] * theirs.sd, [8, 8 + 4 * len(scene.array.hydrophones)], axis=-1)
    theirs = np.concatenate([shared, site, channels], axis=-1)
    ours = -covariance[[X, Y], DEPTH:]
    assert ours.shape == theirs.shape
    assert np.linalg.norm(ours - theirs) < 0.2 * np.linalg.norm(theirs)


@pytest.mark.slow
def test_a_region_is_looked_at_first_and_a_wrong_one_does_not_mislead(ping):
    """In it the same place is found from the same samples alone; 3 m nearer, as by a wrong place before, all is sought."""
    whole, away = ping.located(), ping.source[:2] - ping.known.middle_m[:2]
    spread = 0.35**2 * np.eye(2)
    near = ping.located(region=SearchRegion(ping.source[:2] + [0.3, -0.3], spread))
    assert near.ok
    off = (near.modes[0].position_m - whole.modes[0].position_m)[:2]
    assert np.hypot(*off) < 0.2 * np.sqrt(np.trace(whole.modes[0].covariance_m2[:2, :2]))
    np.testing.assert_allclose(near.modes[0].covariance_m2, whole.modes[0].covariance_m2, rtol=0.2, atol=1e-3)
    wrong = ping.located(region=SearchRegion(ping.source[:2] - 3.0 * away / np.hypot(*away), spread))
    np.testing.assert_array_equal(wrong.modes[0].position_m, whole.modes[0].position_m)
