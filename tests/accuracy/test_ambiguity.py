"""Wrong cycles against the closed form of a pair and a brute-force integer search on simulated noise."""

from __future__ import annotations

from itertools import product
from math import erfc, sqrt

import numpy as np
import pytest

from acoustics.accuracy.ambiguity.mistakes import _standard_normal
from acoustics.accuracy.ambiguity.prediction import (
    integer_ambiguity,
    mixture_bearing_rms,
    wrong_integer_probability_pair,
)
from acoustics.base.errors import ParameterError
from acoustics.base.frames import direction

F, C = 30e3, 1480.0
T, WAVELENGTH = 1 / F, C / F
PAIR = np.array([[0.5, 0, 0], [-0.5, 0, 0]])
SQUARE = np.array([[0.5, 0.5, 0], [0.5, -0.5, 0], [-0.5, 0.5, 0], [-0.5, -0.5, 0]])
CORNER = np.array([[0.1, 0, 0], [1, 0.1, 0], [0.4, 0.8, 0]])
LINE = np.array([[0, 0, 0], [1.0, 0, 0], [2.0, 0, 0]])
TETRAHEDRON = np.array([[1, 0, -0.3], [-0.5, 0.8, -0.3], [-0.5, -0.8, -0.3], [0, 0, 0.9]])


@pytest.mark.parametrize("sd_cycles", [0.1, 0.15, 0.25, 0.5, 1.0])
def test_pair_is_exact(sd_cycles):
    """P(|error| > T/2) of a normal error; the carrier's own error counts with the envelope's."""
    exact = erfc(0.5 / (sqrt(2) * sd_cycles))
    assert wrong_integer_probability_pair(sd_cycles * T, F) == pytest.approx(exact, rel=1e-12)
    carrier = 0.01 * T
    envelope = np.sqrt((sd_cycles * T) ** 2 / 2 - carrier**2)
    # A metre, twenty wavelengths, at broadside: the neighbouring cycles on both sides are real directions.
    got = integer_ambiguity(
        PAIR, np.pi / 2, 0.0, C, frequency_hz=F, carrier_variance_s2=carrier**2, envelope_variance_s2=envelope**2
    )
    assert got.wrong_probability == pytest.approx(exact, rel=1e-6)
    assert abs(got.cycles[0]) == 1
    # 2.5 %: the envelope's weight beside the carrier's holds the direction back.
    assert abs(got.bearing_jump) == pytest.approx(np.arcsin(WAVELENGTH), rel=0.025)
    assert got.wrong_bearing_rms == pytest.approx(abs(got.bearing_jump), rel=0.01)


def test_no_error_no_mistake():
    assert wrong_integer_probability_pair(0.0, F) == 0.0
    assert wrong_integer_probability_pair([1e-6, 1e-5], F).shape == (2,)


@pytest.mark.parametrize("array", [PAIR, SQUARE])
@pytest.mark.parametrize("spacing", [0.3, 0.49])
def test_half_a_wavelength_is_free_of_ambiguity_in_every_direction(array, spacing):
    """However coarse the envelope. Textbook; the margin to 0.5 is that the noise of the carrier needs at the ends."""
    bearing = np.linspace(-np.pi, np.pi, 37)
    got = integer_ambiguity(
        array * spacing * WAVELENGTH, bearing, 0.0, C,
        frequency_hz=F, carrier_variance_s2=(1e-3 * T) ** 2, envelope_variance_s2=np.inf,
    )  # fmt: skip
    # The square's diagonal is 1.41 spacings, but its sides resolve that.
    assert (got.wrong_probability < 1e-9).all()


def test_beyond_half_a_wavelength_ambiguity_begins_at_the_ends_of_the_line():
    got = integer_ambiguity(
        PAIR * 0.7 * WAVELENGTH, [np.pi / 2, 0.2], 0.0, C,
        frequency_hz=F, carrier_variance_s2=(1e-3 * T) ** 2, envelope_variance_s2=(0.5 * T) ** 2 / 2,
    )  # fmt: skip
    # At the end only one neighbour exists: half of the two-sided probability.
    assert got.wrong_probability == pytest.approx([0.0, erfc(0.5 / (sqrt(2) * 0.5)) / 2], rel=1e-4, abs=1e-12)


