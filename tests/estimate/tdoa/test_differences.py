"""Tdoa and their covariance."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.estimate.tdoa.differences import Tdoa, tdoa_from_toa


def test_differences_are_taken_against_the_reference():
    delays = tdoa_from_toa([1.0, 4.0, 9.0], 1.0, reference=1)
    np.testing.assert_allclose(delays.tdoa_s, [-3.0, 5.0])
    assert delays.n_hydrophones == 3


def test_reference_error_is_common_to_all_delays():
    # var(t_i - t_r) = v_i + v_r and cov(t_i - t_r, t_j - t_r) = v_r, by the rules of variances.
    delays = tdoa_from_toa(np.zeros((5, 3)), np.array([2.0, 3.0, 7.0]), reference=0)
    np.testing.assert_allclose(delays.covariance_s2, [[5.0, 2.0], [2.0, 9.0]])


def test_covariance_equals_that_of_a_sample():
    rng = np.random.default_rng(4)
    sd = np.array([1.0, 0.5, 2.0, 1.5])
    delays = tdoa_from_toa(rng.standard_normal((200_000, 4)) * sd, sd**2, reference=2)
    # The relative standard error of a variance from 2e5 samples is 0.3 %; five of them.
    np.testing.assert_allclose(np.cov(delays.tdoa_s.T), delays.covariance_s2, rtol=0.016, atol=0.02)


def test_variance_per_trial():
    delays = tdoa_from_toa(np.zeros((2, 3)), np.array([[1.0, 1, 1], [4, 4, 4]]))
    np.testing.assert_allclose(delays.covariance_s2[1], 4 * delays.covariance_s2[0])


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: tdoa_from_toa([1.0], 1.0), r"times_s has shape \(1,\): .* at least 2"),
        (lambda: tdoa_from_toa(np.zeros((4, 3)), np.ones(2)), r"variance_s2 has shape \(2,\)"),
        (lambda: tdoa_from_toa(np.zeros(3), -1.0), r"variance_s2=-1.0: expected no negative"),
        (lambda: tdoa_from_toa(np.zeros(3), 1.0, reference=3), r"reference=3: .* from 0 to 2"),
        (lambda: Tdoa(np.zeros((4, 2)), np.eye(3)), r"covariance_s2 has shape \(3, 3\): expected \(2, 2\)"),
        (lambda: Tdoa(np.zeros((4, 2)), np.zeros((5, 2, 2))), r"expected \(2, 2\) or \(4, 2, 2\)"),
        (lambda: Tdoa(np.zeros(()), np.eye(1)), r"tdoa_s has shape \(\)"),
        (lambda: Tdoa(np.zeros(2), np.eye(2), -1), r"reference=-1: expected an index from 0 to 2"),
    ],
)
def test_wrong_arguments(call, text):
    with pytest.raises(ParameterError, match=text):
        call()
