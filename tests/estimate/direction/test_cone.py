"""A line's bearing with the depression integrated out: coverage by simulation, and the closed form of the cone."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.base.frames import direction, wrap_angle
from acoustics.estimate.direction import DepressionPrior, estimate_bearing, over_the_cone
from acoustics.estimate.tdoa import tdoa_from_toa
from acoustics.physics.direct_rays import direct_rays
from acoustics.physics.refraction import SoundSpeedProfile

C = 1480.0
DOWN = np.array([0.0, 0.0, 1.0])
PAIR = np.array([[0.0, -0.00875, 0.0], [0.0, 0.00875, 0.0]])
LINE = np.array([[0.0, y, 0.0] for y in (-0.02625, -0.00875, 0.00875, 0.02625)])
TRIALS = 1000
# Twice the standard error of a share of 0.95 from 1000 trials.
SPREAD = 0.014


def answers(array, bearing, depression, prior, *, sd_s=7e-7, seed=11):
    rng = np.random.default_rng(seed)
    times = -direction(bearing, depression) @ array.T / C + sd_s * rng.normal(size=(len(bearing), len(array)))
    return over_the_cone(estimate_bearing(tdoa_from_toa(times, sd_s**2), array, C), prior)


def coverage(found, bearing):
    """Of 95 % intervals, of the side that is nearer the truth."""
    error = np.abs(wrap_angle(found.bearing - bearing[:, None]))
    within = error < 1.96 * np.sqrt(found.covariance[..., 0, 0])
    side = np.argmin(error, axis=-1)[:, None]
    return float(np.take_along_axis(within, side, axis=-1).mean())


@pytest.mark.slow
@pytest.mark.parametrize("array", [PAIR, LINE])
@pytest.mark.parametrize("sd_s", [1e-7, 7e-7])
def test_directions_spread_over_the_sphere_are_covered(array, sd_s):
    rng = np.random.default_rng(5)
    bearing, depression = rng.uniform(-np.pi, np.pi, TRIALS), np.arcsin(rng.uniform(-1, 1, TRIALS))
    found = answers(array, bearing, depression, DepressionPrior(DOWN), sd_s=sd_s)
    # The prior is that of the draws; that mean and deviation stand for a skewed distribution takes or gives a per cent.
    assert found.ok.all() and abs(coverage(found, bearing) - 0.95) < SPREAD + 0.01


@pytest.mark.parametrize("array", [PAIR, LINE])
@pytest.mark.slow
def test_depressions_up_to_60_degrees_are_covered(array):
    rng = np.random.default_rng(6)
    bearing, depression = rng.uniform(-np.pi, np.pi, TRIALS), np.deg2rad(rng.uniform(0, 60, TRIALS))
    # Nearer the level than the prior says, so rather more than 95 % are due; assuming depression 0 covers 42 to 64 %.
    assert 0.95 - SPREAD < coverage(answers(array, bearing, depression, DepressionPrior(DOWN)), bearing) < 0.99


@pytest.mark.slow
@pytest.mark.parametrize("below_sd_m", [0.0, 0.3])
def test_with_the_depth_known_the_cone_is_sharper_and_still_covers(below_sd_m):
    rng = np.random.default_rng(7)
    bearing, distance = rng.uniform(-np.pi, np.pi, TRIALS), np.exp(rng.uniform(np.log(3.0), np.log(60.0), TRIALS))
    below = 2.0 + below_sd_m * rng.normal(size=TRIALS)
    prior = DepressionPrior(DOWN, 2.0, below_sd_m, nearest_m=3.0, farthest_m=60.0)
    found = answers(LINE, bearing, np.arcsin(below / distance), prior, sd_s=2e-7)
    # Of ranges of equal probability of each ratio few are steep: a long tail, of which the deviation holds less.
    assert 0.92 < coverage(found, bearing) < 0.98
    vague = answers(LINE, bearing, np.arcsin(below / distance), DepressionPrior(DOWN), sd_s=2e-7)
    assert np.median(found.covariance[..., 0, 0]) < 0.3 * np.median(vague.covariance[..., 0, 0])


@pytest.mark.slow
def test_mean_and_share_match_the_integral_round_the_cone():
    # Level line along y, cone 60 degrees, no noise: tan(bearing) = cos(cone) / (sin(cone) cos(turn)).
    bearing = np.array([np.deg2rad(30.0)])
    found = answers(LINE, bearing, 0.0, DepressionPrior(DOWN), sd_s=1e-11)
    turn = np.linspace(-np.pi / 2, np.pi / 2, 200_001)
    exact = np.arctan2(0.5, np.sqrt(0.75) * np.cos(turn))
    ahead = np.argmin(np.abs(found.bearing[0]))
    assert found.bearing[0, ahead] == pytest.approx(exact.mean(), abs=1e-3)
    assert found.covariance[0, ahead, 0, 0] == pytest.approx(exact.var(), rel=5e-3)
    assert found.depression_share[0] == pytest.approx([1.0, 1.0], abs=1e-3)
    assert found.probability[0] == pytest.approx([0.5, 0.5], abs=1e-12)


def test_no_source_is_above_the_surface():
    prior = DepressionPrior(DOWN, own_depth_m=0.5)
    up, down = direction(0.3, -np.pi / 4), direction(0.3, np.pi / 4)
    assert prior.density(up) < 1e-9 < prior.density(down)
    with pytest.raises(ParameterError, match="nearest"):
        DepressionPrior(DOWN, nearest_m=5.0, farthest_m=2.0)


def test_only_a_line_has_a_cone():
    square = np.array([[0.1, 0.1, 0], [0.1, -0.1, 0], [-0.1, -0.1, 0], [-0.1, 0.1, 0]])
    with pytest.raises(ParameterError, match="line"):
        answers(square, np.array([0.2]), 0.1, DepressionPrior(DOWN))


def test_in_a_thermocline_depths_foretell_the_depression_along_bent_rays():
    """Against depressions of 100,000 pingers drawn; in even water against straight rays. Beyond some 60 m sound comes
    level, or from above, where straight rays see no chance of it."""
    thermocline = SoundSpeedProfile(np.array([0.0, 3.0, 6.0, 12.0]), np.array([1485.4, 1482.4, 1458.9, 1443.5]))
    even = SoundSpeedProfile(np.array([0.0, 30.0]), np.array([1480.0, 1480.0001]))
    sine = np.linspace(-0.2, 0.99, 20_001)
    units = np.stack([np.sqrt(1.0 - sine**2), 0 * sine, sine], axis=-1)
    bent, level = (DepressionPrior(DOWN, 6.0, 0.15, 2.0, profile=p).density(units) for p in (thermocline, even))
    straight = DepressionPrior(DOWN, 6.0, 0.15).density(units)
    np.testing.assert_allclose(level, straight, atol=1e-3 * straight.max())
    rng = np.random.default_rng(1)
    distance, below = np.exp(rng.uniform(0.0, np.log(200.0), 100_000)), 6.0 + 0.15 * rng.normal(size=100_000)
    distance, below = distance[distance > below], below[distance > below]
    across = np.sqrt(distance**2 - below**2)
    rays = direct_rays(thermocline, 2.0 * DOWN, np.stack([across, 0 * across, below + 2.0], axis=-1), search=False)
    slope = (rays.apparent_m[:, 2] - 2.0) / across
    edges = np.sin(np.deg2rad([-8, -4, -2, -1, 0, 1, 2, 3, 4, 6, 8, 12, 16, 24, 40, 70]))
    drawn = np.histogram((slope / np.hypot(1.0, slope))[rays.reached], edges)[0]
    foretold = np.histogram(sine, edges, weights=bent)[0]
    # Shares of up to an eighth of 60,000 are drawn to 0.13 %; four of that.
    np.testing.assert_allclose(foretold / foretold.sum(), drawn / drawn.sum(), atol=0.0055)
    assert (drawn / drawn.sum())[:5].sum() > 0.25 and straight[sine < 0.02].max() < 1e-3 * straight.max()