class Search:
    """Brute force: least joint misfit of carrier and envelope delays over every set of integers in a box."""

    def __init__(self, points, bearing, depression, fine_s, coarse_s, reach):
        m = len(points) - 1
        d = np.hstack([-np.ones((m, 1)), np.eye(m)])
        covariance = np.zeros((2 * m, 2 * m))
        covariance[:m, :m] = fine_s**2 * d @ d.T
        covariance[m:, m:] = coarse_s**2 * d @ d.T
        self.root = np.linalg.cholesky(covariance)
        _, spread, axes = np.linalg.svd(points - points.mean(axis=0))
        self.rank = int((spread > 1e-6 * spread[0]).sum())
        self.axes = axes = axes[: self.rank]
        g = np.vstack([-(d @ points) @ axes.T / C] * 2)
        weight = np.linalg.inv(covariance)
        self.information = g.T @ weight @ g
        self.fit = np.linalg.solve(self.information, g.T @ weight)
        self.misfit = weight - weight @ g @ self.fit
        integers = np.array(list(product(range(-reach, reach + 1), repeat=m)))
        self.zero = len(integers) // 2
        self.shift = np.hstack([integers * T, np.zeros((len(integers), m))])
        self.true = axes @ direction(bearing, depression)

    def cost_of_existing(self, cosines):
        """Least increase of the misfit for direction cosines that exist, by bisection for Lagrange's multiplier."""
        values, vectors = np.linalg.eigh(self.information)
        a = cosines @ vectors
        low, high = np.full(len(a), -values[0] * (1 - 1e-12)), np.full(len(a), values[-1] * 10)
        for _ in range(100):
            middle = (low + high) / 2
            outside = ((a * values / (values + middle[:, None])) ** 2).sum(axis=1) > 1
            low, high = np.where(outside, middle, low), np.where(outside, high, middle)
        nearest = a * values / (values + middle[:, None])
        cost = ((nearest - a) ** 2 * values).sum(axis=1)
        return cost if self.rank == 3 else np.where((cosines**2).sum(axis=1) > 1, cost, 0.0)

    def wrong(self, rng, trials, visible_only):
        """Number of trials in which another set of integers fits better than the right one."""
        noise = rng.standard_normal((trials, len(self.root))) @ self.root.T
        own = np.einsum("ki,ij,kj->k", self.shift, self.misfit, self.shift)
        gain = 2 * noise @ self.misfit @ self.shift.T + own
        if not visible_only:
            return int((gain.argmin(axis=1) != self.zero).sum())
        right = self.cost_of_existing(self.true + noise @ self.fit.T)
        better = gain < right[:, None]
        better[:, self.zero] = False
        trial, alternative = np.nonzero(better)
        cosines = self.true + (noise @ self.fit.T)[trial] + (self.shift @ self.fit.T)[alternative]
        beaten = gain[trial, alternative] + self.cost_of_existing(cosines) < right[trial]
        return len(np.unique(trial[beaten]))

    def bearings(self, rng, trials):
        """Bearings of the best sets, every direction competing; outside the plane's disc put back to its edge."""
        noise = rng.standard_normal((trials, len(self.root))) @ self.root.T
        own = np.einsum("ki,ij,kj->k", self.shift, self.misfit, self.shift)
        best = (2 * noise @ self.misfit @ self.shift.T + own).argmin(axis=1)
        cosines = self.true + (noise + self.shift[best]) @ self.fit.T
        vector = cosines @ self.axes
        return np.arctan2(vector[:, 1], vector[:, 0])


CASES = [
    # array, scale in wavelengths, envelope sd in cycles, directions must exist, box of the search
    (SQUARE, 1.5, 0.15, True, 2),
    (SQUARE, 1.5, 0.25, True, 2),
    (SQUARE, 3.0, 0.7, True, 3),
    (SQUARE, 0.8, 0.18, False, 2),
    (SQUARE, 1.5, 0.4, False, 3),
    (CORNER, 3.0, 0.14, True, 3),
    (CORNER, 3.0, 0.25, True, 4),
    (CORNER, 1.5, 0.7, True, 4),
    (LINE, 3.0, 0.25, True, 9),
    (LINE, 3.0, 0.7, True, 9),
    (TETRAHEDRON, 1.5, 0.18, True, 3),
    (TETRAHEDRON, 3.0, 0.6, True, 4),
    (TETRAHEDRON, 1.5, 0.14, False, 2),
    (TETRAHEDRON, 1.5, 0.4, False, 3),
]


