"""Places by echoes in a run: simulated from path times of a pool that is drawn from its tolerances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from acoustics.base.errors import ParameterError
from acoustics.base.regions import inside_region
from acoustics.estimate.echoes.fit import Modes
from acoustics.estimate.echoes.paths import (
    ATTITUDE,
    EMISSION,
    OWN,
    SiteKnowledge,
    X,
    Y,
    arrival_times,
    path_sets,
)
from acoustics.estimate.echoes.places import position_by_errors
from acoustics.estimate.fuse import error_sizes_of_pings, fuse_pings, run_of_pings, track_of_pings, uniform_over
from acoustics.estimate.fuse.fusion import RANGE_UNSEEN
from acoustics.estimate.fuse.model import fusion_problem, linearise
from acoustics.io.echo_fix import EchoFix, EchoMode, FaceOffset
from acoustics.io.ping import NavigatedPose
from acoustics.io.site_sketch import faces_sd, site_faces
from acoustics.physics.burst import Burst
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix
from acoustics.scene.scenario import load_scene, shipped
from tests.io.test_ping_lines import PING

POOL = load_scene(shipped("examples")["mallard-basin"]).pool
FACES = site_faces(POOL)
SQUARE = np.array([[0.2, -0.01, 0.2], [0.22, -0.01, 0.2], [0.22, 0.01, 0.2], [0.2, 0.01, 0.2]])
D = difference_matrix(4)
SOURCE, DEPTH_SD_M, TIMING_SD_S = np.array([15.0, 7.0, 2.0]), 0.1, 1e-6
# Straight towards the pinger, where bearings tell no range.
WAY = np.array([[4.0, 4.0], [5.1, 4.3], [6.2, 4.6], [7.3, 4.9], [8.4, 5.2]])
DRIFT, LOG_SCALE = 0.02, 0.01
OUTLINE = uniform_over([[0, 0], [25, 0], [25, 12.5], [0, 12.5]])


def knowledge(place):
    sd = np.deg2rad([0.5, 0.5, 2.0])
    pose = NavigatedPose((*place, 0.8), 0.0, 0.0, 0.3, 0.05, 0.05, *sd)
    return SiteKnowledge(
        FACES, faces_sd(POOL, FACES), SQUARE, np.full(4, 1e-3), 2e-7, pose, 1490.0, 1.0, Burst(30e3, 4e-3, 8.0), SOURCE[2],
        DEPTH_SD_M,
    )  # fmt: skip


KNOWN = [knowledge(place) for place in WAY]
PATHS = [path_sets(known, SOURCE[None], 4e-3) for known in KNOWN]


def located(known, paths, seen):
    """The place that maximises the posterior of path times (h, n_paths), by Gauss-Newton, as a mode of a ping."""
    state = np.zeros((1, known.n_parameters))
    state[0, [X, Y]], state[0, EMISSION] = SOURCE[:2], 0.0
    for _ in range(6):
        times, by = arrival_times(known, paths, state)
        by = by[0].reshape(-1, known.n_parameters) / TIMING_SD_S
        information = by.T @ by + np.diag(known.prior)
        gradient = by.T @ (seen - times[0]).ravel() / TIMING_SD_S - known.prior * state[0]
        state[0] += np.linalg.solve(information, gradient)
    covariance = np.linalg.inv(information)[None]
    modes = Modes(state, covariance, np.zeros(1), np.zeros(1), np.ones(1, dtype=int))
    spread = np.eye(3)
    spread[:2, :2] = covariance[0][:2, :2]
    return EchoMode(np.array([*state[0, :2], SOURCE[2]]), spread, 1.0, position_by_errors(known, known, modes)[0])


def heard_run(rng):
    """Pings of one run: every error that a run shares drawn once, the others at each ping."""
    n_faces, legs = len(KNOWN[0].faces_sd), np.linalg.norm(np.diff(WAY, axis=0, prepend=WAY[:1]), axis=-1)
    shared = rng.standard_normal(KNOWN[0].n_parameters)
    lead, bias = WAY - WAY[0], shared[ATTITUDE + 2] * KNOWN[0].angle_sd[2]
    turned = lead @ np.array([[np.cos(bias), np.sin(bias)], [-np.sin(bias), np.cos(bias)]])
    turned = turned * (1.0 + LOG_SCALE * rng.standard_normal())
    walk = np.cumsum(DRIFT * np.sqrt(legs)[:, None] * rng.standard_normal(WAY.shape), axis=0)
    pings = []
    for known, paths, away in zip(KNOWN, PATHS, turned - lead + walk, strict=True):
        state = shared.copy()
        state[[X, Y]], state[EMISSION] = SOURCE[:2], 5.0 * rng.standard_normal()
        state[OWN : OWN + 2] += away / known.own_sd[:2]
        state[ATTITUDE : ATTITUDE + 2] = rng.standard_normal(2)
        times, _ = arrival_times(known, paths, state[None])
        seen = times[0] + TIMING_SD_S * rng.standard_normal(times[0].shape)
        fix = EchoFix(
            True, "", (located(known, paths, seen),), depth_m=SOURCE[2], depth_sd_m=DEPTH_SD_M,
            face_offsets=tuple(FaceOffset(name, 0.0, 0.0) for name in FACES.parameters),
        )  # fmt: skip
        pings.append(ping(known, D @ seen[:, 0], fix))
    assert len(FACES.parameters) == n_faces
    return pings


def ping(known, tdoa_s, fix):
    return replace(
        PING, channels=("a", "b", "c", "d"), hydrophones_m=SQUARE, tolerances_m=known.tolerances_m, tdoa_s=tdoa_s,
        tdoa_covariance_s2=TIMING_SD_S**2 * D @ D.T, pose=known.pose, depth_m=SOURCE[2], depth_sd_m=DEPTH_SD_M,
        sound_speed_m_s=1490.0, sound_speed_sd_m_s=1.0, integers=(), echoes=fix,
    )  # fmt: skip


def fused(pings, by_echoes=True, area=None, **other):
    errors = error_sizes_of_pings(pings, heading_bias_sd=None, drift_sd_m_per_root_m=DRIFT, log_scale_sd=LOG_SCALE)
    return fuse_pings(
        run_of_pings(pings, by_echoes=by_echoes), track_of_pings(pings), errors, source_depth_m=SOURCE[2],
        source_depth_sd_m=DEPTH_SD_M, area=area, **other,
    )  # fmt: skip


@pytest.fixture(scope="module")
def run():
    return heard_run(np.random.default_rng(1))


def moved(ping, offset_m, probability=1.0):
    mode = ping.echoes.modes[0]
    return replace(mode, position_m=mode.position_m + [*offset_m, 0.0], probability=probability)


def test_one_ping_states_what_its_echoes_state(run):
    """The errors' priors, put on again, give the covariance that the place had with them."""
    fix, mode = fused(run[:1]), run[0].echoes.modes[0]
    np.testing.assert_allclose(fix.position_m[:2], mode.position_m[:2], atol=1e-3)
    np.testing.assert_allclose(fix.covariance_m2[:2, :2], mode.covariance_m2[:2, :2], rtol=1e-3)


