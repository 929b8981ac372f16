"""What a wall or floor is made of, and how it reflects."""

from __future__ import annotations

from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, model_validator

from acoustics.physics.reflection import elastic_reflection, fluid_reflection
from acoustics.scene.model import NotNegative, Positive, SceneModel

# Sediments: Jensen, Kuperman, Porter, Schmidt, Computational Ocean Acoustics, Table 1.3.
# Concrete: density and compressional speed common practice, no source; shear speed within 1900-2100 m/s.
MATERIALS: dict[str, dict[str, float]] = {
    "concrete": {
        "density_kg_m3": 2400,
        "speed_m_s": 3700,
        "shear_speed_m_s": 2000,
        "attenuation_db_per_wavelength": 0.1,
    },
    "gravel": {"density_kg_m3": 2000, "speed_m_s": 1800, "attenuation_db_per_wavelength": 0.6},
    "sand": {"density_kg_m3": 1900, "speed_m_s": 1650, "attenuation_db_per_wavelength": 0.8},
    "silt": {"density_kg_m3": 1700, "speed_m_s": 1575, "attenuation_db_per_wavelength": 1.0},
    "clay": {"density_kg_m3": 1500, "speed_m_s": 1500, "attenuation_db_per_wavelength": 0.2},
}


class Material(SceneModel):
    """A pressure reflection coefficient, or the properties of a half-space from which it follows by angle."""

    name: str = "given"
    reflection_coefficient: Annotated[float, Field(strict=True, ge=-1, le=1)] | None = None
    density_kg_m3: Positive | None = None
    speed_m_s: Positive | None = None
    shear_speed_m_s: NotNegative = 0.0
    attenuation_db_per_wavelength: NotNegative = 0.0

    @model_validator(mode="before")
    @classmethod
    def _from_name(cls, data: Any) -> Any:
        if isinstance(data, str):
            if data not in MATERIALS:
                raise ValueError(
                    f"unknown material {data!r}; known: {', '.join(MATERIALS)}, or a table of its properties"
                )
            return {"name": data, **{key: float(value) for key, value in MATERIALS[data].items()}}
        return data

    @model_validator(mode="after")
    def _one_description(self) -> Self:
        given = self.reflection_coefficient is not None
        solid = self.density_kg_m3 is not None and self.speed_m_s is not None
        if given == solid:
            raise ValueError("give either reflection_coefficient, or density_kg_m3 and speed_m_s")
        if solid and self.speed_m_s is not None and self.shear_speed_m_s >= self.speed_m_s * np.sqrt(0.75):
            raise ValueError("shear_speed_m_s must be under 0.866 times speed_m_s, as in every real solid")
        return self

    def reflection(
        self, grazing: ArrayLike, *, water_density_kg_m3: float, water_speed_m_s: float
    ) -> NDArray[np.complex128]:
        """Complex plane-wave pressure coefficient at grazing angles [rad] of any shape."""
        if self.reflection_coefficient is not None:
            return np.full(np.shape(grazing), self.reflection_coefficient, dtype=complex)
        assert self.density_kg_m3 is not None and self.speed_m_s is not None
        common = {
            "water_density_kg_m3": water_density_kg_m3,
            "water_speed_m_s": water_speed_m_s,
            "density_kg_m3": self.density_kg_m3,
            "speed_m_s": self.speed_m_s,
            "attenuation_db_per_wavelength": self.attenuation_db_per_wavelength,
        }
        if self.shear_speed_m_s > 0:
            return elastic_reflection(grazing, shear_speed_m_s=self.shear_speed_m_s, **common)
        return fluid_reflection(grazing, **common)
