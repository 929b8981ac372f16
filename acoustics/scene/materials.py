"""The one table of materials: what the names of walls and floors stand for, and where the figures come from."""

from __future__ import annotations

from dataclasses import field

from acoustics.base.record import record

_JENSEN = "Jensen, Kuperman, Porter and Schmidt (2011), Computational Ocean Acoustics, Table 1.3"
_PRACTICE = "common practice, no source"


@record
class NamedMaterial:
    """A name's meaning.

    Parameters
    ----------
    what : str
        What it is, in words.
    source : str
        Where the figures come from, or 'common practice, no source'.
    behind : dict
        Keys of `Material` of the half-space, or of what lies behind the layer.
    layer : dict
        Keys of its layer; empty: there is none.
    """

    what: str
    source: str
    behind: dict[str, float]
    layer: dict[str, float] = field(default_factory=dict)


def _solid(
    density: float, speed: float, shear: float = 0.0, loss: float = 0.0, shear_loss: float = 0.0
) -> dict[str, float]:
    values = {"density_kg_m3": density, "speed_m_s": speed, "shear_speed_m_s": shear}
    values |= {"attenuation_db_per_wavelength": loss, "shear_attenuation_db_per_wavelength": shear_loss}
    return {key: float(value) for key, value in values.items() if value}


_CONCRETE = _solid(2400, 3700, 2000, 0.1)
_SAND = _solid(1900, 1650, loss=0.8)
_AIR = _solid(1.2, 343)
_STEEL = _solid(7850, 5960, 3235)

MATERIALS: dict[str, NamedMaterial] = {
    "concrete": NamedMaterial("poured concrete, thick", f"{_PRACTICE}; shear 1900-2100 m/s", _CONCRETE),
    "tile": NamedMaterial(
        "glazed tiles, 8 mm, bedded on concrete",
        _PRACTICE,
        _CONCRETE,
        {"thickness_m": 0.008} | _solid(2300, 5400, 3300, 0.1, 0.2),
    ),
    "liner": NamedMaterial(
        "plastic sheet, 0.8 mm, laid on concrete without air under it",
        _PRACTICE,
        _CONCRETE,
        {"thickness_m": 0.0008} | _solid(1300, 1700, loss=1.0),
    ),
    "steel": NamedMaterial(
        "steel wall of a free-standing tank, 3 mm, air behind it",
        "mild steel: Kaye and Laby (1995), Tables of Physical and Chemical Constants, section 2.4; thickness: "
        + _PRACTICE,
        _AIR,
        {"thickness_m": 0.003} | _STEEL,
    ),
    "steel-in-ground": NamedMaterial(
        "steel panel, 3 mm, wet sand behind it",
        f"steel as above; sand: {_JENSEN}; thickness: {_PRACTICE}",
        _SAND,
        {"thickness_m": 0.003} | _STEEL,
    ),
    "fibreglass": NamedMaterial(
        "shell of glass-fibre laminate, 6 mm, wet sand behind it",
        f"laminate and thickness: {_PRACTICE}; sand: {_JENSEN}",
        _SAND,
        {"thickness_m": 0.006} | _solid(1800, 2800, 1500, 1.0, 2.0),
    ),
    "rock": NamedMaterial("limestone", _JENSEN, _solid(2400, 3000, 1500, 0.1, 0.2)),
    "gravel": NamedMaterial("gravel; its slow shear wave left out", _JENSEN, _solid(2000, 1800, loss=0.6)),
    "sand": NamedMaterial("sand; its slow shear wave left out", _JENSEN, _SAND),
    "silt": NamedMaterial("silt; its slow shear wave left out", _JENSEN, _solid(1700, 1575, loss=1.0)),
    "clay": NamedMaterial("clay; its slow shear wave left out", _JENSEN, _solid(1500, 1500, loss=0.2)),
    "mud": NamedMaterial(
        "soft mud, a little slower than the water over it",
        "silty clay: Hamilton (1980), J. Acoust. Soc. Am. 68:1313-1340, Tables I and II, for water of 1480 m/s; loss: "
        + _PRACTICE,
        _solid(1420, 1471, loss=0.1),
    ),
}
