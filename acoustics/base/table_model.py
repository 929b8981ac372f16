"""Tables of a file as frozen classes: strict, finite, and unknown keys answered with the nearest known one."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    ValidationError,
    model_validator,
)
from pydantic_core import InitErrorDetails


def _printable(text: str) -> str:
    """Refuse line breaks and escape codes: names are printed in tables, in pictures and in errors."""
    if not text.isprintable():
        raise ValueError(f"{text!r} must be one line of printable characters")
    return text


# No metre, second, volt or hertz of a scene comes near it, and its powers do not overflow.
LARGEST_NUMBER = 1e9
FARTHEST_M = 1e7  # of any origin that a navigation may have, be it the equator
Number = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-LARGEST_NUMBER, le=LARGEST_NUMBER)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=LARGEST_NUMBER)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=LARGEST_NUMBER)]
# Of one channel against another: thirty periods of a pinger. Beyond it microseconds were given for seconds.
TimingSd = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e-3)]
# The deepest water there is; the formulas of sea water end there too.
DEEPEST_M = 11_000.0
LEAST_ROW_M = 1e-3  # between rows of a profile: gradients stay finite
Flag = Annotated[bool, Field(strict=True)]
Name = Annotated[str, Field(strict=True, min_length=1, max_length=80), AfterValidator(_printable)]
Text = Annotated[str, Field(strict=True), AfterValidator(_printable)]
Title = Annotated[str, Field(strict=True, max_length=200), AfterValidator(_printable)]
Point = tuple[Number, Number, Number]
_Coordinate = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-FARTHEST_M, le=FARTHEST_M)]
Place = tuple[_Coordinate, _Coordinate, _Coordinate]


class TableModel(BaseModel):
    """Base of every table: the class is at once the file's schema and the object that is used."""

    # Deferred: a table is built when the first is read, and most commands read few of them.
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True, defer_build=True)

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """A copy with some fields changed; what was worked out from the old ones is not taken along."""
        copy = super().model_copy(update=update, deep=deep)
        for name in set(copy.__dict__) - set(type(copy).model_fields):
            del copy.__dict__[name]
        return copy

    def __eq__(self, other: object) -> bool:
        """Whether all fields are equal; what was worked out from them and kept does not count."""
        if type(self) is not type(other):
            return NotImplemented
        return all(getattr(self, name) == getattr(other, name) for name in type(self).model_fields)

    @model_validator(mode="wrap")
    @classmethod
    def _name_unknown_keys(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        """Say every unknown key, and whatever is wrong with the known ones as well."""
        if not isinstance(data, dict):
            return handler(data)
        keys = sorted(field.alias or name for name, field in cls.model_fields.items())
        unknown = [key for key in data if key not in keys]
        if not unknown:
            return handler(data)
        meant = {nearest(str(key), keys) for key in unknown}
        wrong: list[InitErrorDetails] = [
            _fault(f"unknown key {key!r}; {_suggestion(str(key), keys)}", data) for key in unknown
        ]
        try:
            handler({key: value for key, value in data.items() if key not in unknown})
        except ValidationError as error:
            # A key that is only misspelt is not missing besides, and a table without it is not judged as a whole.
            others = [e for e in error.errors(include_url=False) if e["loc"] and e["loc"][-1] not in meant]
            wrong += [
                InitErrorDetails(type=e["type"], loc=e["loc"], input=e["input"], ctx=e.get("ctx", {})) for e in others
            ]
        raise ValidationError.from_exception_data(cls.__name__, wrong)


def all_wrong(title: str, faults: Sequence[str]) -> None:
    """Refuse a table for several reasons at once; no reason, no refusal."""
    if faults:
        raise ValidationError.from_exception_data(title, [_fault(text, None) for text in faults])


def same_names(names: Sequence[str], what: str) -> list[str]:
    """What to say of names that several bear; `what` they are the names of, in the plural."""
    twice = sorted({name for name in names if names.count(name) > 1})
    return [f"{names.count(name)} {what} have the name {name!r}; give each its own" for name in twice]


def _fault(text: str, value: Any) -> InitErrorDetails:
    return InitErrorDetails(type="value_error", loc=(), input=value, ctx={"error": ValueError(text)})


def nearest(key: str, known: Sequence[str]) -> str | None:
    """The known key that an unknown one was most likely meant to be, if there is such a one."""
    # 'floor_depth_m' says all that 'depth_m' does; by its letters alone it is nearer to 'floor_sd_m'.
    words = set(key.split("_"))
    close = sorted((k for k in known if "_" in k and set(k.split("_")) < words), key=len, reverse=True)
    close = close or difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    # 'frequency_khz' should find 'frequency_hz' even where the unit makes the words differ.
    close = close or [k for k in known if k.rsplit("_", 1)[0] == key.rsplit("_", 1)[0]]
    return close[0] if close else None


def _suggestion(key: str, known: list[str]) -> str:
    near = nearest(key, known)
    return f"known keys: {', '.join(known)}" if near is None else f"did you mean {near!r}?"
