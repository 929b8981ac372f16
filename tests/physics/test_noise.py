"""Noise of the recorder by quantising in earnest, coherence by quadrature over the sphere, refusals."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.signal import welch

from acoustics.base.errors import ParameterError, ValidityWarning
from acoustics.physics.noise import (
    isotropic_coherence,
    quantisation_noise_density,
    quantisation_snr_db,
    thermal_noise_mellen1952_db,
    wind_noise_coates1989_db,
)


def quantise(signal: np.ndarray, full_scale: float, bits: int) -> np.ndarray:
    step = 2 * full_scale / 2**bits
    return np.round(signal / step) * step


def test_density_of_a_quantised_signal():
    # Brute force: a signal of many steps, quantised; Welch's estimate (scipy) of the density of the error.
    rng = np.random.default_rng(1)
    full_scale, bits, rate = 2.5, 10, 500e3
    signal = rng.normal(0.0, full_scale / 5, 2**18)
    _, density = welch(quantise(signal, full_scale, bits) - signal, rate, nperseg=256)
    # The mean over 128 bins of some 2000 averages each has a relative deviation of 0.3 percent.
    expected = quantisation_noise_density(full_scale, bits, rate)
    assert density[1:-1].mean() == pytest.approx(expected, rel=0.015, abs=0)


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_snr_of_a_quantised_sine(bits):
    full_scale, rate = 1.0, 500e3
    t = np.arange(2**17) / rate
    sine = full_scale * np.sin(2 * np.pi * 30011.7 * t)
    error = quantise(sine, full_scale, bits) - sine
    # The error is only nearly uniform where a sine turns: 0.1 dB.
    assert 10 * np.log10(np.mean(sine**2) / np.mean(error**2)) == pytest.approx(quantisation_snr_db(bits), abs=0.1)
    density = quantisation_noise_density(full_scale, bits, rate)
    ratio = 10 * np.log10(full_scale**2 / 2 / (density * rate / 2))
    assert ratio == pytest.approx(quantisation_snr_db(bits), abs=1e-9)


@pytest.mark.parametrize("distance", [0.0, 0.005, 0.0247, 0.06, 0.2])
def test_isotropic_coherence(distance):
    # Reference: mean over all directions of the phase between the two places, by scipy.integrate.quad.
    k = 2 * np.pi * 30e3 / 1480.0
    expected, _ = quad(lambda cosine: np.cos(k * distance * cosine) / 2, -1, 1)
    assert isotropic_coherence(30e3, distance, 1480.0) == pytest.approx(expected, abs=1e-12)


def test_isotropic_coherence_is_zero_at_half_a_wavelength():
    # Cook et al. (1955), JASA 27:1072.
    assert isotropic_coherence(30e3, 1480.0 / 60e3, 1480.0) == pytest.approx(0.0, abs=1e-12)


def test_broadcasts():
    f = np.full((3, 1), 30e3)
    assert isotropic_coherence(f, [0.1, 0.2], 1480.0).shape == (3, 2)
    assert wind_noise_coates1989_db(f, [0.0, 5.0]).shape == (3, 2)
    assert quantisation_noise_density(1.0, [12, 16], f).shape == (3, 2)


def test_warns_above_the_range_of_the_wind_term():
    with pytest.warns(ValidityWarning, match="Coates 1989: frequency_hz=150000 is outside 1 to 100000 Hz"):
        wind_noise_coates1989_db(150e3, 5.0)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: thermal_noise_mellen1952_db(0.0), "frequency_hz=0 must be finite and above 0"),
        (lambda: wind_noise_coates1989_db(30e3, -1.0), "wind_speed_m_s=-1 must be finite and at least 0"),
        (lambda: quantisation_snr_db(0), "bits=0 must be finite and at least 1"),
        (lambda: quantisation_noise_density(0.0, 12, 5e5), "full_scale=0 must be finite and above 0"),
        (lambda: quantisation_noise_density(1.0, 12, 0.0), "sample_rate_hz=0 must be finite and above 0"),
        (lambda: isotropic_coherence(30e3, -0.1, 1480.0), "distance_m=-0.1 must be finite and at least 0"),
        (lambda: isotropic_coherence(30e3, 0.1, 0.0), "sound_speed_m_s=0 must be finite and above 0"),
    ],
)
def test_refuses(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
