"""Directions over several vectors of integers and unknown distances: their weights and regions, by simulation."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.frames import direction
from acoustics.base.mixtures import credible_level
from acoustics.estimate.direction import (
    DepressionPrior,
    DirectionQuestion,
    direction_mixture,
    direction_mixtures,
    merged_directions,
)
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import difference_matrix

C, F = 1480.0, 30e3
DOWN = np.array([0.0, 0.0, 1.0])
WIDE = np.array([[0.25, 0.2, 0.0], [0.1, -0.2, 0.05], [-0.05, -0.25, 0.0], [-0.3, 0.25, 0.0], [0.2, 0.18, 0.02]])
WIDE = WIDE - WIDE.mean(axis=0)


def draws(n, *, sd_s, nearest_m, farthest_m, seed):
    """Bearings, and delays of a spherical wave from a log-uniform distance, directions even over the sphere."""
    rng = np.random.default_rng(seed)
    bearing, depression = rng.uniform(-np.pi, np.pi, n), np.arcsin(rng.uniform(-1, 1, n))
    distance = np.exp(rng.uniform(np.log(nearest_m), np.log(farthest_m), n))
    source = distance[:, None] * direction(bearing, depression)
    times = np.linalg.norm(source[:, None] - WIDE, axis=-1) / C + sd_s * rng.normal(size=(n, len(WIDE)))
    d = difference_matrix(len(WIDE))
    return bearing, times @ d.T, sd_s**2 * (d @ d.T)


@pytest.mark.slow
def test_regions_hold_a_near_source_of_unknown_distance():
    sd_s = 1e-6
    prior = DepressionPrior(DOWN, nearest_m=1.0, farthest_m=30.0)
    bearing, delays, covariance = draws(150, sd_s=sd_s, nearest_m=1.0, farthest_m=30.0, seed=2)
    levels = []
    for truth, delay in zip(bearing, delays, strict=True):
        mixture = direction_mixture(
            Tdoa(delay[None], covariance), np.zeros(1), WIDE, C, prior, sound_speed_sd_m_s=0.0, element_sd_m=0.0
        )
        found = merged_directions(mixture, 1e-3)
        sds = [np.sqrt(m.covariance[0, 0]) for m in found]
        levels.append(credible_level(truth, [m.bearing for m in found], sds, [m.weight for m in found]))
    # Two standard errors of a share of 0.95 from 150 draws are 0.036; a plane wave holds under half of them.
    assert 0.91 < np.mean(np.array(levels) <= 0.95) < 0.99


@pytest.mark.slow
@pytest.mark.thorough
def test_the_weight_of_a_vector_is_how_often_it_is_right():
    prior = DepressionPrior(DOWN, nearest_m=1.0, farthest_m=30.0)
    _, delays, covariance = draws(120, sd_s=3e-6, nearest_m=1.0, farthest_m=30.0, seed=3)
    steps = np.stack(np.meshgrid(*[[-1, 0, 1]] * 4, indexing="ij"), axis=-1).reshape(-1, 4)
    rng, spread = np.random.default_rng(4), 8e-6
    d = difference_matrix(len(WIDE))
    weight = np.linalg.inv(spread**2 * (d @ d.T))
    stated, right = [], []
    for delay in delays:
        # An envelope that errs by a quarter of a cycle.
        off = steps / F + spread * rng.normal(size=len(WIDE)) @ d.T
        misfit = np.einsum("ji,ik,jk->j", off, weight, off)
        kept = np.argsort(misfit)[:16]
        mixture = direction_mixture(
            Tdoa(delay + steps[kept] / F, covariance), misfit[kept] - misfit.min(), WIDE, C, prior,
            sound_speed_sd_m_s=0.0, element_sd_m=0.0,
        )  # fmt: skip
        of_vector = mixture.weight.sum(axis=-1)
        stated.append(of_vector.max())
        right.append(not steps[kept[of_vector.argmax()]].any())
    assert 0.3 < np.mean(right) < 0.97  # else nothing is shown
    # Two standard errors of a share in 120 draws are 9 % at most.
    assert abs(np.mean(stated) - np.mean(right)) < 0.09


def test_directions_that_say_the_same_are_one_and_mirror_images_stay_apart():
    flat = WIDE * [1.0, 1.0, 0.0]
    times = -flat @ direction(0.5, 0.4) / C
    delays = times @ difference_matrix(len(flat)).T
    covariance = 1e-12 * (np.eye(4) + 1.0)
    mixture = direction_mixture(
        Tdoa(np.stack([delays, delays + 1e-7, delays + [0, 0, 2e-4, 0]]), covariance), np.array([0.0, 1.0, 0.0]), flat, C,
        DepressionPrior(DOWN), sound_speed_sd_m_s=0.0, element_sd_m=1e-3,
    )  # fmt: skip
    first, second, *_ = merged_directions(mixture, 1e-3)
    assert {vector for vector, _ in first.members} == {0, 1} == {vector for vector, _ in second.members}
    assert first.weight == pytest.approx(second.weight) and first.weight > 0.49
    assert first.depression == pytest.approx(-second.depression, abs=1e-6)
    assert mixture.p_value[0] > 1e-3 > mixture.p_value[2]


def test_one_minimum_beside_two_is_set_by_its_direction_and_not_by_rounding():
    prior = DepressionPrior(DOWN, nearest_m=1.0, farthest_m=30.0)
    _, delays, covariance = draws(24, sd_s=1e-6, nearest_m=1.0, farthest_m=30.0, seed=5)
    once, again = (
        direction_mixture(
            Tdoa(scale * delays[:, None], covariance), np.zeros((24, 1)), WIDE, C, prior,
            sound_speed_sd_m_s=1.0, element_sd_m=1e-3,
        )
        for scale in (1.0, 1.0 + 1e-12)
    )  # fmt: skip
    np.testing.assert_allclose(once.weight, again.weight, atol=1e-6)


def test_pings_together_are_told_what_each_is_told_alone():
    _, delays, covariance = draws(3, sd_s=1e-6, nearest_m=1.0, farthest_m=30.0, seed=6)
    asked = [
        DirectionQuestion(
            Tdoa(delay + np.arange(n)[:, None] * 2e-6, scale * covariance), np.arange(n, dtype=float), speed,
            DepressionPrior(DOWN, below_m, 0.1, nearest_m=nearest_m),
        )
        for delay, n, scale, speed, below_m, nearest_m in zip(
            delays, (1, 3, 2), (1.0, 4.0, 1e6), (C, C + 5.0, C), (2.0, None, 1.0), (1.0, 3.0, 150.0), strict=True
        )
    ]  # fmt: skip
    errors = {"sound_speed_sd_m_s": 1.0, "element_sd_m": 1e-3}
    for one, together in zip(asked, direction_mixtures(asked, WIDE, **errors), strict=True):
        alone = direction_mixture(one.alternatives, one.build_up_misfit, WIDE, one.sound_speed_m_s, one.prior, **errors)
        for name in ("weight", "bearing", "depression", "covariance", "log_evidence", "p_value"):
            np.testing.assert_allclose(getattr(together, name), getattr(alone, name), rtol=1e-6, atol=1e-9)
        assert together.ok == alone.ok and together.reason == alone.reason
