"""Pings whose integers are in doubt resolve each other's, or say that they do not."""

from dataclasses import replace

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse import ALTERNATIVE
from acoustics.estimate.fuse.fusion import PingRun, Track, fuse_pings
from acoustics.estimate.fuse.run import uniform_over
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix, spherical_time

C, PERIOD_S, SD_S = 1480.0, 1 / 37500, 3e-7
SIDE_M = 4 * C * PERIOD_S  # of four wavelengths: whole periods turn a direction into one whose cosine is 1/4 off
HYDROPHONES = SIDE_M * np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
D = difference_matrix(4)
JUMPS = np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]]) @ (D @ HYDROPHONES[:, :2]).T / SIDE_M
SOURCE, HEADING = np.array([30.0, 10.0, 6.0]), 0.3
AREA = uniform_over([[-10, -30], [50, -30], [50, 40], [-10, 40]])
ERRORS = ErrorSizes(
    heading_bias_sd=0.02,
    attitude_sd=np.full(3, 0.005),
    drift_sd_m_per_root_m=0.02,
    sound_speed_sd_m_s=2.0,
    element_sd_m=np.array(0.0005),
    skew_sd_s=np.array(2e-7),
)


def runs(way, *, n_runs, seed, first):
    """Runs with a constant skew and heading error; `first`, (n_runs, n_pings), of the jumps is taken for right first."""
    rng, shape = np.random.default_rng(seed), (n_runs, len(way))
    bias = rng.normal(size=(n_runs, 1)) * ERRORS.heading_bias_sd
    pose = Pose(way + np.zeros((n_runs, 1, 1)), 0.0, 0.0, HEADING + bias)
    times = spherical_time(pose.to_site(HYDROPHONES), SOURCE, C)
    times += SD_S * rng.normal(size=(*shape, 4)) + 2e-7 * rng.normal(size=(n_runs, 1, 4))
    offsets = (JUMPS - JUMPS[first][..., None, :]) * PERIOD_S
    run = PingRun(
        times @ D.T + JUMPS[first] * PERIOD_S, SD_S**2 * D @ D.T, HYDROPHONES, D, C,
        alternatives_s=offsets, alternative_misfit=np.zeros(offsets.shape[:-1]),
    )  # fmt: skip
    return run, Track(np.broadcast_to(way, (*shape, 3)), heading=HEADING)


def fused(run, track):
    return fuse_pings(run, track, ERRORS, source_depth_m=6.0, source_depth_sd_m=0.1, area=AREA)


def across(n_pings, length_m):
    return np.linspace(0.0, 1.0, n_pings)[:, None] * [-0.3 * length_m, length_m, 0.0] + [0.0, 0.0, 1.0]


@pytest.mark.slow
def test_pings_from_several_places_resolve_each_others_integers():
    """No ping prefers its true integers: as they stand they name no place, with their alternatives the right one."""
    run, track = runs(across(6, 6.0), n_runs=12, seed=2, first=np.random.default_rng(1).integers(0, 5, (12, 6)))
    fix = fused(run, track)
    assert np.all(fix.ok) and np.all(fix.inliers) and np.all(fix.mode_weight[:, 0] > 0.99)
    inside = inside_region(fix.position_m[:, :2] - SOURCE[:2], fix.covariance_m2[:, :2, :2], probability=0.999)
    assert inside.all()  # 12 of 12 at 99.9 %: by chance wrong in 1.2 % of the seeds
    alone = fused(replace(run, alternatives_s=None, alternative_misfit=None), track)
    assert not alone.ok.any()


def test_pings_at_one_place_leave_every_direction_that_fits_its_share():
    """The jumps of a square are exact for waves from afar: which direction is right no ping from there can tell."""
    run, track = runs(np.tile([0.0, 0.0, 1.0], (2, 1)), n_runs=3, seed=3, first=np.zeros((3, 2), dtype=int))
    fix = fused(run, track)
    told = fix.mode_weight > 0
    assert np.all(told.sum(axis=-1) > 1) and fix.mode_weight.sum(axis=-1) == pytest.approx(1.0, abs=2e-3)
    undecided = fix.mode_weight[:, 0] < 0.99
    assert undecided.any() and np.all(fix.reason[undecided] == ALTERNATIVE) and not fix.ok[undecided].any()
    for run_modes, covariance, there in zip(fix.mode_m, fix.mode_covariance_m2, told, strict=True):
        off = run_modes[there, :2] - SOURCE[:2]
        assert inside_region(off, covariance[there, :2, :2], probability=0.999).sum() == 1


def test_directions_whose_ellipses_overlap_keep_their_shares_and_one_ellipse_stands_for_them():
    """A compass out by 0.2 rad makes directions 0.26 rad apart one place as seen from the site, not on the vehicle."""
    way = np.tile([0.0, 0.0, 1.0], (2, 1))
    run, track = runs(way, n_runs=1, seed=4, first=np.zeros((1, 2), dtype=int))
    near, apart = (
        fuse_pings(
            run, track, replace(ERRORS, heading_bias_sd=sd), source_depth_m=6.0, source_depth_sd_m=0.1, area=AREA
        )
        for sd in (0.2, 0.02)
    )
    assert 0.9 < near.mode_weight[0, 0] < 0.99 and near.mode_weight[0, 1] > 0.01
    assert near.ok[0] and not apart.ok[0] and apart.reason[0] == ALTERNATIVE
    weight, mean, spread = near.mode_weight[0], near.mode_m[0], near.mode_covariance_m2[0]
    first = np.arange(2)  # the third is far from them
    share = weight[first] / weight[first].sum()
    middle = share @ mean[first]
    np.testing.assert_allclose(near.position_m[0], middle)
    off = mean[first] - middle
    both = np.einsum("k,kij->ij", share, spread[first] + off[:, :, None] * off[:, None, :])
    np.testing.assert_allclose(near.covariance_m2[0], both)


def test_a_second_alternative_out_of_reach_changes_next_to_nothing_and_none_nothing_at_all():
    run, track = runs(across(5, 6.0), n_runs=2, seed=4, first=np.zeros((2, 5), dtype=int))
    single = replace(run, alternatives_s=run.alternatives_s[..., :1, :], alternative_misfit=np.zeros((2, 5, 1)))
    plain = fused(replace(run, alternatives_s=None, alternative_misfit=None), track)
    for name, value in vars(fused(single, track)).items():
        np.testing.assert_array_equal(value, getattr(plain, name))
    far = np.where(np.arange(5) > 0, 200.0, 0.0) * np.ones((2, 5, 1))
    np.testing.assert_allclose(
        fused(replace(run, alternative_misfit=far), track).position_m, plain.position_m, atol=0.02
    )


def test_alternatives_of_another_shape_are_refused():
    run, _ = runs(across(5, 6.0), n_runs=2, seed=4, first=np.zeros((2, 5), dtype=int))
    with pytest.raises(ParameterError, match="alternatives_s has shape"):
        replace(run, alternatives_s=run.alternatives_s[..., :2])
    with pytest.raises(ParameterError, match="alternative_misfit has shape"):
        replace(run, alternative_misfit=np.zeros((2, 5)))
    with pytest.raises(ParameterError, match="a ping has no alternative"):
        replace(run, alternative_misfit=np.full((2, 5, 5), np.inf))
