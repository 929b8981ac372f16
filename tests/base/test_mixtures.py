"""Credible levels of mixtures of angles, against the normal distribution and against their own draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from acoustics.base.errors import ParameterError
from acoustics.base.mixtures import credible_level, credible_level_on_map, share_beyond


@pytest.mark.parametrize("z", [0.1, 1.0, 1.959964, 3.0])
def test_of_one_component_it_is_the_normal_interval(z):
    expected = stats.norm.cdf(z) - stats.norm.cdf(-z)
    # One quantile of 401 on either side.
    assert credible_level(np.pi + z * 0.01, [-np.pi], [0.01], [3.0]) == pytest.approx(expected, abs=2 / 401)


def test_truths_drawn_from_the_mixture_have_uniform_levels():
    rng = np.random.default_rng(1)
    means, sds, weights = np.array([0.0, 0.02, 2.5]), np.array([0.01, 0.1, 0.003]), np.array([0.6, 0.1, 0.3])
    of = rng.choice(3, 400, p=weights)
    levels = [credible_level(float(t), means, sds, weights) for t in rng.normal(means[of], sds[of])]
    assert stats.kstest(levels, "uniform").pvalue > 0.01


def test_the_likelier_component_comes_first():
    assert credible_level(0.0, [0.0, 1.0], [0.01, 0.01], [0.96, 0.04]) < 0.01
    assert 0.94 < credible_level(1.0, [0.0, 1.0], [0.01, 0.01], [0.96, 0.04]) < 1.0


def test_what_the_weights_lack_is_anywhere():
    # What is left over has the same density everywhere, so that beyond 0 nothing is farther in than the other.
    assert credible_level(2.0, [0.0], [0.01], [0.8]) == pytest.approx(0.8, abs=0.03)
    assert credible_level(0.0, [0.0], [0.01], [0.8]) < 0.01


def test_wrong_arguments_are_refused():
    for means, sds, weights in (([0.0], [1.0, 2.0], [1.0]), ([0.0], [np.inf], [1.0]), ([0.0], [1.0], [0.0])):
        with pytest.raises(ParameterError):
            credible_level(0.0, means, sds, weights)


SPREAD = np.array([[[0.04, 0.01], [0.01, 0.09]], [[1.0, -0.3], [-0.3, 0.5]]])


@pytest.mark.parametrize("level", [0.1, 0.5, 0.95, 0.985, 0.997, 0.9994])
def test_of_one_normal_place_it_is_the_ellipse(level):
    along = np.linalg.cholesky(SPREAD[0]) @ [0.6, 0.8] * np.sqrt(stats.chi2.ppf(level, 2))
    # One ring of 24; outside the last of these each ring holds half of what is left.
    within = min(1 / 24, (1.0 - level) / 2)
    assert credible_level_on_map(along + 3.0, [[3.0, 3.0]], SPREAD[:1], [2.0]) == pytest.approx(level, abs=within)


def test_places_drawn_from_the_mixture_have_uniform_levels():
    rng = np.random.default_rng(2)
    means, weights = np.array([[0.0, 0.0], [0.5, 0.2]]), np.array([0.7, 0.3])
    of = rng.choice(2, 400, p=weights)
    places = means[of] + np.einsum("nij,nj->ni", np.linalg.cholesky(SPREAD)[of], rng.standard_normal((400, 2)))
    levels = [credible_level_on_map(place, means, SPREAD, weights) for place in places]
    assert stats.kstest(levels, "uniform").pvalue > 0.01


def test_the_share_beyond_a_radius():
    round_one = np.eye(2)[None] * 0.25
    # A Rayleigh distribution: exp(-r^2 / 2 s^2); one ring of 24.
    assert share_beyond(1.0, [0.0, 0.0], [[0.0, 0.0]], round_one, [1.0]) == pytest.approx(np.exp(-2.0), abs=1 / 24)
    far = share_beyond(1.0, [0.0, 0.0], [[0.0, 0.0], [9.0, 0.0]], np.eye(2)[None].repeat(2, 0) * 1e-4, [3.0, 1.0])
    assert far == pytest.approx(0.25)


def test_wrong_mixtures_on_the_map_are_refused():
    for means, spread, weights in (([[0.0, 0.0]], SPREAD, [1.0]), ([[0.0, 0.0]], SPREAD[:1], [-1.0])):
        with pytest.raises(ParameterError):
            credible_level_on_map([0.0, 0.0], means, spread, weights)
