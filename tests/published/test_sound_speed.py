"""Sound speed against published values and general-purpose reference libraries."""

import warnings

import gsw
import numpy as np
import pytest
from iapws import IAPWS95, SeaWater

from acoustics.base.errors import ValidityWarning
from acoustics.physics.sound_speed import (
    absolute_salinity_g_kg,
    sound_speed_mackenzie1981,
    sound_speed_teos10,
)

with warnings.catch_warnings():
    # It announces its own deprecation; as an independent reference it serves well.
    warnings.simplefilter("ignore")
    import seawater

ATMOSPHERE_PA = 101325.0

# Example of the function gsw_sound_speed_t_exact on teos-10.org: (SA g/kg, t deg C, p dbar) -> m/s.
TEOS10_EXAMPLE = {
    (34.7118, 28.7856, 10): 1542.615803587,
    (34.8915, 28.4329, 50): 1542.703534066,
    (35.0256, 22.8103, 125): 1530.844979136,
    (34.8472, 10.26, 250): 1494.409996921,
    (34.7366, 6.8863, 600): 1487.377102518,
    (34.7324, 4.4036, 1000): 1483.934609079,
}

# Polynomials of the speed in fresh water at 101325 Pa, coefficients by rising power of T90 / deg C.
FRESH_POLYNOMIALS = {
    # Bilaniuk & Wong (1993), JASA 93:1609, erratum JASA 99:3257; 148 points, 0 to 100 deg C.
    "Bilaniuk & Wong 148": (
        1402.38744,
        5.03836171,
        -5.81172916e-2,
        3.34638117e-4,
        -1.48259672e-6,
        3.16585020e-9,
    ),
    # The same, 36 points.
    "Bilaniuk & Wong 36": (
        1402.38677,
        5.03798765,
        -5.80980033e-2,
        3.34296650e-4,
        -1.47936902e-6,
        3.14893508e-9,
    ),
    # Marczak (1997), JASA 102:2776; 0 to 95 deg C.
    "Marczak": (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9),
}
FRESH_TEMPERATURES_DEGC = (0, 5, 10, 15, 20, 25, 26, 30, 35, 40)

# Chen & Millero 1977 by the library seawater: (practical salinity, T90 deg C, p dbar).
SEA_WATER = ((35, 0, 0), (35, 10, 0), (35, 20, 0), (35, 25, 5), (35, 30, 5), (35, 10, 1000))


def depth_of(p_dbar: float, latitude_deg: float = 45.0) -> float:
    return -float(gsw.z_from_p(p_dbar, latitude_deg))


@pytest.mark.parametrize(("sample", "expected"), TEOS10_EXAMPLE.items())
def test_documented_example_of_teos10(sample, expected):
    salinity, temperature, pressure = sample
    speed = sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth_of(pressure))
    assert speed == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("temperature", FRESH_TEMPERATURES_DEGC)
@pytest.mark.parametrize("pressure_dbar", [0.0, 0.5, 5.0])
def test_fresh_water_agrees_with_iapws95(temperature, pressure_dbar):
    # IAPWS R6-95 by the library iapws; TEOS-10 uses the simpler IAPWS-09 for the water part, 0.02 m/s away at
    # most.
    pressure_pa = ATMOSPHERE_PA + pressure_dbar * 1e4
    expected = IAPWS95(T=temperature + 273.15, P=pressure_pa / 1e6).w
    speed = sound_speed_teos10(temperature, absolute_salinity_g_kg=0.0, depth_m=depth_of(pressure_dbar))
    assert speed == pytest.approx(expected, abs=0.03)


@pytest.mark.slow
def test_fresh_water_agrees_with_coolprop():
    from CoolProp.CoolProp import PropsSI  # 3 s to load, where this test runs

    # 0 deg C is left out: at 101325 Pa it lies below the triple point that CoolProp accepts.
    t = np.array([t for t in FRESH_TEMPERATURES_DEGC if t > 0], dtype=float)
    expected = PropsSI("A", "T", t + 273.15, "P", ATMOSPHERE_PA, "Water")
    np.testing.assert_allclose(sound_speed_teos10(t, absolute_salinity_g_kg=0.0), expected, atol=0.03, rtol=0)


@pytest.mark.parametrize("name", FRESH_POLYNOMIALS)
def test_fresh_water_agrees_with_measured_polynomials(name):
    t = np.array(FRESH_TEMPERATURES_DEGC, dtype=float)
    expected = np.polynomial.polynomial.polyval(t, FRESH_POLYNOMIALS[name])
    np.testing.assert_allclose(sound_speed_teos10(t, absolute_salinity_g_kg=0.0), expected, atol=0.05, rtol=0)


def test_fresh_water_agrees_with_del_grosso_and_mader():
    # Del Grosso & Mader (1972), JASA 52:1442, as the fresh-water part of the library seawater (UNESCO 44).
    t = np.array(FRESH_TEMPERATURES_DEGC, dtype=float)
    expected = seawater.svel(0.0, t, 0.0)
    np.testing.assert_allclose(sound_speed_teos10(t, absolute_salinity_g_kg=0.0), expected, atol=0.05, rtol=0)


