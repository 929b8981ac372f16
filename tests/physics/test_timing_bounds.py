"""Bounds by simulation and quadrature, limits and refusals. Published values stand in tests/published."""

import numpy as np
import pytest
from scipy.integrate import quad

from acoustics.base.errors import ParameterError
from acoustics.physics.timing_bounds import (
    arrival_time_variance,
    half_wavelength_m,
    lag_rounding_variance,
    onset_excess,
    onset_rounding_variance,
    random_signal_delay_variance,
    two_element_bearing_sd,
    weiss_weinstein1983_factor,
)


@pytest.mark.parametrize(("window_s", "energy_ratio_db"), [(5e-4, 30), (85e-6, 20), (85e-6, 26)])
def test_onset_of_a_corner_scatters_more_than_its_bound(window_s, energy_ratio_db):
    # Monte Carlo of maximum likelihood over a grid of onsets, for a build-up of known amplitude sampled at 2 MHz.
    rng = np.random.default_rng(3)
    rate, step, grid_s, n_trials = np.pi * 30e3 / 8.0, 0.5e-6, np.arange(-60e-6, 60.1e-6, 0.5e-6), 6000
    t = np.arange(-60e-6, window_s, step) + step / 2

    def build_up(onset):
        return -np.expm1(-rate * np.maximum(t - onset, 0.0))

    templates = np.array([build_up(onset) for onset in grid_s])
    energy = np.sum(build_up(0.0) ** 2)
    amplitude = np.sqrt(10 ** (energy_ratio_db / 10) / energy)  # noise of unit variance in each sample
    found = np.empty(n_trials)
    for part in np.split(np.arange(n_trials), 6):
        x = amplitude * build_up(0.0) + rng.normal(size=(len(part), len(t)))
        likely = amplitude * x @ templates.T - 0.5 * amplitude**2 * np.sum(templates**2, axis=-1)
        found[part] = grid_s[likely.argmax(axis=-1)]
    slope = rate / 2 * -np.expm1(-2 * rate * window_s) / step  # sum of the squared derivative
    sd = 1 / np.sqrt(amplitude**2 * slope)
    # 6,000 trials know a variance to 1.8 %: three times that, and 4 % of the formula.
    assert np.var(found) / sd**2 == pytest.approx(float(onset_excess(sd, window_s, frequency_hz=30e3, q=8.0)), rel=0.09)
    assert np.var(found) > 1.03 * sd**2


def test_arrival_time_bound_is_reached_by_a_matched_filter():
    # Monte Carlo of maximum likelihood for a pulse in white noise of one-sided density N0, whose samples have
    # the variance N0 fs / 2. At 2E/N0 = 400 a matched filter reaches the bound.
    rng = np.random.default_rng(7)
    rate, f, width, n_trials = 200e3, 20e3, 0.2e-3, 4000
    t = np.arange(-200, 200) / rate

    def pulse(delay):
        return np.exp(-(((t - delay) / width) ** 2)) * np.cos(2 * np.pi * f * (t - delay))

    energy = np.sum(pulse(0.0) ** 2) / rate
    slope = (pulse(1e-9) - pulse(-1e-9)) / 2e-9
    mean_square = np.sum(slope**2) / rate / energy
    n0 = 2 * energy / 400.0
    noisy = pulse(0.0) + rng.normal(0.0, np.sqrt(n0 * rate / 2), (n_trials, t.size))
    # The likelihood is smooth over a fraction of a cycle: sample it finely and take the vertex of a parabola.
    lags = np.linspace(-4e-6, 4e-6, 81)
    score = noisy @ np.array([pulse(lag) for lag in lags]).T
    best = np.clip(score.argmax(axis=1), 1, lags.size - 2)
    left, mid, right = (score[np.arange(n_trials), best + k] for k in (-1, 0, 1))
    found = lags[best] + (lags[1] - lags[0]) * (left - right) / (2 * (left - 2 * mid + right))
    # The relative deviation of a variance of 4000 trials is sqrt(2 / 4000) = 2.2 percent; 4 of them allowed.
    assert np.var(found) == pytest.approx(arrival_time_variance(400.0, mean_square), rel=0.09, abs=0)


