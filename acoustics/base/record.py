"""Frozen dataclasses that are quickly made.

`dataclass(frozen=True)` writes and compiles six methods for each class, which for the 350 of a command takes a fifth of
the time of a short one. All but `__init__` differ by the names of the fields alone.
"""

from __future__ import annotations

from dataclasses import FrozenInstanceError, dataclass, field, fields
from typing import Any, TypeVar, dataclass_transform

_Class = TypeVar("_Class")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(cls: type[_Class]) -> type[_Class]:
    """Make the class what `dataclass(frozen=True)` makes it, with methods that all such classes share."""
    for name, method in _SHARED.items():
        if name not in cls.__dict__:
            setattr(cls, name, method)
    return dataclass(eq=False, repr=False)(cls)


def _set(self: Any, name: str, value: object) -> None:
    """Once for each field: `__init__` sets them all."""
    if name in self.__dict__ or name not in self.__dataclass_fields__:
        raise FrozenInstanceError(f"cannot assign to field {name!r}")
    self.__dict__[name] = value


def _delete(self: Any, name: str) -> None:
    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _compared(self: Any) -> tuple[object, ...]:
    return tuple(getattr(self, each.name) for each in fields(self) if each.compare)


def _equal(self: Any, other: object) -> bool:
    return _compared(self) == _compared(other) if other.__class__ is self.__class__ else NotImplemented


def _hash(self: Any) -> int:
    return hash(_compared(self))


def _repr(self: Any) -> str:
    told = ", ".join(f"{each.name}={getattr(self, each.name)!r}" for each in fields(self) if each.repr)
    return f"{type(self).__qualname__}({told})"


_SHARED = {"__setattr__": _set, "__delattr__": _delete, "__eq__": _equal, "__hash__": _hash, "__repr__": _repr}
