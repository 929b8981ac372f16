"""The station posterior against direct numerical integration, and its corner cases."""

from dataclasses import replace
from math import exp, pi, sqrt

import numpy as np
import pytest
from scipy import integrate

from acoustics.base.errors import ParameterError
from acoustics.estimate.fuse.run import SourceArea, uniform_over
from acoustics.estimate.fuse.station import (
    StationModel,
    decisions,
    decisions_by_fix,
    normal_over_polygon,
    station_posterior,
    sureness,
)

POOL = np.array([[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]])
STATIONS = StationModel([[20.0, 8.5], [20.0, 3.5], [15.0, 10.5]], [1.0, 2.0, 1.0], POOL, spread_m=0.6, none_prior=0.1)
FIX, COVARIANCE = np.array([19.0, 6.2]), np.array([[4.0, 1.5], [1.5, 2.5]])


def density(dx, dy, covariance):
    """Bivariate normal density, written out: scipy's own is too slow inside a double integral."""
    (a, b), (_, d) = covariance.tolist()
    determinant = a * d - b * b
    square = (d * dx * dx - 2 * b * dx * dy + a * dy * dy) / determinant
    return exp(-0.5 * square) / (2 * pi * sqrt(determinant))


def test_posterior_equals_direct_numerical_integration():
    """Bayes' rule written out: integrals over the pinger's place of prior density times the density of the fix."""

    def fix_density(x, y):
        return density(FIX[0] - x, FIX[1] - y, COVARIANCE)

    weights = []
    for place, prior in zip(STATIONS.places_m, STATIONS.probabilities, strict=False):

        def about(y, x, place=place):
            return density(x - place[0], y - place[1], 0.36 * np.eye(2)) * fix_density(x, y)

        reach = 6 * 0.6
        ends = (place[0] - reach, place[0] + reach, place[1] - reach, place[1] + reach)
        weights.append(prior * integrate.dblquad(about, *ends, epsabs=1e-9)[0])
    anywhere = integrate.dblquad(lambda y, x: fix_density(x, y), 0, 25, 0, 12.5, epsabs=1e-10)[0] / (25 * 12.5)
    expected = np.array([*weights, 0.1 * anywhere])
    np.testing.assert_allclose(station_posterior(FIX, COVARIANCE, STATIONS), expected / expected.sum(), rtol=1e-6)


@pytest.mark.parametrize("none_prior", [0.0, 0.1, 0.9])
def test_decisions_by_fix_are_those_of_the_whole_posterior(none_prior):
    """Sharp and wide fixes, in the pool and out of it: every answer is among them."""
    rng, stations = np.random.default_rng(2), replace(STATIONS, none_prior=none_prior)
    fixes, axes = rng.uniform([-5, -5], [30, 18], (3000, 2)), rng.normal(size=(3000, 2, 2))
    covariances = 10.0 ** rng.uniform(-2, 1, (3000, 1, 1)) * (axes @ axes.transpose(0, 2, 1))
    expected = decisions(station_posterior(fixes, covariances, stations))
    assert len(np.unique(expected)) == 3 + (none_prior > 0)
    np.testing.assert_array_equal(decisions_by_fix(fixes, covariances, stations), expected)


def test_posterior_of_several_modes_is_that_of_their_weighted_densities():
    """Prior times density of the fix, summed over the modes; one of no weight need not be there."""
    places, shares = np.array([FIX, [8.0, 3.0], [np.nan, np.nan]]), np.array([0.7, 0.3, 0.0])
    total = np.zeros(len(STATIONS.prior) + 1)
    for place, share in zip(places[:2], shares[:2], strict=True):
        for k, (m, prior) in enumerate(zip(STATIONS.places_m, STATIONS.probabilities, strict=False)):
            total[k] += share * prior * density(*(place - m), COVARIANCE + 0.36 * np.eye(2))
        inside = normal_over_polygon(place, COVARIANCE, STATIONS.outline_m)
        total[-1] += share * STATIONS.probabilities[-1] * inside / (25 * 12.5)
    found = station_posterior(places, np.tile(COVARIANCE, (3, 1, 1)), STATIONS, weight=shares)
    np.testing.assert_allclose(found, total / total.sum(), rtol=1e-9)
    alone = station_posterior([FIX], [COVARIANCE], STATIONS, weight=[1.0])
    np.testing.assert_array_equal(alone, station_posterior(FIX, COVARIANCE, STATIONS))


