"""Sound speed: profiles, validity and refusals. Published values stand in tests/published."""

import warnings

import numpy as np
import pytest
from scipy.integrate import quad

from acoustics.base.errors import ParameterError, ValidityWarning
from acoustics.physics.sound_speed import (
    absolute_salinity_g_kg,
    harmonic_mean_speed,
    sound_speed_mackenzie1981,
    sound_speed_teos10,
)

DEPTHS_M = np.array([0.5, 2.0, 2.4, 7.0])
SPEEDS_M_S = np.array([1501.0, 1497.0, 1482.0, 1482.0])


@pytest.mark.parametrize(
    ("start", "end"), [(0.5, 7.0), (0.0, 9.0), (2.1, 2.3), (6.0, 1.0), (3.0, 5.0), (0.1, 0.3), (2.0, 2.001)]
)
def test_harmonic_mean_is_length_over_travel_time(start, end):
    # Reference: adaptive quadrature of the slowness (scipy.integrate.quad), kinks named.
    kinks = [z for z in DEPTHS_M if min(start, end) < z < max(start, end)]
    time, _ = quad(lambda z: 1.0 / np.interp(z, DEPTHS_M, SPEEDS_M_S), start, end, points=kinks or None, epsrel=1e-13)
    speed = harmonic_mean_speed(DEPTHS_M, SPEEDS_M_S, start, end)
    assert speed == pytest.approx((end - start) / time, rel=1e-9)


def test_harmonic_mean_of_a_horizontal_ray_is_the_local_speed():
    depths = np.array([0.0, 0.5, 1.0, 2.2, 9.0])
    expected = np.interp(depths, DEPTHS_M, SPEEDS_M_S)
    np.testing.assert_allclose(harmonic_mean_speed(DEPTHS_M, SPEEDS_M_S, depths, depths), expected, rtol=1e-12)
    nearly = harmonic_mean_speed(DEPTHS_M, SPEEDS_M_S, depths, depths + 1.01e-4)
    np.testing.assert_allclose(nearly, expected, rtol=2e-6)  # 1e-4 m of the steepest layer is 1.3e-6 of the speed


def test_harmonic_mean_broadcasts_and_takes_one_row():
    speed = harmonic_mean_speed(DEPTHS_M, SPEEDS_M_S, np.zeros((3, 1)), np.linspace(0, 8, 5))
    assert speed.shape == (3, 5)
    assert harmonic_mean_speed([1.0], [1480.0], 0.0, 5.0) == pytest.approx(1480.0, rel=1e-12)


@pytest.mark.parametrize(
    ("depths", "speeds", "message"),
    [
        ([0.0, 1.0, 1.0], [1500.0] * 3, r"depths_m=\[0.0, 1.0, 1.0\] must increase"),
        ([0.0, 1.0], [1500.0], r"shapes \(2,\) and \(1,\) must be equal lists"),
        ([0.0, 1.0], [1500.0, 0.0], "speeds_m_s=0 must be finite and above 0"),
        ([0.0, np.nan], [1500.0, 1.0], "depths_m=nan must be finite"),
    ],
)
def test_harmonic_mean_refuses(depths, speeds, message):
    with pytest.raises(ParameterError, match=message):
        harmonic_mean_speed(depths, speeds, 0.0, 1.0)


@pytest.mark.parametrize(
    ("temperature", "salinity", "depth", "message"),
    [
        (-2.5, 35.0, 0.0, "temperature_degc=-2.5 is outside -2 to 40 deg C"),
        (40.5, 0.0, 0.0, "temperature_degc=40.5 is outside -2 to 40 deg C"),
        (20.0, 43.0, 0.0, "absolute_salinity_g_kg=43 is outside 0 to 42 g/kg"),
        (2.0, 35.0, 10500.0, "pressure=.* is outside 0 to 10000 dbar"),
        (30.0, 36.0, 1000.0, "30 deg C, 36 g/kg, 101. dbar is outside the oceanographic funnel: .* so warm"),
        (
            4.0,
            0.5,
            1500.0,
            "4 deg C, 0.5 g/kg, 151. dbar is outside the oceanographic funnel: .* so brackish",
        ),
    ],
)
def test_teos10_warns_outside_its_range(temperature, salinity, depth, message):
    with pytest.warns(ValidityWarning, match=message):
        sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth)


def test_mackenzie_warns_outside_its_range():
    for arguments, message in (
        ((31.0, 35.0, 0.0), "Mackenzie 1981: temperature_degc=31 is outside -2 to 30 deg C"),
        ((10.0, 0.0, 0.0), "Mackenzie 1981: salinity_psu=0 is outside 25 to 40"),
        ((10.0, 35.0, 8001.0), "Mackenzie 1981: depth_m=8001 is outside 0 to 8000 m"),
    ):
        with pytest.warns(ValidityWarning, match=message):
            sound_speed_mackenzie1981(arguments[0], salinity_psu=arguments[1], depth_m=arguments[2])


def test_warning_names_the_first_value_outside():
    with pytest.warns(ValidityWarning, match="temperature_degc=41 "):
        speed = sound_speed_teos10([20.0, 41.0, 45.0], absolute_salinity_g_kg=0.0)
    assert speed.shape == (3,)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"absolute_salinity_g_kg": -0.1}, "absolute_salinity_g_kg=-0.1 must be finite and at least 0"),
        ({"absolute_salinity_g_kg": 0.0, "depth_m": -1.0}, "depth_m=-1 must be finite and at least 0"),
        ({"absolute_salinity_g_kg": 0.0, "latitude_deg": 91.0}, "latitude_deg=91 must be .* at most 90"),
        ({"absolute_salinity_g_kg": np.nan}, "absolute_salinity_g_kg=nan must be finite"),
    ],
)
def test_teos10_refuses(arguments, message):
    with pytest.raises(ParameterError, match=message):
        sound_speed_teos10(20.0, **arguments)


def test_absolute_salinity_refuses():
    with pytest.raises(ParameterError, match="practical_salinity=121 must be .* at most 120"):
        absolute_salinity_g_kg(121.0)
    with pytest.raises(ParameterError, match="latitude_deg=4.0 and longitude_deg=None must be given together"):
        absolute_salinity_g_kg(35.0, latitude_deg=4.0)
    with pytest.raises(ParameterError, match="latitude_deg=-88.0 longitude_deg=0.0 must lie in a sea"):
        absolute_salinity_g_kg(35.0, latitude_deg=-88.0, longitude_deg=0.0)


def test_absolute_salinity_broadcasts_over_depth_and_place():
    reference = absolute_salinity_g_kg([0.3, 35.0], depth_m=np.zeros((4, 1)))
    located = absolute_salinity_g_kg(35.0, depth_m=[0.0, 1000.0], latitude_deg=40.0, longitude_deg=188.0)
    assert reference.shape == (4, 2)
    # The deep North Pacific holds about 0.01 to 0.02 g/kg more than its conductivity says (McDougall et al.
    # 2012).
    assert 0.005 < located[1] - absolute_salinity_g_kg(35.0) < 0.03


def test_speed_grows_with_pressure_as_the_ocean_does():
    # Common practice, no source: about 1.6 to 1.7 m/s in 100 m.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        speed = sound_speed_teos10(10.0, absolute_salinity_g_kg=0.0, depth_m=np.array([0.0, 100.0]))
    assert 1.5 < np.diff(speed)[0] < 1.8
