"""What all parts of a scene share: the base of tables, and the numbers that only a scene has."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from acoustics.base.table_model import (
    DEEPEST_M,
    Flag,
    Name,
    NotNegative,
    Number,
    Point,
    Positive,
    TableModel,
    Title,
)

__all__ = [
    "DEEPEST_M",
    "Depth",
    "Flag",
    "FrequencyHz",
    "LevelDb",
    "Name",
    "NotNegative",
    "Number",
    "Point",
    "Positive",
    "SceneModel",
    "Title",
]

Depth = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=DEEPEST_M)]
LevelDb = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-100, le=280)]
# Deci- and megahertz values in a hertz key are the commonest slip; the range catches them.
FrequencyHz = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1e3, le=1e6)]


class SceneModel(TableModel):
    """Base of every part of a scene."""
