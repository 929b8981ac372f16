"""Published values that the formulas must give, each once, with its source and the digits that the source has."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from acoustics.accuracy.ambiguity import wrong_integer_probability_pair
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.absorption import (
    absorption_ainslie_mccolm1998_db_per_km,
    absorption_francois_garrison1982_db_per_km,
)
from acoustics.physics.noise import quantisation_snr_db, thermal_noise_mellen1952_db
from acoustics.physics.reflection import fluid_reflection
from acoustics.physics.sound_speed import absolute_salinity_g_kg, sound_speed_mackenzie1981, sound_speed_teos10
from acoustics.physics.timing_bounds import (
    arrival_time_variance,
    random_signal_delay_variance,
    two_element_bearing_sd,
    weiss_weinstein1983_factor,
)

_SAND = {
    "water_density_kg_m3": 1000.0,
    "water_speed_m_s": 1500.0,
    "density_kg_m3": 1900.0,
    "speed_m_s": 1650.0,
    "attenuation_db_per_wavelength": 0.8,
}
_CONCRETE = {"water_density_kg_m3": 998.2, "water_speed_m_s": 1482.3, "density_kg_m3": 2600.0, "speed_m_s": 3100.0}


@record
class Published:
    """A value with its source; `compute` gives ours, the tolerance is in the same unit."""

    quantity: str
    unit: str
    compute: Callable[[], Floats | float]
    reference: float
    tolerance: float
    source: str


def _speed(temperature: float, salinity: float, depth: float = 0.0) -> Floats:
    return sound_speed_teos10(temperature, absolute_salinity_g_kg=salinity, depth_m=depth)


_TEOS10 = "TEOS-10, example of gsw_sound_speed_t_exact, teos-10.org"
_FG = "Francois & Garrison 1982, JASA 72:1879, from their coefficients"
_AM = "Ainslie & McColm 1998, JASA 103:1671, from their coefficients"

PUBLISHED = (
    # Depths are those of the source's 10, 125 and 1000 dbar at 45 degrees of latitude.
    Published("sound speed, sea, 28.7856 degC, 10 dbar", "m/s", lambda: _speed(28.7856, 34.7118, 9.918600276929),
              1542.615803587, 1e-6, _TEOS10),
    Published("sound speed, sea, 22.8103 degC, 125 dbar", "m/s", lambda: _speed(22.8103, 35.0256, 123.947927088160),
              1530.844979136, 1e-6, _TEOS10),
    Published("sound speed, sea, 4.4036 degC, 1000 dbar", "m/s", lambda: _speed(4.4036, 34.7324, 989.500058958021),
              1483.934609079, 1e-6, _TEOS10),
    Published("sound speed, fresh water, 20 degC", "m/s", lambda: _speed(20.0, 0.0),
              1482.346, 0.03, "IAPWS-95, Wagner & Pruss 2002, 101325 Pa"),
    Published("sound speed, fresh water, 26 degC", "m/s", lambda: _speed(26.0, 0.0),
              1499.363, 0.05, "Marczak 1997, JASA 102:2776, polynomial"),
    Published("sound speed, sea, 0 degC", "m/s", lambda: _speed(0.0, 35.16504),
              1449.00246, 0.03, "IAPWS R13-08, table 8(a)"),
    Published("sound speed, sea, 25 degC, 1000 m", "m/s",
              lambda: sound_speed_mackenzie1981(25.0, salinity_psu=35.0, depth_m=1000.0),
              1550.744, 1e-3, "Mackenzie 1981, JASA 70:807"),
    Published("absolute salinity of standard seawater", "g/kg", lambda: absolute_salinity_g_kg(35.0),
              35.16504, 1e-6, "Millero et al. 2008, Deep-Sea Res. I 55:50"),
    Published("absorption, fresh, 10 degC, 30 kHz", "dB/km",
              lambda: absorption_francois_garrison1982_db_per_km(30e3, temperature_degc=10.0, salinity_psu=0.0),
              0.2797, 5.1e-5, _FG),
    Published("absorption, sea, 10 degC, 30 kHz", "dB/km",
              lambda: absorption_francois_garrison1982_db_per_km(30e3, temperature_degc=10.0, salinity_psu=35.0),
              6.8679, 5.1e-5, _FG),
    Published("absorption, sea, 20 degC, 30 kHz", "dB/km",
              lambda: absorption_ainslie_mccolm1998_db_per_km(30e3, temperature_degc=20.0, salinity_psu=35.0),
              5.1894, 5.1e-5, _AM),
    Published("thermal noise density, 30 kHz", "dB", lambda: thermal_noise_mellen1952_db(30e3),
              14.5424, 5.1e-5, "Mellen 1952, JASA 24:478"),
    Published("16-bit converter, full-scale sine", "dB", lambda: quantisation_snr_db(16),
              98.0905, 5.1e-5, "20 log10(2) 16 + 10 log10(3/2), textbook"),
    Published("reflection, water to sand, 20 deg grazing", "",
              lambda: np.abs(fluid_reflection(np.deg2rad(20.0), **_SAND)),
              0.8742, 1e-4, "Jensen et al., Computational Ocean Acoustics, sec. 1.6"),
    Published("reflection, water to concrete, upright", "", lambda: np.abs(fluid_reflection(np.pi / 2, **_CONCRETE)),
              0.689793, 1e-6, "Kinsler et al., 4th ed., impedances of app. A10"),
    Published("arrival time, 30 kHz, E/N0 20 dB", "us",
              lambda: 1e6 * np.sqrt(arrival_time_variance(200.0, (2 * np.pi * 30e3) ** 2)),
              0.3751318, 1e-6, "1 / (2 pi f sqrt(2E/N0)), Van Trees 1968, part I, ch. 4"),
    Published("delay, noise-like signal, SNR 10", "us",
              lambda: 1e6 * np.sqrt(
                  random_signal_delay_variance(10.0, frequency_hz=30e3, bandwidth_hz=10e3, duration_s=4e-3)),
              0.2705591, 1e-6, "Knapp & Carter 1976, IEEE Trans. ASSP 24:320"),
    Published("carrier over envelope, 30 kHz, 10 kHz band", "", lambda: weiss_weinstein1983_factor(30e3, 10e3),
              108.0, 1e-9, "Weinstein & Weiss 1984, IEEE Trans. ASSP 32:1064"),
    Published("bearing of a pair, 0.2 m, 1 us, 60 deg off", "deg",
              lambda: np.rad2deg(two_element_bearing_sd(
                  1e-6, spacing_m=0.2, sound_speed_m_s=1480.0, bearing_from_broadside=np.pi / 3)),
              0.847978, 1e-6, "c sigma / (d cos b), textbook"),
    Published("wrong cycle of a pair, half a period at 1.96 sd", "",
              lambda: wrong_integer_probability_pair(1 / (2 * 30e3 * 1.959964), 30e3),
              0.05, 1e-6, "two tails of the normal distribution, any table"),
)  # fmt: skip
