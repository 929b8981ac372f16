"""Volts, gains and filters, against scipy.signal and against samples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from acoustics.base.errors import ParameterError
from acoustics.physics.electronics import butterworth_order, largest_gain_db, least_gain_db, peak_volts


def test_a_pascal_at_a_sensitivity_of_a_volt_per_pascal_is_a_volt():
    # 120 dB re 1 uPa is 1 Pa; -120 dB re 1 V/uPa is 1 V/Pa: 1 V rms, sqrt(2) V peak; 20 dB more is ten times that.
    assert peak_volts(120.0, -120.0, 0.0) == pytest.approx(np.sqrt(2))
    assert peak_volts(120.0, -120.0, 20.0) == pytest.approx(10 * np.sqrt(2))


def test_the_largest_gain_just_reaches_full_scale():
    gain = largest_gain_db(2.5, [150.0, 170.0], -180.0, 6.0)
    np.testing.assert_allclose(peak_volts(np.array([150.0, 170.0]) + 6.0, -180.0, gain), 2.5)


def test_at_the_least_gain_rounded_noise_has_a_tenth_more_power():
    # Rounding of samples itself, not its formula: noise through a converter of few bits at that gain.
    bits, rate, density_db, sensitivity = 10, 100e3, 60.0, -180.0
    gain = least_gain_db(1.0, bits, rate, density_db, sensitivity, 10.0)
    rms = np.sqrt(10 ** ((density_db + sensitivity + gain) / 10) * rate / 2)
    noise = np.random.default_rng(1).normal(scale=rms, size=1_000_000)
    step = 2.0 / 2**bits
    ratio = np.mean((np.round(noise / step) * step) ** 2) / rms**2
    assert ratio == pytest.approx(1.1, abs=0.01)  # a million squares: 0.14 % each, correlated


@pytest.mark.parametrize(("passed", "stopped", "wanted"), [(32e3, 218e3, 20.0), (40e3, 60e3, 40.0), (30e3, 66e3, 60.0)])
def test_the_order_is_that_of_scipy(passed, stopped, wanted):
    # buttord's pass band ends at 10 log10(2) dB, where ours is 3 dB down by definition.
    order, _ = signal.buttord(passed, stopped, 10 * np.log10(2), wanted, analog=True)
    assert butterworth_order(passed, stopped, wanted) == order


def test_a_band_that_folds_onto_itself_has_no_filter():
    with pytest.raises(ParameterError, match="must be above"):
        butterworth_order(60e3, 50e3, 20.0)
