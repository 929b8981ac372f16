"""Absorption of sound in sea water and fresh water."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked, warn_outside
from acoustics.base.frames import Floats

# Up to this salinity [ppt] the salts add nothing that matters and the pure-water term stands alone.
_FRESH_PPT = 1.0


def absorption_francois_garrison1982_db_per_km(
    frequency_hz: ArrayLike,
    *,
    temperature_degc: ArrayLike,
    salinity_psu: ArrayLike,
    depth_m: ArrayLike = 0.0,
    ph: ArrayLike = 8.0,
) -> Floats:
    """Absorption: boric acid and magnesium sulphate relaxation and the viscosity of water.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequency [Hz], valid 200 Hz to 1 MHz.
    temperature_degc : array_like, shape (...)
        Temperature [deg C], valid -2 to 30, in fresh water to 40.
    salinity_psu : array_like, shape (...)
        Salinity [ppt], valid 0 to 40.
    depth_m : array_like, shape (...)
        Depth [m], valid 0 to 7000.
    ph : array_like, shape (...)
        Acidity, NBS scale [1], valid 7.7 to 8.3; without effect at salinity 0.

    Returns
    -------
    ndarray, shape (...)
        Absorption [dB/km].

    Raises
    ------
    ParameterError
        Frequency not positive, negative salinity or depth, pH outside 0 to 14, or a value that is not finite.

    Warns
    -----
    ValidityWarning
        Outside the ranges above.

    Notes
    -----
    The relaxation terms were fitted to sea water and the viscous term to fresh water, so salinities between
    the two interpolate. The source gives 5 percent for sea water, 0.4 kHz to 1 MHz, -1.8 to 30 deg C (from
    memory).

    References
    ----------
    Francois & Garrison (1982), J. Acoust. Soc. Am. 72:1879-1890.
    """
    f, t, s, d, acidity = _checked_water(frequency_hz, temperature_degc, salinity_psu, depth_m, ph)
    formula = "Francois & Garrison 1982"
    hottest = np.where(s <= _FRESH_PPT, 40.0, 30.0)
    warn_outside(formula, "frequency_hz", f * 1e3, 200.0, 1e6, "Hz")
    warn_outside(formula, "temperature_degc", t, -2.0, hottest, "deg C")
    warn_outside(formula, "salinity_psu", s, 0.0, 40.0, "ppt")
    warn_outside(formula, "depth_m", d, 0.0, 7000.0, "m")
    warn_outside(formula, "ph", np.where(s > _FRESH_PPT, acidity, 8.0), 7.7, 8.3, "")

    c = 1412.0 + 3.21 * t + 1.19 * s + 0.0167 * d
    boric_hz = 2.8 * np.sqrt(s / 35.0) * 10 ** (4.0 - 1245.0 / (273.0 + t))
    boric = 8.86 / c * 10 ** (0.78 * acidity - 5.0) * _relaxation(f, boric_hz)

    sulphate_hz = 8.17 * 10 ** (8.0 - 1990.0 / (273.0 + t)) / (1.0 + 0.0018 * (s - 35.0))
    sulphate_pressure = 1.0 - 1.37e-4 * d + 6.2e-9 * d**2
    sulphate = 21.44 * s / c * (1.0 + 0.025 * t) * sulphate_pressure * _relaxation(f, sulphate_hz)

    cool = 4.937e-4 - 2.59e-5 * t + 9.11e-7 * t**2 - 1.50e-8 * t**3
    warm = 3.964e-4 - 1.146e-5 * t + 1.45e-7 * t**2 - 6.5e-10 * t**3
    water = np.where(t <= 20.0, cool, warm) * (1.0 - 3.83e-5 * d + 4.9e-10 * d**2) * f**2
    return boric + sulphate + water


def absorption_ainslie_mccolm1998_db_per_km(
    frequency_hz: ArrayLike,
    *,
    temperature_degc: ArrayLike,
    salinity_psu: ArrayLike,
    depth_m: ArrayLike = 0.0,
    ph: ArrayLike = 8.0,
) -> Floats:
    """Absorption by the simplified form of the same three terms; a check on the longer formula.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequency [Hz], valid 100 Hz to 1 MHz.
    temperature_degc : array_like, shape (...)
        Temperature [deg C], valid -6 to 35.
    salinity_psu : array_like, shape (...)
        Salinity [ppt], valid 5 to 50, and 0, where the term of pure water is left.
    depth_m : array_like, shape (...)
        Depth [m], valid 0 to 7000.
    ph : array_like, shape (...)
        Acidity, NBS scale [1], valid 7.7 to 8.3.

    Returns
    -------
    ndarray, shape (...)
        Absorption [dB/km].

    Raises
    ------
    ParameterError
        Frequency not positive, negative salinity or depth, pH outside 0 to 14, or a value that is not finite.

    Warns
    -----
    ValidityWarning
        Outside the ranges above.

    References
    ----------
    Ainslie & McColm (1998), J. Acoust. Soc. Am. 103:1671-1672. Ranges from memory.
    """
    f, t, s, d, acidity = _checked_water(frequency_hz, temperature_degc, salinity_psu, depth_m, ph)
    formula = "Ainslie & McColm 1998"
    warn_outside(formula, "frequency_hz", f * 1e3, 100.0, 1e6, "Hz")
    warn_outside(formula, "temperature_degc", t, -6.0, 35.0, "deg C")
    warn_outside(formula, "salinity_psu", s, np.where(s == 0, 0.0, 5.0), 50.0, "ppt")
    warn_outside(formula, "depth_m", d, 0.0, 7000.0, "m")
    warn_outside(formula, "ph", np.where(s > _FRESH_PPT, acidity, 8.0), 7.7, 8.3, "")

    z_km = d / 1e3
    boric = 0.106 * np.exp((acidity - 8.0) / 0.56) * _relaxation(f, 0.78 * np.sqrt(s / 35.0) * np.exp(t / 26.0))
    sulphate = 0.52 * (1.0 + t / 43.0) * (s / 35.0) * np.exp(-z_km / 6.0) * _relaxation(f, 42.0 * np.exp(t / 17.0))
    water = 0.00049 * f**2 * np.exp(-(t / 27.0 + z_km / 17.0))
    return boric + sulphate + water


def _relaxation(f_khz: Floats, relaxation_khz: Floats) -> Floats:
    """``f1 f^2 / (f1^2 + f^2)`` [kHz]: the shape of every relaxation; 0 without its salt (f1 = 0)."""
    return relaxation_khz * f_khz**2 / (relaxation_khz**2 + f_khz**2)


def _checked_water(
    frequency_hz: ArrayLike,
    temperature_degc: ArrayLike,
    salinity: ArrayLike,
    depth_m: ArrayLike,
    ph: ArrayLike,
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """The arguments, checked; the frequency in kHz, as both sources use it."""
    return (
        checked("frequency_hz", frequency_hz, above=0.0) / 1e3,
        checked("temperature_degc", temperature_degc, above=-50.0, maximum=100.0),
        checked("salinity_psu", salinity, minimum=0.0),
        checked("depth_m", depth_m, minimum=0.0),
        checked("ph", ph, minimum=0.0, maximum=14.0),
    )
