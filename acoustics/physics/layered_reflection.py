"""Plane-wave pressure reflection of a layer on a half-space: a tile, a liner, a plate with something behind it.

Angles and the sign of the imaginary part as in `reflection`: grazing angles, waves ``exp(-i w t)``. Inside, lengths
are counted in ``c / w`` of the water, speeds and densities in those of the water.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record

Complexes = NDArray[np.complex128]

# Decibels per wavelength of a wave that decays by exp(-2 pi) in one: 40 pi log10(e).
_DB_PER_WAVELENGTH = 40.0 * np.pi * np.log10(np.e)
# Along the face, and where a wave runs along the layer, two equations become one: keep this far from it.
_LEAST_SINE = 1e-9
_LEAST_VERTICAL = 1e-7
# A thinner layer is none; between two fluids its faces could not be told from each other.
_LEAST_DEPTH = 1e-6
# A slower shear wave carries nothing, and its equations cannot be told from each other.
_LEAST_SHEAR_RATIO = 1e-3


@record
class Medium:
    """What a layer or a half-space is made of.

    Parameters
    ----------
    density_kg_m3, speed_m_s : float
        Density [kg/m^3] and compressional speed [m/s].
    shear_speed_m_s : float
        Shear speed [m/s]; 0 is a fluid, and so is anything under a thousandth of the water's speed.
    attenuation_db_per_wavelength, shear_attenuation_db_per_wavelength : float
        Attenuation of the two waves [dB/wavelength].

    Raises
    ------
    ParameterError
        A density or speed that is not positive, a negative attenuation, or a shear speed above sqrt(3)/2 of the
        compressional speed.
    """

    density_kg_m3: float
    speed_m_s: float
    shear_speed_m_s: float = 0.0
    attenuation_db_per_wavelength: float = 0.0
    shear_attenuation_db_per_wavelength: float = 0.0

    def __post_init__(self) -> None:
        checked("density_kg_m3", self.density_kg_m3, above=0.0)
        checked("speed_m_s", self.speed_m_s, above=0.0)
        checked("shear_speed_m_s", self.shear_speed_m_s, minimum=0.0)
        checked("attenuation_db_per_wavelength", self.attenuation_db_per_wavelength, minimum=0.0)
        checked("shear_attenuation_db_per_wavelength", self.shear_attenuation_db_per_wavelength, minimum=0.0)
        if self.shear_speed_m_s > np.sqrt(0.75) * self.speed_m_s:
            raise ParameterError(
                f"shear_speed_m_s={self.shear_speed_m_s!r} must be at most 0.866 of speed_m_s={self.speed_m_s!r}"
            )


@record
class _Waves:
    """One medium over the water: density [1], squared slownesses [1] and vertical ones of shape (...) [1]."""

    density: float
    shear_modulus: complex  # 0 in a fluid
    compressional: Complexes
    shear: Complexes

    @classmethod
    def of(cls, medium: Medium, horizontal: Floats, density: float, speed: float) -> _Waves:
        """At horizontal slownesses (...) [1] over that of water of a density [kg/m^3] and a sound speed [m/s]."""
        rho = medium.density_kg_m3 / density
        p = speed / medium.speed_m_s * (1 + 1j * medium.attenuation_db_per_wavelength / _DB_PER_WAVELENGTH)
        solid = medium.shear_speed_m_s > _LEAST_SHEAR_RATIO * speed
        s = 1.0 + 0j
        if solid:
            loss = medium.shear_attenuation_db_per_wavelength / _DB_PER_WAVELENGTH
            s = speed / medium.shear_speed_m_s * (1 + 1j * loss)
        # The principal root decays away from where the wave comes from.
        return cls(rho, rho / s**2 if solid else 0j, np.sqrt(p**2 - horizontal**2), np.sqrt(s**2 - horizontal**2))

    @property
    def is_solid(self) -> bool:
        return self.shear_modulus != 0

    def kept_apart(self) -> _Waves:
        """The same, its waves down and up never one."""

        def least(vertical: Complexes) -> Complexes:
            return np.where(np.abs(vertical) < _LEAST_VERTICAL, _LEAST_VERTICAL + 0j, vertical)

        return _Waves(self.density, self.shear_modulus, least(self.compressional), least(self.shear))

    def wave(self, kind: str, way: int, horizontal: Floats) -> Complexes:
        """Displacement along and into the face, normal and shear stress of a unit potential, shape (..., 4).

        `kind` is 'p' or 's', `way` 1 into the wall or -1 out of it.
        """
        x, mu = horizontal + 0j, self.shear_modulus
        if kind == "p":
            z = way * self.compressional
            parts = [1j * x, 1j * z, 2 * mu * x**2 - self.density, -2 * mu * x * z]
        else:
            z = way * self.shear
            parts = [-1j * z, 1j * x, -2 * mu * x * z, mu * (z**2 - x**2)]
        return np.stack(np.broadcast_arrays(*parts), axis=-1)


def layered_reflection(
    grazing: ArrayLike,
    *,
    frequency_hz: float,
    water_density_kg_m3: float,
    water_speed_m_s: float,
    layer: Medium,
    thickness_m: float,
    behind: Medium,
) -> Complexes:
    """Reflection coefficient of a layer, fluid or solid, on a half-space, fluid or solid.

    Parameters
    ----------
    grazing : array_like, shape (...)
        Grazing angle in the water, 0 to pi/2 [rad].
    frequency_hz : float
        Frequency [Hz].
    water_density_kg_m3, water_speed_m_s : float
        Density [kg/m^3] and sound speed [m/s] of the water, lossless.
    layer : Medium
        What the layer is made of.
    thickness_m : float
        Its thickness [m]; 0 leaves the half-space.
    behind : Medium
        The half-space behind it.

    Returns
    -------
    ndarray of complex, shape (...)
        Reflected over incident pressure at the layer's face [1].

    Raises
    ------
    ParameterError
        An angle outside 0 to pi/2, a frequency, density or speed that is not positive, or a negative thickness.

    Notes
    -----
    Flat, uniform, bonded, and the same behind as far as sound matters. A fluid layer is taken by its input
    impedance; a solid one by its six or seven boundary conditions solved together, waves down counted from the
    layer's face and waves up from its back, so that none grows.

    References
    ----------
    Brekhovskikh & Lysanov (2003), Fundamentals of Ocean Acoustics, 3rd ed., chapter 4 (input impedance of a layer);
    Jensen, Kuperman, Porter, Schmidt (2011), Computational Ocean Acoustics, 2nd ed., section 1.6 (three media) and
    chapter 4 (boundary conditions of all interfaces in one system).
    """
    angle = checked("grazing", grazing, minimum=0.0, maximum=np.pi / 2 + 1e-9)
    checked("frequency_hz", frequency_hz, above=0.0)
    density = float(checked("water_density_kg_m3", water_density_kg_m3, above=0.0))
    speed = float(checked("water_speed_m_s", water_speed_m_s, above=0.0))
    depth = 2 * np.pi * frequency_hz / speed * float(checked("thickness_m", thickness_m, minimum=0.0))
    sine = np.maximum(np.sin(angle), _LEAST_SINE)
    horizontal = np.sqrt(1.0 - sine**2)
    coat, back = (_Waves.of(medium, horizontal, density, speed) for medium in (layer, behind))
    if depth < _LEAST_DEPTH:
        return _fluid_layer(sine, horizontal, coat, back, 0.0)
    reflect = _solid_layer if coat.is_solid else _fluid_layer
    return reflect(sine, horizontal, coat, back, depth)


def _fluid_layer(sine: Floats, horizontal: Floats, coat: _Waves, back: _Waves, depth: float) -> Complexes:
    """By the impedance seen through the layer, written so that neither a wave along it nor behind it divides by 0."""
    along, through = back.compressional, coat.compressional
    load = back.density * np.ones_like(along)
    if back.is_solid:
        slowness = back.density / back.shear_modulus  # of the shear wave, squared
        ratio = horizontal**2 / slowness
        load = load * ((1 - 2 * ratio) ** 2 + 4 * ratio / slowness * back.shear * along)
    phase = through * depth
    small = np.abs(phase) < _LEAST_VERTICAL
    tangent = np.where(small, depth, np.tan(phase) / np.where(small, 1.0, through))
    numerator = (load - 1j * coat.density * tangent * along) * sine
    denominator = along - 1j * load * through**2 * tangent / coat.density
    return (numerator - denominator) / (numerator + denominator)


def _solid_layer(sine: Floats, horizontal: Floats, coat: _Waves, back: _Waves, depth: float) -> Complexes:
    """By all boundary conditions at once: the wave reflected, four in the layer, two behind it."""
    coat = coat.kept_apart()
    kinds = [("p", 1), ("p", -1), ("s", 1), ("s", -1)]
    inside = np.stack([coat.wave(kind, way, horizontal) for kind, way in kinds], axis=-1)
    p, s = np.exp(1j * coat.compressional * depth), np.exp(1j * coat.shear * depth)
    one = np.ones_like(p)
    at_face = inside * np.stack([one, p, one, s], axis=-1)[..., None, :]
    at_back = inside * np.stack([p, one, s, one], axis=-1)[..., None, :]
    outside = np.stack([back.wave("p", 1, horizontal), back.wave("s", 1, horizontal)], axis=-1)
    if not back.is_solid:  # a fluid slides: it carries no shear, and does not hold the layer's face
        outside[..., 1] = [1.0, 0.0, 0.0, 0.0]
    system = np.zeros((*sine.shape, 7, 7), dtype=complex)
    # The face: normal displacement, normal stress, no shear stress; water moves by i sin(g) and presses with -1.
    system[..., 0, 0], system[..., 1, 0] = -1j * sine, -1.0
    system[..., :3, 1:5] = -at_face[..., 1:, :]
    system[..., 3:, 1:5] = at_back
    system[..., 3:, 5:] = -outside
    incident = np.zeros((*sine.shape, 7, 1), dtype=complex)
    incident[..., 0, 0], incident[..., 1, 0] = -1j * sine, 1.0
    # Rows and columns of like size: stresses of steel and of air stand side by side.
    system, incident = _evened(system, incident)
    return np.asarray(np.linalg.solve(system, incident)[..., 0, 0])


def _evened(system: Complexes, right: Complexes) -> tuple[Complexes, Complexes]:
    """Rows scaled to a largest element of 1, so that the solver's pivots mean something."""
    size = np.abs(system).max(axis=-1, keepdims=True)
    return system / size, right / size
