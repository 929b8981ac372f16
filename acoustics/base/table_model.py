"""Tables of a file as frozen classes: strict, finite, and unknown keys answered with the nearest known one."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator


def _printable(text: str) -> str:
    """Refuse line breaks and escape codes: names are printed in tables, in pictures and in errors."""
    if not text.isprintable():
        raise ValueError(f"{text!r} must be one line of printable characters")
    return text


# No metre, second, volt or hertz of a scene comes near it, and its powers do not overflow.
_LARGEST = 1e9
Number = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-_LARGEST, le=_LARGEST)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=_LARGEST)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=_LARGEST)]
# The deepest water there is; the formulas of sea water end there too.
DEEPEST_M = 11_000.0
Flag = Annotated[bool, Field(strict=True)]
Name = Annotated[str, Field(strict=True, min_length=1, max_length=80), AfterValidator(_printable)]
Title = Annotated[str, Field(strict=True, max_length=200), AfterValidator(_printable)]
Point = tuple[Number, Number, Number]


class TableModel(BaseModel):
    """Base of every table: the class is at once the file's schema and the object that is used."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """A copy with some fields changed; what was worked out from the old ones is not taken along."""
        copy = super().model_copy(update=update, deep=deep)
        for name in set(copy.__dict__) - set(type(copy).model_fields):
            del copy.__dict__[name]
        return copy

    @model_validator(mode="before")
    @classmethod
    def _name_unknown_keys(cls, data: Any) -> Any:
        if isinstance(data, dict):
            known = {field.alias or name for name, field in cls.model_fields.items()} | set(cls.model_fields)
            for key in data:
                if key not in known:
                    keys = sorted(field.alias or name for name, field in cls.model_fields.items())
                    raise ValueError(f"unknown key {key!r}; {_suggestion(str(key), keys)}")
        return data


def _suggestion(key: str, known: list[str]) -> str:
    close = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    # 'frequency_khz' should find 'frequency_hz' even where the unit makes the words differ.
    close = close or [k for k in known if k.rsplit("_", 1)[0] == key.rsplit("_", 1)[0]]
    return f"did you mean {close[0]!r}?" if close else f"known keys: {', '.join(known)}"
