"""Plane-wave reflection for published pairs of media."""

import numpy as np
import pytest

from acoustics.physics.reflection import elastic_reflection, fluid_reflection

GRAZING_DEG = (5, 10, 20, 30, 45, 60, 90)

# Densities [kg/m^3], speeds [m/s] and attenuation [dB/wavelength].
PAIRS = {
    # Water by IAPWS-95; air: Kinsler et al., Fundamentals of Acoustics, 4th ed., App. A10 (from memory).
    "water to air": {
        "water_density_kg_m3": 998.2,
        "water_speed_m_s": 1482.3,
        "density_kg_m3": 1.21,
        "speed_m_s": 343.0,
    },
    # Concrete as a fluid: Kinsler et al., App. A10, bulk speed (from memory).
    "water to concrete": {
        "water_density_kg_m3": 998.2,
        "water_speed_m_s": 1482.3,
        "density_kg_m3": 2600.0,
        "speed_m_s": 3100.0,
    },
    # Jensen et al., Computational Ocean Acoustics, Table 1.3.
    "water to sand": {
        "water_density_kg_m3": 1000.0,
        "water_speed_m_s": 1500.0,
        "density_kg_m3": 1900.0,
        "speed_m_s": 1650.0,
        "attenuation_db_per_wavelength": 0.8,
    },
}

# R at the angles above, from R = (Z2 - Z1) / (Z2 + Z1), Z = rho c / sin(grazing) and Snell's law, to the
# digits shown.
COEFFICIENTS = {
    "water to air": (-0.999950, -0.999900, -0.999803, -0.999714, -0.999598, -0.999511, -0.999439),
    "water to concrete": (
        -0.8736 - 0.4867j,
        -0.5674 - 0.8234j,
        0.0962 - 0.9954j,
        0.5298 - 0.8481j,
        0.8519 - 0.5238j,
        0.9916 - 0.1290j,
        0.689793,
    ),
    "water to sand": (
        -0.6848 - 0.6598j,
        -0.1334 - 0.9108j,
        0.6572 - 0.5765j,
        0.5434 - 0.0544j,
        0.4029 - 0.0155j,
        0.3684 - 0.0091j,
        0.3527 - 0.0064j,
    ),
}
DIGITS = {"water to air": 6, "water to concrete": 4, "water to sand": 4}


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("reflection", [fluid_reflection, elastic_reflection])
def test_table(pair, reflection):
    solid = {"shear_speed_m_s": 0.0} if reflection is elastic_reflection else {}
    coefficient = reflection(np.deg2rad(GRAZING_DEG), **PAIRS[pair], **solid)
    tolerance = 0.51 * 10.0 ** -DIGITS[pair]
    np.testing.assert_allclose(coefficient.real, np.real(COEFFICIENTS[pair]), atol=tolerance, rtol=0)
    np.testing.assert_allclose(coefficient.imag, np.imag(COEFFICIENTS[pair]), atol=tolerance, rtol=0)


@pytest.mark.parametrize("pair", PAIRS)
def test_textbook_form(pair):
    # Jensen et al., section 1.6, written as there: impedances, Snell's law, c2 / (1 + i alpha / 54.5751).
    m = PAIRS[pair]
    grazing = np.deg2rad(GRAZING_DEG)
    c2 = m["speed_m_s"] / (1 + 1j * m.get("attenuation_db_per_wavelength", 0.0) / 54.57505)
    sine2 = np.sqrt(1 - (c2 / m["water_speed_m_s"] * np.cos(grazing)) ** 2 + 0j)
    z1 = m["water_density_kg_m3"] * m["water_speed_m_s"] / np.sin(grazing)
    z2 = m["density_kg_m3"] * c2 / np.where(sine2.imag < 0, -sine2, sine2)
    np.testing.assert_allclose(fluid_reflection(grazing, **m), (z2 - z1) / (z2 + z1), atol=1e-6, rtol=0)


@pytest.mark.parametrize(
    ("pair", "critical_deg"),
    # arccos(c1 / c2), Jensen et al., section 1.6.
    [("water to sand", 24.620), ("water to concrete", 61.43)],
)
def test_critical_grazing_angle(pair, critical_deg):
    medium = {k: v for k, v in PAIRS[pair].items() if not k.startswith("attenuation")}
    below, above = np.abs(fluid_reflection(np.deg2rad([critical_deg - 0.02, critical_deg + 0.02]), **medium))
    assert below == pytest.approx(1.0, abs=1e-12)
    assert above < 1.0 - 1e-3