def test_the_same_place_again_tells_nothing_new(run):
    """Six pings from one pose state the covariance of one, but for roll and pitch, which the run has none of."""
    still = ErrorSizes(
        np.deg2rad(2.0), np.zeros(3), 0.05, 0.05, sound_speed_sd_m_s=1.0, element_sd_m=np.full(4, 1e-3), skew_sd_s=2e-7
    )
    pings, mode = run[:1] * 6, run[0].echoes.modes[0]
    shared = np.delete(mode.by_errors_m, [4, 5], axis=0)
    noise = mode.covariance_m2[:2, :2] - mode.by_errors_m.T @ mode.by_errors_m
    fix = fuse_pings(
        run_of_pings(pings, by_echoes=True), track_of_pings(pings), still, source_depth_m=SOURCE[2],
        source_depth_sd_m=DEPTH_SD_M,
    )  # fmt: skip
    np.testing.assert_allclose(fix.covariance_m2[:2, :2], shared.T @ shared + noise, rtol=1e-3)
    two = tuple(moved(run[0], (off, 0.0), weight) for off, weight in ((0.0, 0.6), (5.0, 0.4)))
    undecided = fused([replace(run[0], echoes=replace(run[0].echoes, modes=two))] * 6)
    np.testing.assert_allclose(undecided.mode_weight[undecided.mode_weight > 0], [0.6, 0.4], atol=0.02)


def test_other_places_shrink_what_is_new_at_each_and_nothing_else(run):
    """Five pings whose places err by the sound speed, alike, and by noise: ``A A' + N / 5``."""
    shared, noise = np.array([0.2, 0.1]), 0.09
    by_errors = np.zeros_like(run[0].echoes.modes[0].by_errors_m)
    by_errors[7] = shared
    spread = np.eye(3)
    spread[:2, :2] = np.outer(shared, shared) + noise * np.eye(2)
    mode = EchoMode(SOURCE, spread, 1.0, by_errors)
    pings = [replace(p, echoes=replace(p.echoes, modes=(mode,))) for p in run]
    expected = np.outer(shared, shared) + noise / len(run) * np.eye(2)
    np.testing.assert_allclose(fused(pings).covariance_m2[:2, :2], expected, rtol=1e-3)


def test_its_derivatives_are_those_of_the_residuals(run):
    errors = error_sizes_of_pings(run, heading_bias_sd=None, drift_sd_m_per_root_m=DRIFT, log_scale_sd=LOG_SCALE)
    mixed = [*run[:3], replace(run[3], echoes=None), run[4]]
    problem = fusion_problem(
        run_of_pings(mixed, by_echoes=True), track_of_pings(mixed), replace(errors, attitude_sd=np.zeros(3)),
        depth_m=np.array(SOURCE[2]), depth_sd_m=0.1, area=None,
    )  # fmt: skip
    state = np.zeros((1, problem.size))
    state[0, :3] = SOURCE
    state[0, 3:] = 0.1 * np.random.default_rng(0).standard_normal(problem.size - 3)
    step = 1e-4 * np.eye(problem.size)
    ahead, behind = (
        linearise(problem.subset(np.zeros(problem.size, dtype=int)), state + sign * step).residual for sign in (1, -1)
    )
    numeric = -np.moveaxis(ahead - behind, 0, -1) / 2e-4
    # A turned track is linear to first order in echoes: 1e-3 of it.
    np.testing.assert_allclose(linearise(problem, state).jacobian[0], numeric, rtol=5e-3, atol=5e-3)


