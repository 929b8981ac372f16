"""Noise levels at published points."""

import pytest

from acoustics.physics.levels import power_sum_db
from acoustics.physics.noise import (
    quantisation_snr_db,
    thermal_noise_mellen1952_db,
    wind_noise_coates1989_db,
)

# (kHz, wind m/s) -> (wind, thermal, total) [dB re 1 uPa^2/Hz]. Coates (1989) as printed by Stojanovic (2007),
# and Mellen (1952), evaluated independently. The total holds shipping of density 0.5 and turbulence as well.
AMBIENT = {
    (10, 0): (29.32, 5.00, 29.35),
    (10, 1.5): (38.50, 5.00, 38.51),
    (10, 6): (47.69, 5.00, 47.69),
    (25, 0): (21.77, 12.96, 22.31),
    (25, 1.5): (30.95, 12.96, 31.02),
    (25, 6): (40.14, 12.96, 40.15),
    (30, 0): (20.23, 14.54, 21.27),
    (30, 1.5): (29.41, 14.54, 29.55),
    (30, 6): (38.60, 14.54, 38.62),
    (40, 0): (17.79, 17.04, 20.44),
    (40, 1.5): (26.97, 17.04, 27.39),
    (40, 6): (36.16, 17.04, 36.21),
    (100, 0): (9.93, 25.00, 25.13),
    (100, 1.5): (19.12, 25.00, 26.00),
    (100, 6): (28.30, 25.00, 29.97),
}

# bits -> signal to noise of a full-scale sine [dB], 20 log10(2) N + 10 log10(1.5), and the rule 6.02 N +
# 1.76.
CONVERTER = {
    8: (49.9257, 49.92),
    10: (61.9669, 61.96),
    12: (74.0081, 74.00),
    14: (86.0493, 86.04),
    16: (98.0905, 98.08),
    24: (146.2553, 146.24),
}


@pytest.mark.parametrize(("point", "expected"), AMBIENT.items())
def test_ambient_noise(point, expected):
    f_khz, wind_speed = point
    wind = wind_noise_coates1989_db(f_khz * 1e3, wind_speed)
    thermal = thermal_noise_mellen1952_db(f_khz * 1e3)
    assert (wind, thermal) == (pytest.approx(expected[0], abs=5.1e-3), pytest.approx(expected[1], abs=5.1e-3))
    # Shipping and turbulence, which the total of the table holds, add at most 0.02 dB from 10 kHz on.
    assert power_sum_db(wind, thermal) == pytest.approx(expected[2], abs=0.025)


def test_thermal_noise_at_30_khz():
    # Mellen (1952), JASA 24:478: -15 + 20 log10(f / 1 kHz).
    assert thermal_noise_mellen1952_db(30e3) == pytest.approx(14.5424, abs=1e-3)


@pytest.mark.parametrize(("bits", "expected"), CONVERTER.items())
def test_converter(bits, expected):
    exact, rule = expected
    assert quantisation_snr_db(bits) == pytest.approx(exact, abs=5.1e-5)
    assert quantisation_snr_db(bits) == pytest.approx(rule, abs=0.02)