def test_no_energy_no_information():
    np.testing.assert_array_equal(arrival_time_variance([0.0, 4.0], [1e10, 0.0]), np.inf)


def test_rounding_by_rounding():
    # Brute force: times anywhere within a sample, rounded. 1e6 draws: the variances come out within 0.3
    # percent.
    rng = np.random.default_rng(3)
    rate = 250e3
    onsets = rng.uniform(0, 1.0, (2, 10**6))
    rounded = np.round(onsets * rate) / rate
    delay_error = (rounded[0] - rounded[1]) - (onsets[0] - onsets[1])
    assert np.var(delay_error) == pytest.approx(onset_rounding_variance(rate), rel=0.005, abs=0)
    lag = onsets[0] - onsets[1]
    assert np.var(np.round(lag * rate) / rate - lag) == pytest.approx(lag_rounding_variance(rate), rel=0.005, abs=0)


def test_bearing_of_a_pair_by_simulation():
    # Brute force: arcsin of the noisy delay, 200000 draws; 4 deviations of a standard deviation are 0.6
    # percent.
    rng = np.random.default_rng(5)
    d, c, sigma = 0.2, 1480.0, 0.2e-6
    theta = np.array([0.0, 0.5, -1.0])
    delays = d / c * np.sin(theta) + rng.normal(0.0, sigma, (200000, 1))
    simulated = np.arcsin(c * delays / d).std(axis=0)
    sd = two_element_bearing_sd(sigma, spacing_m=d, sound_speed_m_s=c, bearing_from_broadside=theta)
    np.testing.assert_allclose(simulated, sd, rtol=0.008)


@pytest.mark.parametrize("snr", [0.03, 1.0, 30.0])
def test_random_signal_by_quadrature(snr):
    # Knapp & Carter (1976) with the coherence written out, by scipy.integrate.quad.
    coherence = snr**2 / (1 + snr) ** 2
    integral, _ = quad(lambda f: (2 * np.pi * f) ** 2 * coherence / (1 - coherence), 22e3, 38e3, epsrel=1e-12)
    variance = random_signal_delay_variance(snr, frequency_hz=30e3, bandwidth_hz=16e3, duration_s=2e-3)
    assert variance == pytest.approx(1 / (2 * 2e-3 * integral), rel=1e-10, abs=0)


def test_half_wavelength_is_where_phase_becomes_ambiguous():
    # At that spacing the delay along the line of the pair is half a cycle.
    assert half_wavelength_m(30e3, 1480.0) / 1480.0 * 30e3 == pytest.approx(0.5, rel=1e-12)


def test_broadcasts():
    column, row = np.full((3, 1), 30e3), np.array([5e3, 10e3])
    assert arrival_time_variance(column, row).shape == (3, 2)
    assert half_wavelength_m(column, [1450.0, 1500.0]).shape == (3, 2)
    assert weiss_weinstein1983_factor(column, row).shape == (3, 2)
    random_signal = random_signal_delay_variance(1.0, frequency_hz=column, bandwidth_hz=row, duration_s=1e-3)
    assert random_signal.shape == (3, 2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: arrival_time_variance(-1.0, 1.0), "energy_ratio_2e_n0=-1 must be finite and at least 0"),
        (lambda: lag_rounding_variance(0.0), "sample_rate_hz=0 must be finite and above 0"),
        (lambda: onset_rounding_variance(-5.0), "sample_rate_hz=-5 must be finite and above 0"),
        (lambda: half_wavelength_m(0.0, 1480.0), "frequency_hz=0 must be finite and above 0"),
        (lambda: weiss_weinstein1983_factor(30e3, 0.0), "bandwidth_hz=0 must be finite and above 0"),
        (
            lambda: two_element_bearing_sd(1e-6, spacing_m=0.0, sound_speed_m_s=1480.0, bearing_from_broadside=0.0),
            "spacing_m=0 must be finite and above 0",
        ),
        (
            lambda: random_signal_delay_variance(1.0, frequency_hz=1e3, bandwidth_hz=3e3, duration_s=1.0),
            "bandwidth_hz=3000.0 must be at most twice frequency_hz=1000.0",
        ),
    ],
)
def test_refuses(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