def test_a_straight_run_towards_the_pinger_is_no_longer_blind(run):
    blind, seeing = fused(run, by_echoes=False), fused(run)
    assert blind.reason == RANGE_UNSEEN and not blind.ok
    assert seeing.ok
    assert np.linalg.norm(seeing.position_m[:2] - SOURCE[:2]) < 0.5
    alone = np.array([np.trace(p.echoes.modes[0].covariance_m2[:2, :2]) for p in run])
    assert np.trace(seeing.covariance_m2[:2, :2]) < alone.min()


@pytest.mark.slow
@pytest.mark.thorough
def test_its_regions_hold_the_pinger():
    """120 runs, every error drawn anew; 3 standard errors of 95 %, and bearings and places mixed in half of them."""
    rng, n = np.random.default_rng(2), 120
    inside = 0
    for k in range(n):
        pings = heard_run(rng)
        if k % 2:
            pings[1], pings[3] = replace(pings[1], echoes=None), replace(pings[3], echoes=None)
        fix = fused(pings, area=OUTLINE)
        inside += bool(inside_region(fix.position_m[:2] - SOURCE[:2], fix.covariance_m2[:2, :2]))
    assert binom.ppf(0.00135, n, 0.95) <= inside <= binom.ppf(0.99865, n, 0.95)


def test_a_place_that_the_others_contradict_is_left_out(run):
    wrong = replace(run[2], echoes=replace(run[2].echoes, modes=(moved(run[2], (4.0, -3.0)),)))
    fix = fused([*run[:2], wrong, *run[3:]], area=OUTLINE)
    assert fix.inliers.tolist() == [True, True, False, True, True]
    assert np.linalg.norm(fix.position_m[:2] - SOURCE[:2]) < 0.5


def test_the_mode_that_the_others_share_is_found(run):
    """The wrong mode of a ping is the likelier one; those of the others lie elsewhere."""
    offsets = [(4.0, 1.0), (-3.0, 2.0), (0.5, -4.0), (3.0, -3.0), (-4.0, -2.0)]
    pings = [
        replace(p, echoes=replace(p.echoes, modes=(moved(p, off, 0.6), moved(p, (0.0, 0.0), 0.4))))
        for p, off in zip(run, offsets, strict=True)
    ]
    fix = fused(pings, area=OUTLINE)
    assert fix.inliers.all() and fix.ok
    np.testing.assert_allclose(fix.position_m[:2], fused(run, area=OUTLINE).position_m[:2], atol=0.05)
    alone = fused(pings[:1])
    assert not alone.ok
    np.testing.assert_allclose(alone.mode_weight[alone.mode_weight > 0], [0.6, 0.4], atol=0.02)


def test_modes_of_one_place_are_one(run):
    near = (0.05, 0.0)
    modes = moved(run[0], near, 0.5), moved(run[0], (-0.05, 0.0), 0.5)
    pair = replace(run[0], echoes=replace(run[0].echoes, modes=modes))
    echoes = run_of_pings([pair], by_echoes=True).echoes
    assert np.isfinite(echoes.misfit).sum() == 1
    np.testing.assert_allclose(echoes.place_m[0, 0], run[0].echoes.modes[0].position_m[:2])


@pytest.mark.slow
def test_without_places_nothing_changes(run):
    plain = [replace(p, echoes=None) for p in run]
    for name, value in vars(fused(plain, by_echoes=False)).items():
        np.testing.assert_array_equal(value, getattr(fused(run, by_echoes=False), name))
        np.testing.assert_array_equal(value, getattr(fused(plain), name))


def test_what_does_not_fit_is_refused(run):
    short = replace(run[0].echoes.modes[0], by_errors_m=np.zeros((5, 2)))
    with pytest.raises(ParameterError, match="ping 1: expected 33 errors"):
        run_of_pings([replace(run[0], echoes=replace(run[0].echoes, modes=(short,)))], by_echoes=True)
    other = replace(run[1], echoes=replace(run[1].echoes, face_offsets=()))
    with pytest.raises(ParameterError, match="different faces"):
        run_of_pings([run[0], other], by_echoes=True)
    with pytest.raises(ParameterError, match="source_depth_m is missing"):
        fuse_pings(run_of_pings(run, by_echoes=True), track_of_pings(run), ErrorSizes())
    with pytest.raises(ParameterError, match="not by both"):
        replace(run_of_pings(run), echoes=run_of_pings(run, by_echoes=True).echoes)
