"""The level of the noise against that of the noise that was made."""

import numpy as np
import pytest

from acoustics.estimate.detect.noise_level import band_noise_density, quantisation_density, recent_noise_power


def test_noise_density_is_that_of_the_noise_in_spite_of_a_knock():
    rng = np.random.default_rng(5)
    rate, density = 250e3, 3e-6
    samples = rng.standard_normal((200, 15_000)) * np.sqrt(density * rate / 2)
    samples[:, 7000:7200] *= 100
    found = band_noise_density(samples, rate, 30e3, 3.75e3)
    # 55 segments overlapping by half in 9 bins: 5 % a channel, 0.4 % of 200; the knock touches 3 segments, 4 %.
    assert found.mean() / density == pytest.approx(1.02, abs=0.04)
    assert band_noise_density(samples[:, :100], rate, 30e3, 3.75e3) is None
    # What a recording of one ping holds before it: 7 ms. Half the carrier's frequency wide it is good to 0.5 dB.
    short = band_noise_density(samples[:, :1750], rate, 30e3, 15e3)
    assert np.std(short) / density < 0.15


def test_recent_power_is_that_of_the_noise_beneath_bursts_that_fill_a_third_of_the_time():
    rng = np.random.default_rng(8)
    level = np.array([[1.0], [4.0]])
    # Power of circular Gaussian noise is exponential; 20,000 of them, so the quartile is known to 1.3 %.
    powers = (level * rng.exponential(size=(2, 20_000))).astype(np.float32)
    np.testing.assert_allclose(recent_noise_power(powers), level[:, 0], rtol=4 * 0.013)
    powers[:, 5000:11_667] += 1e4
    excess_db = 10 * np.log10(recent_noise_power(powers) / level[:, 0])
    # The quartile of all is then the 3/8 quantile of the noise: log(8/5) / log(4/3) is 2.1 dB.
    np.testing.assert_allclose(excess_db, 10 * np.log10(np.log(8 / 5) / np.log(4 / 3)), atol=0.2)


def test_the_converters_noise_is_that_of_rounding_though_it_holds_still_before_the_burst():
    """Rounding errors of a busy signal are uniform, so their density is (step^2 / 12) / (fs / 2): Bennett (1948)."""
    rng, rate, step = np.random.default_rng(1), 250e3, 3e-5
    volts = 0.1 * rng.standard_normal((2, 100_000))
    volts[:, :50_000] = 0.0
    rounded = step * np.round(volts / step)
    error = (rounded - volts)[:, 50_000:]
    # Of 100,000 squares of a uniform number the mean is known to 0.3 %.
    assert quantisation_density(rounded, rate) == pytest.approx(np.mean(error**2) / (rate / 2), rel=0.012)
    assert quantisation_density(np.zeros((2, 10)), rate) == 0.0
