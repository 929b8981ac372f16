"""Chi-square, ellipses and coverage, against scipy.stats and numpy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from acoustics.base.errors import ParameterError
from acoustics.base.regions import (
    chi_square_p_value,
    error_ellipse,
    inside_region,
    mahalanobis_squared,
)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 5, 8, 13, 20, 21, 60])
def test_p_value_equals_scipy(dof):
    statistic = np.concatenate([[0.0], np.geomspace(1e-6, 300.0, 60)])
    np.testing.assert_allclose(
        chi_square_p_value(statistic, dof), stats.chi2.sf(statistic, dof), rtol=1e-10, atol=1e-300
    )


def test_nothing_to_test_without_degrees_of_freedom():
    np.testing.assert_array_equal(chi_square_p_value([0.0, 3.0], 0), 1.0)


def test_ellipse_of_a_turned_covariance():
    turn = 0.3
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ellipse = error_ellipse(axes @ np.diag([9.0, 4.0]) @ axes.T, probability=0.95)
    quantile = stats.chi2.ppf(0.95, 2)
    np.testing.assert_allclose(ellipse.semi_major, 3.0 * np.sqrt(quantile))
    np.testing.assert_allclose(ellipse.semi_minor, 2.0 * np.sqrt(quantile))
    np.testing.assert_allclose(ellipse.azimuth, turn)


def test_circle_and_needle_are_finite():
    ellipse = error_ellipse([np.eye(2), [[1.0, 1.0], [1.0, 1.0]]])
    assert np.isfinite(ellipse.azimuth).all()
    np.testing.assert_allclose(ellipse.semi_minor[1], 0.0, atol=1e-7)


def test_region_holds_its_share():
    rng = np.random.default_rng(1)
    covariance = np.array([[2.0, 0.5, 0.1], [0.5, 1.0, -0.3], [0.1, -0.3, 0.7]])
    errors = rng.multivariate_normal(np.zeros(3), covariance, size=40_000)
    expected = np.einsum("mi,ij,mj->m", errors, np.linalg.inv(covariance), errors)
    np.testing.assert_allclose(mahalanobis_squared(errors, covariance), expected)
    # Standard error of a share of 0.9 in 4e4 trials: 0.0015; four of them.
    assert abs(inside_region(errors, covariance, probability=0.9).mean() - 0.9) < 0.006


def test_wrong_arguments():
    with pytest.raises(ParameterError, match=r"covariance has shape \(3, 3\): expected \(..., 2, 2\)"):
        error_ellipse(np.eye(3))
    with pytest.raises(ParameterError, match="probability=1.0: expected a value between 0 and 1"):
        error_ellipse(np.eye(2), probability=1.0)
    with pytest.raises(ParameterError, match="probability=0.0"):
        inside_region([0.0, 0.0], np.eye(2), probability=0.0)
