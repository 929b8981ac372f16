"""Sound speed of water: TEOS-10, Mackenzie's nine terms, and the mean speed through a profile."""

from __future__ import annotations

from functools import cached_property
from typing import Self

import gsw
import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked, warn_invalid, warn_outside
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record

# Depth differences below this count as a horizontal ray: the difference of two travel times would lose
# digits.
_HORIZONTAL_M = 1e-4


def absolute_salinity_g_kg(
    practical_salinity: ArrayLike,
    *,
    depth_m: ArrayLike = 0.0,
    latitude_deg: ArrayLike | None = None,
    longitude_deg: ArrayLike | None = None,
) -> Floats:
    """Absolute salinity from practical salinity.

    Parameters
    ----------
    practical_salinity : array_like, shape (...)
        Practical salinity, PSS-78 [1], 0 to 120.
    depth_m : array_like, shape (...)
        Depth below the surface [m].
    latitude_deg, longitude_deg : array_like, shape (...), optional
        Where the water is [deg]. Both or none.

    Returns
    -------
    ndarray, shape (...)
        Absolute salinity [g/kg]: with the regional anomaly where a location is given, else that of water of
        the reference composition (which is the choice for a pool, whose salt no atlas knows).

    Raises
    ------
    ParameterError
        Salinity or depth out of range, one coordinate without the other, or a location without sea data.

    References
    ----------
    IOC, SCOR, IAPSO (2010), The international thermodynamic equation of seawater, sections 2.4 and 2.5;
    McDougall et al. (2012), Ocean Science 8:1123-1134.
    """
    salinity = checked("practical_salinity", practical_salinity, minimum=0.0, maximum=120.0)
    depth = checked("depth_m", depth_m, minimum=0.0)
    if (latitude_deg is None) != (longitude_deg is None):
        raise ParameterError(
            f"latitude_deg={latitude_deg!r} and longitude_deg={longitude_deg!r} must be given together or not at all"
        )
    if latitude_deg is None or longitude_deg is None:
        return np.asarray(gsw.SR_from_SP(salinity + np.zeros_like(depth)))
    latitude = checked("latitude_deg", latitude_deg, minimum=-90.0, maximum=90.0)
    longitude = checked("longitude_deg", longitude_deg, minimum=-180.0, maximum=360.0)
    absolute = np.asarray(gsw.SA_from_SP(salinity, gsw.p_from_z(-depth, latitude), longitude, latitude))
    if np.isnan(absolute).any():
        raise ParameterError(
            f"latitude_deg={latitude_deg!r} longitude_deg={longitude_deg!r} must lie in a sea that the "
            "salinity atlas covers; leave both out for inland water"
        )
    return absolute


def sound_speed_teos10(
    temperature_degc: ArrayLike,
    *,
    absolute_salinity_g_kg: ArrayLike,
    depth_m: ArrayLike = 0.0,
    latitude_deg: ArrayLike = 45.0,
) -> Floats:
    """Sound speed from the full TEOS-10 Gibbs function.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        In-situ temperature, ITS-90 [deg C], valid -2 to 40.
    absolute_salinity_g_kg : array_like, shape (...)
        Absolute salinity [g/kg], valid 0 to 42.
    depth_m : array_like, shape (...)
        Depth below the surface [m], valid to 10000 dbar.
    latitude_deg : array_like, shape (...)
        Latitude, for gravity in the pressure at depth [deg].

    Returns
    -------
    ndarray, shape (...)
        Sound speed [m/s].

    Raises
    ------
    ParameterError
        An argument that no water can have.

    Warns
    -----
    ValidityWarning
        Outside the ranges above, or outside the oceanographic funnel: from 500 dbar down the measurements
        behind the equation cover only what oceans hold, so neither warm nor brackish water. Fresh water at
        any depth and warm water near the surface are inside.

    Notes
    -----
    The 75-term polynomial for ocean models is not used: in fresh water at 30 deg C it is 0.1 m/s high.

    References
    ----------
    IOC, SCOR, IAPSO (2010), The international thermodynamic equation of seawater, section 2.17;
    Feistel (2008), Deep-Sea Research I 55:1639-1671. Funnel: McDougall et al. (2003), J. Atmos. Oceanic
    Technol. 20:730-741, as used by Roquet et al. (2015), Ocean Modelling 90:29-43.
    """
    t, salinity, p = _in_situ(temperature_degc, absolute_salinity_g_kg, depth_m, latitude_deg)
    _warn_outside_teos10(t, salinity, p)
    return np.asarray(gsw.sound_speed_t_exact(salinity, t, p))