@pytest.mark.slow
@pytest.mark.parametrize(("array", "scale", "envelope_cycles", "visible_only", "reach"), CASES)
def test_arrays_against_brute_force_search(array, scale, envelope_cycles, visible_only, reach):
    """From one in a thousand to over one half. Tolerance: 3.5 standard errors of 12,000 trials and 10 % or 0.006.

    10 % for wrong sets combined as independent, 0.006 for the fixed set of noise that replaces it where they are common.
    """
    rng = np.random.default_rng(1)
    trials, bearing, depression = 12_000, 0.4, 0.3
    fine, coarse = 0.01 * T, envelope_cycles * T
    search = Search(array * scale * WAVELENGTH, bearing, depression, fine, coarse, reach)
    rate = sum(search.wrong(rng, 2_000, visible_only) for _ in range(trials // 2_000)) / trials
    got = integer_ambiguity(
        array * scale * WAVELENGTH, bearing, depression, C, frequency_hz=F,
        carrier_variance_s2=fine**2, envelope_variance_s2=coarse**2, visible_only=visible_only,
    )  # fmt: skip
    error = np.sqrt(got.wrong_probability * (1 - got.wrong_probability) / trials)
    print(f"simulated {rate:.4f} +- {error:.4f}, predicted {got.wrong_probability:.4f}")
    assert got.wrong_probability == pytest.approx(
        rate, abs=3.5 * error + max(0.1 * rate if rate < 0.03 else 0.006, 1e-6)
    )


@pytest.mark.parametrize(("array", "envelope_cycles", "visible_only"), [(SQUARE, 0.25, True), (CORNER, 0.19, True)])
def test_fixed_set_of_noise_takes_over_without_a_step(array, envelope_cycles, visible_only):
    """Either side of a probability of 0.03 the two ways of combining wrong sets agree to a tenth."""
    sd = np.linspace(0.6, 1.2, 60) * envelope_cycles
    got = integer_ambiguity(
        array * 1.5 * WAVELENGTH, 0.4, 0.3, C, frequency_hz=F, carrier_variance_s2=(0.01 * T) ** 2,
        envelope_variance_s2=(sd * T)[:, None] ** 2, visible_only=visible_only,
    ).wrong_probability  # fmt: skip
    assert got[0] < 0.03 < got[-1]
    assert (np.diff(got) > -0.004).all()
    assert np.abs(np.diff(np.log(got), n=2)).max() < 0.15


def test_mixture_matches_simulated_bearings():
    """Directions that the brute-force search picks, jumps and all, against the mixture's root mean square."""
    rng = np.random.default_rng(5)
    fine, coarse, scale = 0.01 * T, 0.25 * T, 1.5
    search = Search(SQUARE * scale * WAVELENGTH, 0.4, 0.3, fine, coarse, 2)
    bearings = np.concatenate([search.bearings(rng, 2_000) for _ in range(10)])
    got = integer_ambiguity(
        SQUARE * scale * WAVELENGTH, 0.4, 0.3, C, frequency_hz=F, carrier_variance_s2=fine**2,
        envelope_variance_s2=coarse**2, visible_only=False,
    )  # fmt: skip
    inside = np.abs(bearings - 0.4) < 0.05
    predicted = mixture_bearing_rms(bearings[inside].std(), got.wrong_probability, got.wrong_bearing_rms)
    # 20,000 trials with about 1,800 jumps of three or four sizes: some 2 % in the root mean square; 8 % allows for
    # directions that leave the sphere and are put back at its edge.
    assert np.sqrt(np.mean((bearings - 0.4) ** 2)) == pytest.approx(predicted, rel=0.08)


def test_mixture_by_hand():
    assert mixture_bearing_rms(0.01, 0.0, 1.0) == pytest.approx(0.01)
    assert mixture_bearing_rms(2.0, 0.25, 8.0) == pytest.approx(np.sqrt(3.0 + 16.0))
    with pytest.raises(ParameterError, match="wrong_probability=1.5 must be"):
        mixture_bearing_rms(0.01, 1.5, 1.0)


@pytest.mark.parametrize("n", [2, 4, 8])
def test_a_sweep_over_60_spacings_and_8_directions_in_one_call(n):
    array = np.random.default_rng(3).uniform(-0.5, 0.5, (n, 3)) * np.array([1, 1, 0])
    got = integer_ambiguity(
        np.linspace(0.3, 8, 60)[:, None, None, None] * WAVELENGTH * array, np.linspace(-3, 3, 8), 0.3, C,
        frequency_hz=F, carrier_variance_s2=(0.02 * T) ** 2, envelope_variance_s2=(0.5 * T) ** 2,
    )  # fmt: skip
    assert got.wrong_probability.shape == (60, 8)
    assert got.cycles.shape == (60, 8, n - 1)
    assert ((got.wrong_probability >= 0) & (got.wrong_probability <= 1)).all()
    assert np.isfinite(got.wrong_bearing_rms).all()


def test_wrong_arguments_are_refused_with_their_value():
    arguments = {"frequency_hz": F, "carrier_variance_s2": 1e-14, "envelope_variance_s2": 1e-12}
    with pytest.raises(ParameterError, match="with n from 2 to 8"):
        integer_ambiguity(np.zeros((9, 3)), 0.0, 0.0, C, **arguments)
    with pytest.raises(ParameterError, match="spans 1 and 2 dimensions"):
        integer_ambiguity(np.stack([LINE, CORNER]), 0.0, 0.0, C, **arguments)
    with pytest.raises(ParameterError, match="carrier_variance_s2=0 must be above 0"):
        integer_ambiguity(SQUARE, 0.0, 0.0, C, **{**arguments, "carrier_variance_s2": 0.0})
    with pytest.raises(ParameterError, match="frequency_hz=-1 must be finite and above 0"):
        wrong_integer_probability_pair(1e-6, -1.0)


def test_points_of_the_lattice_rule_are_spread_more_evenly_than_random_ones():
    """The most dimensions that are used: seven delays and three cosines."""
    points = _standard_normal(10)
    rng = np.random.default_rng(3)
    ways = rng.normal(size=(40, 10))
    ways /= np.linalg.norm(ways, axis=-1, keepdims=True)
    # Shares beyond half spaces at one standard deviation are 1 - Phi(1) = 0.1587 in every direction (tables).
    shares = (ways @ points > 1.0).mean(axis=-1)
    # 2,048 points at random scatter by 0.008 about it, and their covariances by 0.02 (the worst of 55: 0.06).
    assert np.sqrt(np.mean((shares - 0.158655) ** 2)) < 0.005
    assert np.cov(points) == pytest.approx(np.eye(10), abs=0.04)
