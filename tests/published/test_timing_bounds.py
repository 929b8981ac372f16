"""Bounds on delays and bearings at published or independently computed points."""

import numpy as np
import pytest

from acoustics.physics.timing_bounds import (
    arrival_time_variance,
    half_wavelength_m,
    random_signal_delay_variance,
    two_element_bearing_sd,
    weiss_weinstein1983_factor,
)

ENERGY_RATIO = 2.0 * 10 ** (20.0 / 10.0)  # E / N0 of 20 dB
CARRIER = 2.0 * np.pi * 30e3

# theta [deg] -> bearing error [deg] of a pair: c sigma / (d cos theta) with d = 0.2 m, c = 1480 m/s, sigma =
# 1 us. Textbook identity, evaluated independently.
PAIR_BEARING_DEG = {0: 0.423989, 30: 0.489580, 60: 0.847978, 80: 2.441654}

# snr -> (exact, limit of low or high snr) delay error [s]; 30 kHz, band 10 kHz, 4 ms. Exact: Knapp & Carter
# (1976), IEEE Trans. ASSP 24:320; limits: Quazi (1981), IEEE Trans. ASSP 29:527 (both formulas from memory).
RANDOM_SIGNAL_S = {10.0: (2.705591e-07, 2.640387e-07), 0.1: (6.467600e-06, 5.904084e-06)}


def test_arrival_time_of_a_narrow_pulse():
    # sigma = 1 / (2 pi f sqrt(2 E / N0)): Van Trees (1968), Part I, ch. 4; Kay (1993), eq. 3.14 (from
    # memory).
    sd = np.sqrt(arrival_time_variance(ENERGY_RATIO, CARRIER**2))
    assert sd == pytest.approx(3.751318e-07, rel=1e-6, abs=0)
    assert np.sqrt(2.0) * sd == pytest.approx(5.305165e-07, rel=1e-6, abs=0)  # difference of two channels


def test_phase_of_a_tone():
    # var = 1 / (2 E / N0): Kay (1993), example 3.4 (from memory): the time error times the carrier.
    sd = CARRIER * np.sqrt(arrival_time_variance(ENERGY_RATIO, CARRIER**2))
    assert sd == pytest.approx(0.0707107, rel=1e-6, abs=0)


@pytest.mark.parametrize(("snr", "expected"), RANDOM_SIGNAL_S.items())
def test_random_signal(snr, expected):
    exact, limit = expected
    variance = random_signal_delay_variance(snr, frequency_hz=30e3, bandwidth_hz=10e3, duration_s=4e-3)
    assert np.sqrt(variance) == pytest.approx(exact, rel=1e-6, abs=0)

    # Quazi's limits in his own form, with the cubes of the band's edges.
    cubes = 35e3**3 - 25e3**3
    quazi = (
        np.sqrt(3 / (4 * np.pi**2 * 4e-3)) / np.sqrt(snr) if snr > 1 else np.sqrt(3 / (8 * np.pi**2 * 4e-3)) / snr
    ) / np.sqrt(cubes)
    assert quazi == pytest.approx(limit, rel=1e-6, abs=0)
    assert np.sqrt(variance) == pytest.approx(quazi, rel=0.10, abs=0)


def test_weiss_weinstein_factor():
    # Weinstein & Weiss (1984), IEEE Trans. ASSP 32:1064, abstract: 12 (w0 / W)^2.
    assert weiss_weinstein1983_factor(30e3, 10e3) == pytest.approx(108.0, rel=1e-12)


def test_half_wavelength():
    assert half_wavelength_m(30e3, 1480.0) == pytest.approx(0.02467, abs=1e-5)


@pytest.mark.parametrize(("theta_deg", "expected_deg"), PAIR_BEARING_DEG.items())
def test_bearing_of_a_pair(theta_deg, expected_deg):
    sd = two_element_bearing_sd(
        1e-6, spacing_m=0.2, sound_speed_m_s=1480.0, bearing_from_broadside=np.deg2rad(theta_deg)
    )
    # The table is printed to 6 decimals.
    assert np.rad2deg(sd) == pytest.approx(expected_deg, abs=5.1e-7)