def sound_speed_mackenzie1981(temperature_degc: ArrayLike, *, salinity_psu: ArrayLike, depth_m: ArrayLike) -> Floats:
    """Sound speed of sea water by Mackenzie's nine-term equation.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        Temperature [deg C], valid -2 to 30.
    salinity_psu : array_like, shape (...)
        Practical salinity [1], valid 25 to 40.
    depth_m : array_like, shape (...)
        Depth [m], valid 0 to 8000.

    Returns
    -------
    ndarray, shape (...)
        Sound speed [m/s].

    Raises
    ------
    ParameterError
        Negative salinity or depth, or a value that is not finite.

    Warns
    -----
    ValidityWarning
        Outside the ranges above, so for every pool of fresh water.

    References
    ----------
    Mackenzie (1981), J. Acoust. Soc. Am. 70:807-812.
    """
    t = checked("temperature_degc", temperature_degc, above=-273.15)
    s = checked("salinity_psu", salinity_psu, minimum=0.0)
    d = checked("depth_m", depth_m, minimum=0.0)
    warn_outside("Mackenzie 1981", "temperature_degc", t, -2.0, 30.0, "deg C")
    warn_outside("Mackenzie 1981", "salinity_psu", s, 25.0, 40.0, "")
    warn_outside("Mackenzie 1981", "depth_m", d, 0.0, 8000.0, "m")
    by_temperature = 1448.96 + 4.591 * t - 5.304e-2 * t**2 + 2.374e-4 * t**3
    by_salinity = (1.340 - 1.025e-2 * t) * (s - 35.0)
    by_depth = 1.630e-2 * d + 1.675e-7 * d**2 - 7.139e-13 * t * d**3
    return by_temperature + by_salinity + by_depth


def harmonic_mean_speed(
    depths_m: ArrayLike, speeds_m_s: ArrayLike, from_depth_m: ArrayLike, to_depth_m: ArrayLike
) -> Floats:
    """Speed that gives the travel time along a straight ray through a layered profile.

    Parameters
    ----------
    depths_m : array_like, shape (n_rows,)
        Depths of the profile, increasing [m].
    speeds_m_s : array_like, shape (n_rows,)
        Sound speeds there [m/s], linear in between; above the first and below the last row the speed is held.
    from_depth_m, to_depth_m : array_like, shape (...)
        Depths of the two ends of the ray [m].

    Returns
    -------
    ndarray, shape (...)
        Length of the ray over its travel time [m/s]. The slope cancels, so only the end depths count; a
        horizontal ray has the speed at its depth.

    Raises
    ------
    ParameterError
        Depths that do not increase, tables of unequal length, or speeds that are not positive.

    References
    ----------
    Integral of the slowness in a layer of constant gradient: Jensen, Kuperman, Porter, Schmidt (2011),
    Computational Ocean Acoustics, 2nd ed., ch. 3.
    """
    layers = Layers.of(depths_m, speeds_m_s)
    start, end = np.broadcast_arrays(checked("from_depth_m", from_depth_m), checked("to_depth_m", to_depth_m))
    return layers.mean_speed_m_s(start, end)


