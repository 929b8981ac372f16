"""Doubt of the verdicts on pings: against leaving a ping out and fitting again, and by what it does to the ellipse."""

import numpy as np
import pytest

from acoustics.base.frames import Pose
from acoustics.estimate.fuse import inliers
from acoustics.estimate.fuse.descent import descend
from acoustics.estimate.fuse.fusion import PingRun, Track, fuse_pings
from acoustics.estimate.fuse.information import information
from acoustics.estimate.fuse.inliers import deciding_inliers, inlier_choice_covariance
from acoustics.estimate.fuse.model import fusion_problem, linearise
from acoustics.estimate.fuse.run import uniform_over
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix, spherical_time

C = 1490.0
SQUARE = np.array([[0.2, -0.01, 0.2], [0.22, -0.01, 0.2], [0.22, 0.01, 0.2], [0.2, 0.01, 0.2]])
D = difference_matrix(4)
NOISE = D @ D.T
SD_S = 4e-7
POOL = uniform_over([[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]])
SOURCE = np.array([20.0, 8.0, 2.4])
WAY = np.stack(
    [np.interp(range(8), [0, 4, 7], [8, 16, 17]), np.interp(range(8), [0, 4, 7], [2, 2, 9]), np.full(8, 0.8)], -1
)
KEPT = 4


def run_with(turned_deg, ping=6):
    """No noise; one ping's source turned about its pose."""
    sources, angle = np.tile(SOURCE, (8, 1)), np.deg2rad(turned_deg)
    away = SOURCE[:2] - WAY[ping, :2]
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    sources[ping, :2] = WAY[ping, :2] + turn @ away
    delays = spherical_time(Pose(WAY, 0.0, 0.0, 0.3).to_site(SQUARE), sources, C) @ D.T
    return PingRun(delays, SD_S**2 * NOISE, SQUARE, D, C)


def fitted(run, inliers, errors, area=POOL):
    track = Track(WAY, heading=0.3)
    problem = fusion_problem(run, track, errors, depth_m=np.array(2.4), depth_sd_m=0.2, area=area)
    weight = inliers[None].astype(float)
    state = descend(problem, np.r_[SOURCE, np.zeros(problem.size - 3)][None], weight)
    normal = information(problem, linearise(problem, state), state, weight).matrix
    return problem, state, np.linalg.inv(normal)


ERRORS = ErrorSizes(np.deg2rad(1.0), np.deg2rad([0.3, 0.3, 0.3]), 0.0, 0.05, 0.02, 0.01)


def test_a_ping_that_is_surely_wrong_adds_the_way_to_the_fit_without_it(monkeypatch):
    """Told that one inliers ping is wrong, the covariance grows by the square of the way to the fit without it and by
    what is known less then."""
    run, everyone = run_with(4.0), np.ones(8, dtype=bool)
    without = everyone.copy()
    without[6] = False
    problem, state, covariance = fitted(run, everyone, ERRORS)
    _, other, wider = fitted(run, without, ERRORS)

    def certain(problem, whitener, run, ping):
        return np.where(ping == 6, 50.0, -np.inf)

    monkeypatch.setattr(inliers, "_of_another_place", certain)
    added = inliers.inlier_choice_covariance(problem, state, covariance, everyone[None], KEPT)[0, :2, :2]
    way = (other - state)[0, :2]
    whole = np.outer(way, way) + (wider - covariance)[0, :2, :2]
    np.testing.assert_allclose(added, whole, atol=0.1 * np.trace(whole))  # to first order


def test_doubt_grows_with_the_misfit_until_the_ping_is_left_out():
    added = []
    for turned in (0.0, 8.0, 11.0):
        problem, state, covariance = fitted(run_with(turned), np.ones(8, dtype=bool), ERRORS)
        added.append(
            np.trace(inlier_choice_covariance(problem, state, covariance, np.ones((1, 8), dtype=bool), KEPT)[0, :2, :2])
        )
    assert added[0] < 1e-3 < added[1] < added[2]
    # Clearly wrong, it is rejected, and the inlier is not doubted.
    fix = fuse_pings(
        run_with(60.0), Track(WAY, heading=0.3), ERRORS, source_depth_m=2.4, source_depth_sd_m=0.2, area=POOL
    )
    assert fix.inliers.tolist() == [True] * 6 + [False, True]
    np.testing.assert_allclose(fix.position_m[:2], SOURCE[:2], atol=0.1)


@pytest.mark.parametrize("area", [None, POOL])
def test_without_an_outline_or_with_two_pings_nothing_is_doubted(area):
    inliers = np.zeros(8, dtype=bool)
    inliers[[0, 6]] = True
    problem, state, covariance = fitted(run_with(9.0), inliers if area else np.ones(8, dtype=bool), ERRORS, area)
    verdicts = inliers[None] if area else np.ones((1, 8), dtype=bool)
    assert not inlier_choice_covariance(problem, state, covariance, verdicts, KEPT).any()


def test_the_ping_without_which_a_fit_moves_most_is_the_first_taken_for_wrong_and_none_where_all_agree():
    everyone = np.ones((1, 8), dtype=bool)
    problem, state, covariance = fitted(run_with(6.0), everyone[0], ERRORS)
    moves = []
    for ping in range(8):
        way = (fitted(run_with(6.0), np.arange(8) != ping, ERRORS)[1] - state)[0, :2]
        moves.append(way @ np.linalg.solve(covariance[0, :2, :2], way))
    of, ping = deciding_inliers(problem, state, covariance, everyone, 1)
    assert (of.tolist(), ping.tolist()) == ([0], [int(np.argmax(moves))])
    problem, state, covariance = fitted(run_with(0.0), everyone[0], ERRORS)
    assert not len(deciding_inliers(problem, state, covariance, everyone, 8)[0])