def test_sea_water_agrees_with_iapws_r13():
    # IAPWS R13-08, Table 8(a): 273.15 K, 0.101325 MPa, S = 0.03516504: 1449.00246 m/s (number from memory,
    # and reproduced by the library iapws). The offset of the pure-water parts, 0.02 m/s, remains.
    assert SeaWater(T=273.15, P=0.101325, S=0.03516504).w == pytest.approx(1449.00246, abs=1e-4)
    assert sound_speed_teos10(0.0, absolute_salinity_g_kg=35.16504) == pytest.approx(1449.00246, abs=0.03)


@pytest.mark.parametrize(("salinity", "temperature", "pressure"), SEA_WATER)
def test_sea_water_agrees_with_chen_and_millero(salinity, temperature, pressure):
    # Chen & Millero (1977), JASA 62:1129, by the library seawater, which takes T90.
    speed = sound_speed_teos10(
        temperature,
        absolute_salinity_g_kg=absolute_salinity_g_kg(salinity),
        depth_m=depth_of(pressure),
    )
    assert speed == pytest.approx(seawater.svel(salinity, temperature, pressure), abs=0.25)


def test_check_point_of_unesco_1983_is_outside_teos10():
    # Fofonoff & Millard (1983), UNESCO Tech. Pap. Mar. Sci. 44, p. 48: S = 40, T68 = 40 deg C, 10000 dbar
    # gives 1731.995 m/s. TEOS-10 is 4.7 m/s away there, so it must say that it does not hold.
    temperature = 40.0 / 1.00024
    assert seawater.svel(40.0, temperature, 10000.0) == pytest.approx(1731.995, abs=1e-3)
    salinity = absolute_salinity_g_kg(40.0)
    assert salinity == pytest.approx(40.188, abs=1e-3)
    with pytest.warns(ValidityWarning, match="outside the oceanographic funnel.*so warm at that pressure"):
        speed = sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth_of(9999.999))
    assert abs(speed - 1731.995) > 4.0


@pytest.mark.parametrize("salinity", [1.0, 10.0, 25.0, 35.0, 38.0])
@pytest.mark.parametrize("pressure", [0, 100, 400, 600, 1000, 3000, 5000, 7000, 7900])
def test_warns_where_the_funnel_of_teos10_ends(salinity, pressure):
    # Reference: gsw.infunnel (McDougall et al. 2003), which ends at 8000 dbar and goes by conservative
    # temperature; within 1 deg C of its border the two temperatures differ enough to leave points out.
    for temperature in np.arange(1.0, 40.0):
        near = temperature + np.array([-1.0, 0.0, 1.0])
        inside = gsw.infunnel(salinity, gsw.CT_from_t(salinity, near, pressure), pressure).astype(bool)
        if inside.all() or not inside.any():
            with warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always")
                sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth_of(pressure))
            assert bool(caught) == (not inside.any()), f"{temperature} deg C"


def test_mackenzie_check_value():
    # Mackenzie (1981), JASA 70:807: 25 deg C, salinity 35, 1000 m.
    speed = sound_speed_mackenzie1981(25.0, salinity_psu=35.0, depth_m=1000.0)
    assert speed == pytest.approx(1550.744, abs=1e-3)
    teos10 = sound_speed_teos10(25.0, absolute_salinity_g_kg=absolute_salinity_g_kg(35.0), depth_m=1000.0)
    assert speed == pytest.approx(teos10, abs=0.5)


def test_absolute_salinity_of_standard_seawater():
    # Millero et al. (2008), Deep-Sea Research I 55:50: practical salinity 35 is 35.16504 g/kg by definition.
    assert absolute_salinity_g_kg(35.0) == pytest.approx(35.16504, abs=1e-9)


def test_absolute_salinity_where_located():
    # Example of the function gsw_SA_from_SP on teos-10.org: SP 34.5487 at 10 dbar, 188 E, 4 N gives 34.711778
    # (from memory). Editions of the salinity atlas differ by some 2e-5; the anomaly itself is 1.8e-4 here.
    salinity = absolute_salinity_g_kg(34.5487, depth_m=depth_of(10.0, 4.0), latitude_deg=4.0, longitude_deg=188.0)
    assert salinity == pytest.approx(34.711778, abs=5e-5)


@pytest.mark.parametrize(
    ("temperature", "salinity", "depth"),
    [
        (0.0, 0.0, 0.0),
        (30.0, 0.3, 5.0),
        (40.0, 0.0, 5.0),
        (40.0, 6.0, 5.0),
        (4.0, 0.0, 1500.0),
        (28.0, 36.0, 100.0),
    ],
)
def test_pools_lakes_and_warm_seas_are_inside_teos10(temperature, salinity, depth):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth)