@record
class Layers:
    """Rows of a sound-speed profile and the layers of constant gradient between them; `of` works them out.

    Parameters
    ----------
    depth_m, speed_m_s : ndarray, shape (n_rows,)
        The rows, depths increasing [m], [m/s].
    gradient_per_s : ndarray, shape (n_rows,)
        Of the sound speed below each row; 0 below the last [1/s].
    time_s : ndarray, shape (n_rows,)
        Of a vertical ray from the first row to each [s].
    """

    depth_m: Floats
    speed_m_s: Floats
    gradient_per_s: Floats
    time_s: Floats

    @classmethod
    def of(cls, depths_m: ArrayLike, speeds_m_s: ArrayLike) -> Self:
        """ParameterError for depths that do not increase, lists of unequal length, or speeds that are not positive."""
        z, c = checked("depths_m", depths_m), checked("speeds_m_s", speeds_m_s, above=0.0)
        if z.ndim != 1 or z.shape != c.shape or z.size == 0:
            raise ParameterError(f"depths_m and speeds_m_s of shapes {z.shape} and {c.shape} must be equal lists")
        thickness = np.diff(z)
        if (thickness <= 0).any():
            raise ParameterError(f"depths_m={z.tolist()} must increase")
        gradient = np.diff(c) / thickness
        times = np.cumsum(_layer_time(thickness, c[:-1], gradient))
        return cls(z, c, np.append(gradient, 0.0), np.append(0.0, times))

    @cached_property
    def steepest_per_s(self) -> float:
        """Steepest gradient of the sound speed, either way [1/s]."""
        return float(np.abs(self.gradient_per_s).max())

    @cached_property
    def slowest_m_s(self) -> float:
        return float(self.speed_m_s.min())

    @cached_property
    def fastest_m_s(self) -> float:
        return float(self.speed_m_s.max())

    def mean_speed_m_s(self, start_m: Floats, end_m: Floats) -> Floats:
        """As `harmonic_mean_speed`, of depths of one shape that are numbers."""
        both = np.array((start_m, end_m))
        start_s, end_s = self._vertical_time_s(both)
        way, spent = both[1] - both[0], end_s - start_s
        upright = np.abs(way) >= _HORIZONTAL_M
        if upright.all():
            return np.asarray(way / spent)
        local = np.interp(0.5 * (both[0] + both[1]), self.depth_m, self.speed_m_s)
        return np.divide(way, spent, out=np.asarray(local), where=upright)

    def _vertical_time_s(self, depth_m: Floats) -> Floats:
        """Time [s] of a vertical ray from the first row to depths of any shape, negative above it."""
        row = self.depth_m[1:].searchsorted(depth_m, side="right")  # the first row also above it
        below = depth_m - self.depth_m.take(row)
        gradient = self.gradient_per_s.take(row) * (below >= 0)
        return self.time_s.take(row) + _layer_time(below, self.speed_m_s.take(row), gradient)


def _layer_time(thickness: Floats, speed: Floats, gradient: Floats) -> Floats:
    """Integral of 1 / (speed + gradient x) over the thickness [s], exact as the gradient goes to zero."""
    change = gradient * thickness / speed
    ratio = np.divide(np.log1p(change), change, out=np.ones(change.shape), where=change != 0)
    return thickness / speed * ratio


def _in_situ(
    temperature_degc: ArrayLike, salinity_g_kg: ArrayLike, depth_m: ArrayLike, latitude_deg: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Checked temperature [deg C], absolute salinity [g/kg] and sea pressure [dbar], broadcast."""
    t = checked("temperature_degc", temperature_degc, above=-273.15)
    salinity = checked("absolute_salinity_g_kg", salinity_g_kg, minimum=0.0, maximum=1000.0)
    depth = checked("depth_m", depth_m, minimum=0.0)
    latitude = checked("latitude_deg", latitude_deg, minimum=-90.0, maximum=90.0)
    t, salinity, p = np.broadcast_arrays(t, salinity, gsw.p_from_z(-depth, latitude))
    return t, salinity, p


def _warn_outside_teos10(t: Floats, salinity: Floats, p: Floats) -> None:
    warn_outside("TEOS-10", "temperature_degc", t, -2.0, 40.0, "deg C")
    warn_outside("TEOS-10", "absolute_salinity_g_kg", salinity, 0.0, 42.0, "g/kg")
    warn_outside("TEOS-10", "pressure", p, 0.0, 10000.0, "dbar")
    deep = p >= 500.0
    # Fresh water has no salt part, and its own equation holds at all these pressures.
    brackish = deep & (salinity > 0) & (salinity < np.minimum(5e-3 * p - 2.5, 30.0))
    for wrong, adjective in (
        (deep & (t > np.maximum(95.0 / 3 - p / 300, 10.0)), "warm"),
        (brackish, "brackish"),
    ):
        if wrong.any():
            first = np.flatnonzero(wrong)[0]
            water = f"{t.flat[first]:g} deg C, {salinity.flat[first]:g} g/kg, {p.flat[first]:.0f} dbar"
            reason = f"no measurements of water so {adjective} at that pressure"
            warn_invalid(f"TEOS-10: {water} is outside the oceanographic funnel: {reason}")