@pytest.mark.parametrize("mean", [[3.0, 4.0], [24.9, 12.4], [30.0, 6.0], [0.0, 0.0], [12.5, 0.0]])
def test_normal_over_polygon_equals_numerical_integration(mean):
    def about(y, x):
        return density(x - mean[0], y - mean[1], COVARIANCE)

    slanted = np.array([[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [5.0, 12.5]])
    expected = integrate.dblquad(about, 0, 25, 0, lambda x: min(12.5, 2.5 * x), epsabs=1e-9)[0]
    assert normal_over_polygon(mean, COVARIANCE, slanted) == pytest.approx(expected, abs=1e-6)
    assert normal_over_polygon(mean, COVARIANCE, slanted[::-1]) == pytest.approx(expected, abs=1e-6)


def test_area_of_a_polygon_equals_that_of_many_even_places():
    outline = np.array([[0.0, 0.0], [8.0, 0.0], [10.0, 6.0], [-1.0, 6.0]])
    rng = np.random.default_rng(4)
    places = rng.uniform([-1, 0], [10, 6], size=(200_000, 2))
    inside = (places[:, 0] >= -places[:, 1] / 6) & (places[:, 0] <= 8 + places[:, 1] / 3)
    area = uniform_over(outline)
    # 150,000 places: the standard error of a mean is 0.01 m, of a variance 0.3 %.
    np.testing.assert_allclose(area.mean_m, places[inside].mean(axis=0), atol=0.04)
    np.testing.assert_allclose(area.covariance_m2, np.cov(places[inside].T), atol=0.06)


def test_batches_add_up_and_a_missing_fix_leaves_the_priors():
    fixes = np.stack([FIX, [np.nan, 1.0], [20.0, 8.5], [1.0, 1.0], [1e5, 1e5]])
    posterior = station_posterior(fixes, np.broadcast_to(COVARIANCE, (5, 2, 2)), STATIONS)
    np.testing.assert_allclose(posterior.sum(axis=-1), 1.0)
    np.testing.assert_allclose(posterior[1], STATIONS.probabilities)
    sharp = station_posterior([1.0, 1.0], 0.01 * np.eye(2), STATIONS)
    assert sharp[-1] > 0.999  # far from every station: none of them


def thin_ellipse(long_m, short_m, angle):
    axis = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-axis[1], axis[0]])
    return long_m**2 * np.outer(axis, axis) + short_m**2 * np.outer(across, across)


def has_no_cholesky_factor(covariance):
    try:
        np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        return True
    return False


def test_an_ellipse_so_thin_that_rounding_spoils_it_still_tells_the_stations():
    """A range that nothing limits: 10,000 km by 1 m and thinner, which in numbers is no positive covariance any more."""
    angles = np.linspace(0.1, 3.0, 40)
    outlier = [
        c for c in (thin_ellipse(1e7, short, a) for a in angles for short in (0.05, 1e-4)) if has_no_cholesky_factor(c)
    ]
    assert len(outlier) > 5
    posterior = station_posterior(np.tile(FIX, (len(outlier), 1)), np.array(outlier), STATIONS)
    assert np.isfinite(posterior).all()
    np.testing.assert_allclose(posterior.sum(axis=-1), 1.0)
    # Along y = 8.5 through the first station, and 5 m of the spread from the others in y.
    line = station_posterior([5.0, 8.5], thin_ellipse(1e7, 1e-5, 0.0), STATIONS)
    assert line[0] > 0.9 and line[1] < 1e-9


def test_huge_and_tiny_numbers_give_probabilities():
    rng = np.random.default_rng(6)
    size = 10.0 ** rng.uniform(-150, 150, (500, 2))
    for axes, (a, b) in zip(rng.uniform(0, np.pi, 500), size, strict=True):
        fix = rng.normal(size=2) * 10.0 ** rng.uniform(-3, 300)
        posterior = station_posterior(fix, thin_ellipse(a, b, axes), STATIONS)
        assert posterior.sum() == pytest.approx(1.0) and np.all(posterior >= 0)


def test_sureness_is_the_scale_at_which_the_probability_reaches_the_target():
    need = sureness(FIX, COVARIANCE, STATIONS, pings=4, target=0.8)
    assert need.pings is None and need.sd_m == 0.0  # between two stations: a better fix says none of them
    fix = np.array([19.8, 8.0])
    need = sureness(fix, COVARIANCE, STATIONS, pings=4)
    assert need.pings is not None and need.pings > 4
    scale = need.sd_m / np.sqrt(np.trace(COVARIANCE))
    assert station_posterior(fix, COVARIANCE * scale**2, STATIONS)[0] == pytest.approx(0.95, abs=1e-6)
    assert sureness(fix, 0.01 * COVARIANCE, STATIONS, pings=4).pings == 4


def test_wrong_arguments_are_refused():
    with pytest.raises(ParameterError, match="expected \\(2, 2\\), and priors above 0"):
        StationModel([[1.0, 2.0]], [1.0, 1.0], POOL)
    with pytest.raises(ParameterError, match="none_prior=1"):
        StationModel([[1.0, 2.0]], [1.0], POOL, none_prior=1.0)
    with pytest.raises(ParameterError, match="outline_m has shape"):
        StationModel([[1.0, 2.0]], [1.0], POOL[:2])
    with pytest.raises(ParameterError, match="covariance_m2"):
        station_posterior([1.0, 2.0], np.eye(3), STATIONS)
    with pytest.raises(
        ParameterError, match=r"covariance_m2=\[\[1.0, 2.0\], \[2.0, 1.0\]\]: expected no negative variance"
    ):
        station_posterior([1.0, 2.0], [[1.0, 2.0], [2.0, 1.0]], STATIONS)
    with pytest.raises(ParameterError, match="covariance_m2 holds a value that is not finite"):
        normal_over_polygon([1.0, 2.0], np.full((2, 2), np.nan), POOL)
    with pytest.raises(ParameterError, match="positive covariance"):
        SourceArea([0.0, 0.0], np.zeros((2, 2)))
