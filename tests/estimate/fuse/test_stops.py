"""Pings heard at one place share what undetected echoes do to them: repeating a ping does not average that out."""

from dataclasses import replace

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose
from acoustics.base.regions import inside_region
from acoustics.estimate.fuse.fusion import PingRun, Track, fuse_pings
from acoustics.estimate.fuse.model import fusion_problem
from acoustics.estimate.fuse.run import uniform_over
from acoustics.estimate.fuse.stops import UndetectedEchoes, by_stop, stops_of
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix, spherical_time

C, FREQUENCY_HZ = 1480.0, 30_000.0
WAVELENGTH_M = C / FREQUENCY_HZ
HYDROPHONES = 0.3 * np.array([[1.0, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0.5]])
D = difference_matrix(4)
SOURCE = np.array([20.0, 8.0, 2.4])
AREA = uniform_over([[0, 0], [25, 0], [25, 12.5], [0, 12.5]])
SD_S, SHARE = 2e-6, 0.6


def places(*x_m):
    return np.array(x_m)[None, :, None, None] * [1.0, 0.0, 0.0] + HYDROPHONES


def test_a_stop_ends_where_the_echoes_have_lost_half_of_their_coherence():
    half = WAVELENGTH_M / (2 * np.pi) * np.sqrt(3.0 * np.log(2.0) / 0.03)  # of echo_coherence, excess 0.03
    heard = np.ones((1, 5), dtype=bool)
    found = stops_of(places(0.0, 0.9 * half, 1.1 * half, 5.0, 1.3 * half), heard, np.full(5, WAVELENGTH_M))
    assert found.coherence.shape == (1, 5, 1)  # pings that are alone have no stop
    # From its middle each of the first two is 0.45 half-coherence distances away.
    np.testing.assert_allclose(found.coherence[0, :, 0], [0.5**0.2025, 0.5**0.2025, 0, 0, 0])
    np.testing.assert_array_equal(found.pings[0], [2, 2, 1, 1, 1])
    heard[0, 1] = False
    assert stops_of(places(0.0, 0.1, 9.0, 5.0, 7.0), heard, np.full(5, WAVELENGTH_M)).coherence.size == 0


def test_what_a_stop_does_has_the_lasting_share_of_each_pings_covariance_whatever_its_reference():
    rng = np.random.default_rng(4)
    root = rng.normal(size=(3, 3))
    differences = np.stack([D, difference_matrix(4, 2), np.zeros((3, 4))])
    covariance = np.stack([root @ root.T, 2.0 * D @ D.T, np.eye(3)])[None]
    lasting = np.zeros((1, 3, 2))
    lasting[0, :, 1] = [0.3, 0.5, 0.5]
    effect = by_stop(covariance, differences, lasting)
    assert effect.shape == (1, 3, 3, 8) and not effect[..., :4].any()
    square = effect @ np.swapaxes(effect, -1, -2)
    np.testing.assert_allclose(square[0, 0], 0.3 * covariance[0, 0])
    np.testing.assert_allclose(square[0, 1], 0.5 * covariance[0, 1])
    assert not square[0, 2].any()  # no delays, so nothing to disturb
    # Equal arrivals' errors are taken for one and the same by either reference.
    one = by_stop(covariance[:, 1:2], differences[1:2], lasting[:, 1:2])[0, 0, :, 4:]
    np.testing.assert_allclose(one, differences[1], atol=1e-12)


def stopped_runs(n_runs, n_pings, seed):
    """Runs of pings at two stops, each ping's error partly that of its stop."""
    rng, at = np.random.default_rng(seed), np.repeat([0, 1], n_pings // 2)
    way = np.array([[7.0, 2.0, 1.0], [10.0, 6.0, 1.0]])[at]
    lasting = np.sqrt(SHARE) * rng.normal(size=(n_runs, 2, 4))[:, at]
    error = SD_S * (lasting + np.sqrt(1.0 - SHARE) * rng.normal(size=(n_runs, n_pings, 4)))
    times = spherical_time(Pose(way, 0.0, 0.0, 0.3).to_site(HYDROPHONES), SOURCE, C) + error
    run = PingRun(
        times @ D.T, SD_S**2 * D @ D.T, HYDROPHONES, D, C,
        undetected=UndetectedEchoes(np.full(n_pings, SHARE), FREQUENCY_HZ),
    )  # fmt: skip
    return run, Track(np.broadcast_to(way, (n_runs, *way.shape)), heading=0.3)


@pytest.mark.slow
@pytest.mark.thorough
def test_regions_of_pings_heard_at_two_stops_hold_the_truth_as_often_as_they_say():
    run, track = stopped_runs(400, 12, seed=5)
    errors = ErrorSizes(drift_sd_m_per_root_m=0.01)

    def inside(run):
        fix = fuse_pings(run, track, errors, source_depth_m=2.4, source_depth_sd_m=0.01, area=AREA)
        return inside_region((fix.position_m - SOURCE)[:, :2], fix.covariance_m2[:, :2, :2]).mean()

    # Of 400 runs at 95 %: 92.5 to 97.5 % in all but two seeds of a hundred.
    assert 0.925 <= inside(run) <= 0.975
    assert inside(replace(run, undetected=None)) < 0.80  # taken as new at each ping they average out


def test_what_speaks_against_an_alternative_counts_once_for_pings_that_share_all():
    """At one place, with all of the error lasting, eight pings' build-ups say as much as one's."""
    run, track = stopped_runs(1, 8, seed=6)
    track = Track(np.broadcast_to([7.0, 2.0, 1.0], (1, 8, 3)), heading=0.3)
    period = 1.0 / FREQUENCY_HZ
    offset = period * np.array([[0.0, 0, 0], [1, 1, 0]]) * np.ones((1, 8, 1, 1))

    def problem(share, misfit):
        given = replace(
            run, alternatives_s=offset, alternative_misfit=np.array(misfit) * np.ones((1, 8, 1)),
            undetected=UndetectedEchoes(np.full(8, share), FREQUENCY_HZ),
        )  # fmt: skip
        return fusion_problem(given, track, ErrorSizes(), depth_m=None, depth_sd_m=0.0, area=AREA)

    np.testing.assert_allclose(problem(1.0, [3.0, 7.0]).misfit.sum(axis=1), [[0.0, 4.0]])
    np.testing.assert_allclose(problem(0.0, [3.0, 7.0]).misfit.sum(axis=1), [[0.0, 32.0]])


def test_shares_that_are_none_are_refused():
    with pytest.raises(ParameterError, match="lasting_share"):
        UndetectedEchoes(np.array([0.2, 1.2]), FREQUENCY_HZ)
    with pytest.raises(ParameterError, match="frequency_hz"):
        UndetectedEchoes(np.array([0.2]), 0.0)
