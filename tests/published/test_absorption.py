"""Absorption against published formulas written out apart from the code, and against each other."""

import numpy as np
import pytest

from acoustics.physics.absorption import (
    absorption_ainslie_mccolm1998_db_per_km,
    absorption_francois_garrison1982_db_per_km,
)

FREQUENCIES_KHZ = (10, 25, 30, 37.5, 40, 100)
MODELS = {
    "FG": absorption_francois_garrison1982_db_per_km,
    "AM": absorption_ainslie_mccolm1998_db_per_km,
}

# (salinity ppt, temperature deg C, model) -> dB/km at the frequencies above; surface, pH 8. Francois &
# Garrison (1982), JASA 72:1879, and Ainslie & McColm (1998), JASA 103:1671, evaluated independently from
# their coefficients.
TABLE = {
    (0, 10, "FG"): (0.0311, 0.1943, 0.2797, 0.4371, 0.4973, 3.1080),
    (0, 10, "AM"): (0.0338, 0.2115, 0.3045, 0.4758, 0.5413, 3.3833),
    (0, 20, "FG"): (0.0220, 0.1376, 0.1981, 0.3095, 0.3522, 2.2010),
    (0, 20, "AM"): (0.0234, 0.1460, 0.2103, 0.3285, 0.3738, 2.3361),
    (0, 25, "FG"): (0.0190, 0.1190, 0.1713, 0.2677, 0.3046, 1.9037),
    (0, 25, "AM"): (0.0194, 0.1213, 0.1747, 0.2730, 0.3106, 1.9412),
    (35, 10, "FG"): (0.9626, 4.9981, 6.8679, 9.9523, 11.0263, 33.6303),
    (35, 10, "AM"): (0.9866, 5.1073, 7.0157, 10.1624, 11.2578, 34.3410),
    (35, 20, "FG"): (0.7370, 3.6878, 5.1671, 7.7819, 8.7473, 38.0588),
    (35, 20, "AM"): (0.7532, 3.7057, 5.1894, 7.8183, 8.7910, 38.8589),
}

# (salinity ppt, temperature deg C, depth m, pH, model) -> dB/km at 10, 30 and 100 kHz, from the same sources.
DEEP_TABLE = {
    (0, 10, 1000, 8.0, "FG"): (0.0299049, 0.269144, 2.99049),
    (0, 10, 1000, 8.0, "AM"): (0.0319007, 0.287106, 3.19007),
    (35, 10, 1000, 8.0, "FG"): (0.845396, 5.94693, 29.2406),
    (35, 10, 1000, 8.0, "AM"): (0.856781, 5.98663, 29.4138),
    (35, 5, 3000, 7.8, "FG"): (0.711659, 4.81367, 18.8655),
    (35, 5, 3000, 7.8, "AM"): (0.709223, 4.75801, 18.5425),
    (30, 25, 500, 8.2, "FG"): (0.624117, 3.61853, 29.6099),
    (30, 25, 500, 8.2, "AM"): (0.648905, 3.56415, 29.4775),
}


@pytest.mark.parametrize(("water", "expected"), TABLE.items())
def test_table(water, expected):
    salinity, temperature, model = water
    absorption = MODELS[model](np.array(FREQUENCIES_KHZ) * 1e3, temperature_degc=temperature, salinity_psu=salinity)
    # The table is printed to 4 decimals; beyond that, 1e-4 relative.
    np.testing.assert_allclose(absorption, expected, rtol=1e-4, atol=5.1e-5)


@pytest.mark.parametrize(("water", "expected"), DEEP_TABLE.items())
def test_table_at_depth(water, expected):
    salinity, temperature, depth, ph, model = water
    absorption = MODELS[model](
        [10e3, 30e3, 100e3], temperature_degc=temperature, salinity_psu=salinity, depth_m=depth, ph=ph
    )
    np.testing.assert_allclose(absorption, expected, rtol=1e-5)


@pytest.mark.parametrize("temperature", [5.0, 10.0, 20.0, 25.0])
@pytest.mark.parametrize("salinity", [0.0, 35.0])
def test_the_two_formulas_agree(temperature, salinity):
    # Ainslie & McColm state agreement with Francois & Garrison within 10 percent over oceanic conditions.
    f = np.array(FREQUENCIES_KHZ) * 1e3
    both = [model(f, temperature_degc=temperature, salinity_psu=salinity) for model in MODELS.values()]
    np.testing.assert_allclose(both[1], both[0], rtol=0.10)


def test_fisher_and_simmons_at_depth():
    # Fisher & Simmons (1977), JASA 62:558, Table IV: 0.52 dB/km at 35 PSU, 5 deg C, 500 atm, 10 kHz. Another
    # formula and other measurements: a check of size.
    absorption = absorption_francois_garrison1982_db_per_km(
        10e3, temperature_degc=5.0, salinity_psu=35.0, depth_m=4900.0
    )
    assert absorption == pytest.approx(0.52, rel=0.20)


@pytest.mark.parametrize(
    ("temperature", "nepers_s2_per_m"),
    # Pinkerton (1949), Proc. Phys. Soc. B 62:129: absorption of pure water over f^2 (values from memory).
    [(0.0, 56.9e-15), (10.0, 36.1e-15), (20.0, 25.3e-15), (30.0, 19.1e-15), (40.0, 14.6e-15)],
)
def test_fresh_water_agrees_with_measurements(temperature, nepers_s2_per_m):
    f = 100e3
    expected_db_per_km = 20.0 * np.log10(np.e) * nepers_s2_per_m * f**2 * 1e3
    absorption = absorption_francois_garrison1982_db_per_km(f, temperature_degc=temperature, salinity_psu=0.0)
    assert absorption == pytest.approx(expected_db_per_km, rel=0.03)
