"""The delay model: geometry by hand, derivatives by finite differences, covariance by simulation."""

import numpy as np
import pytest

from acoustics.physics.tdoa import (
    curvature_covariance,
    difference_matrix,
    element_covariance,
    plane_wave_time,
    spherical_time,
    spherical_wave,
    unit_vectors_to_source,
)

HYDROPHONES_M = np.array([[0.3, 0.0, 0.0], [0.0, 0.2, 0.0], [0.0, 0.0, 0.4], [-0.1, 0.1, 0.2]])
SPEED = 1480.0


def test_the_nearer_hydrophone_hears_earlier():
    # By hand: the source lies ahead, so the hydrophone 0.3 m ahead hears 0.3 / c before the origin.
    times = plane_wave_time(HYDROPHONES_M, [1.0, 0.0, 0.0], SPEED)
    np.testing.assert_allclose(times, np.array([-0.3, 0.0, 0.0, 0.1]) / SPEED, atol=1e-15)


def test_spherical_time_by_pythagoras():
    assert spherical_time([[0.0, 0.0, 0.0]], [3.0, 4.0, 12.0], SPEED) == pytest.approx(13.0 / SPEED, rel=1e-12)


def test_spherical_wave_becomes_plane_far_away():
    unit = np.array([2.0, -1.0, 0.5]) / np.sqrt(5.25)
    far = spherical_time(HYDROPHONES_M, 1e5 * unit, SPEED) - 1e5 / SPEED
    # The wave front's curvature leaves r^2 / (2 R c), some 5e-10 s.
    np.testing.assert_allclose(far, plane_wave_time(HYDROPHONES_M, unit, SPEED), atol=1e-9)


def test_unit_vectors_are_the_derivative_of_the_time():
    source, step = np.array([4.0, -2.0, 1.0]), 1e-4
    slopes = [
        (
            spherical_time(HYDROPHONES_M, source + step * axis, SPEED)
            - spherical_time(HYDROPHONES_M, source - step * axis, SPEED)
        )
        / (2 * step)
        for axis in np.eye(3)
    ]
    unit = unit_vectors_to_source(HYDROPHONES_M, source)
    np.testing.assert_allclose(unit / SPEED, np.transpose(slopes), rtol=1e-6, atol=1e-12)
    assert (unit_vectors_to_source([[1.0, 2.0, 3.0]], [1.0, 2.0, 3.0]) == 0.0).all()
    both = spherical_wave(HYDROPHONES_M, source, SPEED)
    np.testing.assert_array_equal(both[0], spherical_time(HYDROPHONES_M, source, SPEED))
    np.testing.assert_array_equal(both[1], unit)


@pytest.mark.parametrize("reference", [0, 2])
def test_difference_matrix(reference):
    times = np.array([5.0, 7.0, 11.0, 2.0])
    others = [i for i in range(4) if i != reference]
    np.testing.assert_array_equal(difference_matrix(4, reference) @ times, times[others] - times[reference])
    # Independent errors of variance v: 2 v on the diagonal and v off it, the reference's share.
    covariance = difference_matrix(4, reference) @ difference_matrix(4, reference).T
    np.testing.assert_array_equal(covariance, np.eye(3) + 1.0)


def test_broadcasts():
    speeds = np.full((5, 1), SPEED)
    sources = np.ones((5, 2, 3))
    assert spherical_time(HYDROPHONES_M, sources, speeds).shape == (5, 2, 4)
    assert plane_wave_time(HYDROPHONES_M, sources, speeds).shape == (5, 2, 4)
    assert unit_vectors_to_source(HYDROPHONES_M, sources).shape == (5, 2, 4, 3)


def test_each_hydrophone_errs_alone_but_the_reference_errs_in_every_difference():
    # D diag(v) D^T written out for three hydrophones, the second the reference.
    covariance = element_covariance([1e-3, 2e-3, 3e-3], 3, 1)
    np.testing.assert_allclose(covariance, 1e-6 * np.array([[1 + 4, 4], [4, 9 + 4]]))


def test_covariance_of_the_curvature_by_simulation():
    rng = np.random.default_rng(4)
    units = rng.normal(size=(20_000, 3))
    units /= np.linalg.norm(units, axis=-1, keepdims=True)
    points = HYDROPHONES_M - HYDROPHONES_M.mean(axis=0)
    # From 20 m second order is enough; of a deviation of 1 / 20 m, which is half of the largest for 10 m.
    bent = spherical_time(points, 20.0 * units, SPEED) - 20.0 / SPEED - plane_wave_time(points, units, SPEED)
    simulated = bent.T @ bent / len(units)
    found = curvature_covariance(HYDROPHONES_M, SPEED, 10.0)
    # An entry of 20,000 draws is known to about 1 % of the largest; third order adds as much.
    np.testing.assert_allclose(found, simulated, atol=0.03 * simulated.max())
