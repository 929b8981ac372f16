"""Plane-wave pressure reflection at an interface below or beside water.

Grazing angles are measured from the interface: 0 along it, pi/2 is normal incidence. The sign of the
imaginary part is for waves ``exp(-i w t)``: for a signal written as the real part of ``A exp(+i w t)`` take
the conjugate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats

Complexes = NDArray[np.complex128]

# Decibels per wavelength of a wave that decays by exp(-2 pi) in one: 40 pi log10(e).
_DB_PER_WAVELENGTH = 40.0 * np.pi * np.log10(np.e)
# At zero grazing between media of one speed the coefficient is 0/0; this far from it the limit is reached.
_LEAST_SINE = 1e-12
# A slower shear wave changes nothing (the coefficient goes with the cube of this) and could overflow.
_LEAST_SHEAR_RATIO = 1e-6


def fluid_reflection(
    grazing: ArrayLike,
    *,
    water_density_kg_m3: ArrayLike,
    water_speed_m_s: ArrayLike,
    density_kg_m3: ArrayLike,
    speed_m_s: ArrayLike,
    attenuation_db_per_wavelength: ArrayLike = 0.0,
) -> Complexes:
    """Rayleigh reflection coefficient of a fluid half-space.

    Parameters
    ----------
    grazing : array_like, shape (...)
        Grazing angle in the water, 0 to pi/2 [rad].
    water_density_kg_m3, water_speed_m_s : array_like, shape (...)
        Density [kg/m^3] and sound speed [m/s] of the water, lossless.
    density_kg_m3, speed_m_s : array_like, shape (...)
        Those of the other medium.
    attenuation_db_per_wavelength : array_like, shape (...)
        Attenuation in the other medium [dB/wavelength].

    Returns
    -------
    ndarray of complex, shape (...)
        Reflected over incident pressure [1]: ``(Z2 - Z1) / (Z2 + Z1)`` with ``Z = rho c / sin(grazing)``.

    Raises
    ------
    ParameterError
        A density or speed that is not positive, a negative attenuation, or an angle outside 0 to pi/2.

    References
    ----------
    Jensen, Kuperman, Porter, Schmidt (2011), Computational Ocean Acoustics, 2nd ed., section 1.6; eq. 1.46
    for the complex speed ``c / (1 + i alpha / 54.58)`` of a lossy medium.
    """
    return elastic_reflection(
        grazing,
        water_density_kg_m3=water_density_kg_m3,
        water_speed_m_s=water_speed_m_s,
        density_kg_m3=density_kg_m3,
        speed_m_s=speed_m_s,
        shear_speed_m_s=0.0,
        attenuation_db_per_wavelength=attenuation_db_per_wavelength,
    )


def elastic_reflection(
    grazing: ArrayLike,
    *,
    water_density_kg_m3: ArrayLike,
    water_speed_m_s: ArrayLike,
    density_kg_m3: ArrayLike,
    speed_m_s: ArrayLike,
    shear_speed_m_s: ArrayLike,
    attenuation_db_per_wavelength: ArrayLike = 0.0,
    shear_attenuation_db_per_wavelength: ArrayLike = 0.0,
) -> Complexes:
    """Reflection coefficient of an elastic half-space under or beside water.

    Parameters
    ----------
    grazing : array_like, shape (...)
        Grazing angle in the water, 0 to pi/2 [rad].
    water_density_kg_m3, water_speed_m_s : array_like, shape (...)
        Density [kg/m^3] and sound speed [m/s] of the water, lossless.
    density_kg_m3, speed_m_s, shear_speed_m_s : array_like, shape (...)
        Density [kg/m^3], compressional and shear speed [m/s] of the solid. Shear speed 0 is a fluid.
    attenuation_db_per_wavelength, shear_attenuation_db_per_wavelength : array_like, shape (...)
        Attenuation of the two waves in the solid [dB/wavelength].

    Returns
    -------
    ndarray of complex, shape (...)
        Reflected over incident pressure [1]: ``(Z - Z1) / (Z + Z1)`` with
        ``Z = Zp cos^2(2 theta_s) + Zs sin^2(2 theta_s)``, theta_s the angle of the shear wave from the
        normal.

    Raises
    ------
    ParameterError
        A density or speed that is not positive, a negative attenuation or shear speed, an angle outside 0 to
        pi/2, or a shear speed above sqrt(3)/2 of the compressional speed, which no solid has.

    Notes
    -----
    Thick, flat and uniform: a tiled or lined wall of finite thickness differs.

    References
    ----------
    Brekhovskikh & Lysanov (2003), Fundamentals of Ocean Acoustics, 3rd ed., section 4.2; Jensen, Kuperman,
    Porter, Schmidt (2011), Computational Ocean Acoustics, 2nd ed., section 1.6.
    """
    angle = checked("grazing", grazing, minimum=0.0, maximum=np.pi / 2 + 1e-9)
    rho1 = checked("water_density_kg_m3", water_density_kg_m3, above=0.0)
    rho2 = checked("density_kg_m3", density_kg_m3, above=0.0)
    c1 = checked("water_speed_m_s", water_speed_m_s, above=0.0)
    compressional = checked("speed_m_s", speed_m_s, above=0.0)
    shear = checked("shear_speed_m_s", shear_speed_m_s, minimum=0.0)
    loss = checked("attenuation_db_per_wavelength", attenuation_db_per_wavelength, minimum=0.0)
    shear_loss = checked("shear_attenuation_db_per_wavelength", shear_attenuation_db_per_wavelength, minimum=0.0)
    if (shear > np.sqrt(0.75) * compressional).any():
        raise ParameterError(f"shear_speed_m_s={shear_speed_m_s!r} must be at most 0.866 of speed_m_s={speed_m_s!r}")

    # Wavenumbers over that in water; the horizontal one, cos(grazing), is common to all waves.
    sine = np.maximum(np.sin(angle), _LEAST_SINE)
    horizontal_squared = 1.0 - sine**2
    compressional_squared = (c1 / compressional * (1.0 + 1j * loss / _DB_PER_WAVELENGTH)) ** 2
    solid = shear > _LEAST_SHEAR_RATIO * c1
    shear_squared = (c1 / np.where(solid, shear, 1.0) * (1.0 + 1j * shear_loss / _DB_PER_WAVELENGTH)) ** 2
    # The principal root has an imaginary part of at least 0: waves decay away from the interface.
    vertical_compressional = np.sqrt(compressional_squared - 1.0 + sine**2)
    vertical_shear = np.sqrt(shear_squared - 1.0 + sine**2)
    ratio = np.where(solid, horizontal_squared / shear_squared, 0.0)  # sin^2(theta_s)
    coupling = np.where(solid, 4.0 * ratio / shear_squared * vertical_shear * vertical_compressional, 0.0)
    # Both impedances times sin(grazing) and the vertical wavenumber, so that nothing is divided by zero.
    other = rho2 * sine * ((1.0 - 2.0 * ratio) ** 2 + coupling)
    water = rho1 * vertical_compressional
    return (other - water) / (other + water)


def roughness_loss(grazing: ArrayLike, *, wavenumber: ArrayLike, rms_height_m: ArrayLike) -> Floats:
    """Factor by which a rough face weakens the coherent reflection.

    Parameters
    ----------
    grazing : array_like, shape (...)
        Grazing angle, 0 to pi/2 [rad].
    wavenumber : array_like, shape (...)
        ``2 pi f / c`` [rad/m].
    rms_height_m : array_like, shape (...)
        Rms height of the roughness [m].

    Returns
    -------
    ndarray, shape (...)
        ``exp(-2 (k s sin g)^2)``, to multiply the pressure coefficient with [1].

    Raises
    ------
    ParameterError
        A negative height or wavenumber, or an angle outside 0 to pi/2.

    Notes
    -----
    Kirchhoff approximation, heights normally distributed, curvature gentle against the wavelength.

    References
    ----------
    Eckart (1953), J. Acoust. Soc. Am. 25:566-570; Brekhovskikh & Lysanov (2003), section 9.
    """
    angle = checked("grazing", grazing, minimum=0.0, maximum=np.pi / 2 + 1e-9)
    k = checked("wavenumber", wavenumber, minimum=0.0)
    return np.exp(-2.0 * (k * checked("rms_height_m", rms_height_m, minimum=0.0) * np.sin(angle)) ** 2)
