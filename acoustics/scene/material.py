"""What a wall or floor is made of, and how it reflects."""

from __future__ import annotations

from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, model_validator

from acoustics.physics.layered_reflection import Medium, layered_reflection
from acoustics.physics.reflection import elastic_reflection
from acoustics.scene.materials import MATERIALS
from acoustics.scene.model import NotNegative, Positive, SceneModel

_FASTEST_SHEAR = float(np.sqrt(0.75))  # over the compressional speed, of any solid


class Layer(SceneModel):
    """A layer on the water's side of a wall or floor: tiles, a liner, a plate."""

    thickness_m: Annotated[
        float,
        Field(strict=True, gt=0, le=1, description="How thick the layer is; measure it at an edge or ask the builder."),
    ]
    density_kg_m3: Annotated[Positive, Field(description="Density of the layer.")]
    speed_m_s: Annotated[Positive, Field(description="Speed of compressional sound in the layer.")]
    shear_speed_m_s: Annotated[
        NotNegative, Field(description="Speed of shear waves in the layer; 0 for a soft one.")
    ] = 0.0
    attenuation_db_per_wavelength: Annotated[
        NotNegative, Field(description="How much compressional sound loses in the layer.")
    ] = 0.0
    shear_attenuation_db_per_wavelength: Annotated[
        NotNegative, Field(description="How much shear waves lose in the layer.")
    ] = 0.0

    @model_validator(mode="after")
    def _real(self) -> Self:
        _refuse_fast_shear(self.shear_speed_m_s, self.speed_m_s)
        return self


class Material(SceneModel):
    """A pressure reflection coefficient, or the properties of a half-space, bare or under a layer, by angle.

    A known name brings its own properties; keys beside it replace them one by one.
    """

    name: Annotated[str, Field(description="A known material, or any name for one described by the other keys.")] = (
        "given"
    )
    reflection_coefficient: Annotated[
        Annotated[float, Field(strict=True, ge=-1, le=1)] | None,
        Field(description="Reflected over incident pressure, the same at every angle; instead of all keys below."),
    ] = None
    density_kg_m3: Annotated[
        Positive | None, Field(description="Density of the wall or floor, or of what lies behind its layer.")
    ] = None
    speed_m_s: Annotated[Positive | None, Field(description="Speed of compressional sound in it.")] = None
    shear_speed_m_s: Annotated[NotNegative, Field(description="Speed of shear waves in it; 0 for sediments.")] = 0.0
    attenuation_db_per_wavelength: Annotated[
        NotNegative, Field(description="How much compressional sound loses in it.")
    ] = 0.0
    shear_attenuation_db_per_wavelength: Annotated[
        NotNegative, Field(description="How much shear waves lose in it.")
    ] = 0.0
    layer: Annotated[Layer | None, Field(description="A layer on the water's side.")] = None

    @model_validator(mode="before")
    @classmethod
    def _from_name(cls, data: Any) -> Any:
        if isinstance(data, str):
            if data not in MATERIALS:
                raise ValueError(
                    f"unknown material {data!r}; known: {', '.join(MATERIALS)}, or a table of its properties"
                )
            return cls._named(data, {})
        if isinstance(data, dict) and data.get("reflection_coefficient") is None and str(data.get("name")) in MATERIALS:
            return cls._named(data["name"], data)
        return data

    @staticmethod
    def _named(name: str, own: dict[str, Any]) -> dict[str, Any]:
        """Properties of a known material, its own values in their place, those of the layer key by key."""
        known = MATERIALS[name]
        values = {"name": name, **known.behind, **own}
        layer = own.get("layer")
        if known.layer and (layer is None or isinstance(layer, dict)):
            values["layer"] = known.layer | (layer or {})
        return values

    @model_validator(mode="after")
    def _one_description(self) -> Self:
        given = self.reflection_coefficient is not None
        solid = self.density_kg_m3 is not None and self.speed_m_s is not None
        if given == solid:
            raise ValueError(
                "give the name of a known material, reflection_coefficient, or density_kg_m3 and speed_m_s: one of them"
            )
        if given and self.layer is not None:
            raise ValueError("reflection_coefficient and layer exclude each other; keep one of them")
        if self.speed_m_s is not None:
            _refuse_fast_shear(self.shear_speed_m_s, self.speed_m_s)
        return self

    def reflection(
        self, grazing: ArrayLike, *, frequency_hz: float, water_density_kg_m3: float, water_speed_m_s: float
    ) -> NDArray[np.complex128]:
        """Complex plane-wave pressure coefficient at grazing angles [rad] of any shape, at a frequency [Hz]."""
        if self.reflection_coefficient is not None:
            return np.full(np.shape(grazing), self.reflection_coefficient, dtype=complex)
        assert self.density_kg_m3 is not None and self.speed_m_s is not None
        water = {"water_density_kg_m3": water_density_kg_m3, "water_speed_m_s": water_speed_m_s}
        body = {
            "density_kg_m3": self.density_kg_m3,
            "speed_m_s": self.speed_m_s,
            "shear_speed_m_s": self.shear_speed_m_s,
            "attenuation_db_per_wavelength": self.attenuation_db_per_wavelength,
            "shear_attenuation_db_per_wavelength": self.shear_attenuation_db_per_wavelength,
        }
        if self.layer is None:
            return elastic_reflection(grazing, **water, **body)
        return layered_reflection(
            grazing,
            frequency_hz=frequency_hz,
            **water,
            layer=Medium(**self.layer.model_dump(exclude={"thickness_m"})),
            thickness_m=self.layer.thickness_m,
            behind=Medium(**body),
        )


def _refuse_fast_shear(shear_m_s: float, speed_m_s: float) -> None:
    if shear_m_s > speed_m_s * _FASTEST_SHEAR:
        raise ValueError("shear_speed_m_s must be under 0.866 times speed_m_s, as in every real solid")
