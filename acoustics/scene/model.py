"""What all parts of a scene share: the base of tables, and the numbers that only a scene has."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Self

import numpy as np
from pydantic import Field

from acoustics.base.errors import InputError
from acoustics.base.table_model import (
    DEEPEST_M,
    Flag,
    Name,
    NotNegative,
    Number,
    Point,
    Positive,
    TableModel,
    TimingSd,
    Title,
)
from acoustics.base.toml_tables import validated

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
    "TimingSd",
    "Title",
]

Depth = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=DEEPEST_M)]
LevelDb = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-100, le=280)]
# Deci- and megahertz values in a hertz key are the commonest slip; the range catches them.
FrequencyHz = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1e3, le=1e6)]


class SceneModel(TableModel):
    """Base of every part of a scene."""

    def changed(self, values: Mapping[str, Any]) -> Self:
        """A copy with some values changed, checked as when it was read from a file.

        Parameters
        ----------
        values : mapping
            By the key that an error would name: `vehicle.heading_deg`, `pinger[1].frequency_hz` (counted from 1),
            `array`. Values as in a file, or a part of a scene (an `Array`), or numpy arrays.

        Raises
        ------
        InputError
            If a key is unknown or the scene that comes out is impossible; names the key.

        Examples
        --------
        >>> scene.changed({"vehicle.heading_deg": 30.0, "pinger[1].position_m": (18.0, 6.0, 2.0)})  # doctest: +SKIP
        """
        table = _table(self)
        for key, value in values.items():
            _put(table, key, _plain(value))
        return validated(type(self), table, "changed")


_STEP = re.compile(r"([^.\[\]]+)((?:\[[0-9]+\])*)(?:\.|$)")


def _table(model: SceneModel) -> dict[str, Any]:
    """What was given for a model, as its file would say it; defaults are left to the model."""
    return {
        field.alias or name: _plain(getattr(model, name))
        for name, field in type(model).model_fields.items()
        if name in model.model_fields_set
    }


def _plain(value: Any) -> Any:
    if isinstance(value, SceneModel):
        return _table(value)
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _put(table: dict[str, Any], key: str, value: Any) -> None:
    """Set `a.b[2].c` in tables of tables and lists, items counted from one."""
    steps: list[str | int] = []
    at = 0
    while match := _STEP.match(key, at):
        steps += [match[1], *(int(k) - 1 for k in re.findall(r"[0-9]+", match[2]))]
        at = match.end()
    if at < len(key) or not steps or key.endswith("."):
        raise InputError("changed", key, "is not a key; expected one such as vehicle.heading_deg or pinger[1].q")
    inside: Any = table
    for step, after in zip(steps, [*steps[1:], None], strict=True):
        if isinstance(step, int):
            if not isinstance(inside, list) or not 0 <= step < len(inside):
                count = len(inside) if isinstance(inside, list) else 0
                raise InputError("changed", key, f"there is no item {step + 1}: {count} are given")
        elif not isinstance(inside, dict):
            raise InputError("changed", key, f"what holds {step!r} is not a table")
        if after is None:
            inside[step] = value
        else:
            inside = inside[step] if isinstance(step, int) else inside.setdefault(step, {})
