"""Records beside the frozen dataclasses of the standard library, which they must not be told from."""

from __future__ import annotations

import copy
import pickle
from collections.abc import Callable
from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace
from typing import Any

import pytest

from acoustics.base.record import record


def _classes(decorate: Callable[[type], type]) -> tuple[Any, Any]:
    """The same class and one that inherits from it, made by either decorator."""

    class Place:
        """A place."""

        x_m: float
        y_m: float = 2.0
        names: list[str] = field(default_factory=list)
        source: str = field(default="chart", repr=False, compare=False)
        length_m: float = field(init=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "length_m", (self.x_m**2 + self.y_m**2) ** 0.5)

    made: Any = decorate(Place)

    class Depth(made):  # type: ignore[misc]
        """A place and its depth."""

        z_m: float = 1.0

    return made, decorate(Depth)


OURS, STANDARD = _classes(record), _classes(dataclass(frozen=True))
BOTH = pytest.mark.parametrize("classes", [OURS, STANDARD], ids=["record", "dataclass"])


@record
class Mark:
    """At the top of the module, where pickle finds it."""

    x_m: float
    names: tuple[str, ...] = ()


@BOTH
def test_fields_cannot_be_changed_added_or_deleted(classes: tuple[Any, Any]) -> None:
    for kind in classes:
        place = kind(1.0)
        for name in ("x_m", "y_m", "length_m", "other"):
            with pytest.raises(FrozenInstanceError):
                setattr(place, name, 3.0)
        with pytest.raises(FrozenInstanceError):
            del place.x_m
        assert (place.x_m, place.y_m, place.names, place.length_m) == (1.0, 2.0, [], 5.0**0.5)


@BOTH
def test_equality_and_hash_are_those_of_the_compared_fields(classes: tuple[Any, Any]) -> None:
    place, depth = classes
    assert place(1.0, names=["a"]) == place(1.0, names=["a"], source="sonar")
    assert place(1.0) != place(1.5) and place(1.0) != depth(1.0) and depth(1.0) != place(1.0) and place(1.0) != 1.0
    assert depth(1.0) != depth(1.0, z_m=2.0)
    assert len({place(1.0, names=()), place(1.0, names=()), place(3.0, names=()), depth(1.0, names=())}) == 3
    with pytest.raises(TypeError, match="unhashable"):
        hash(place(1.0))


@pytest.mark.parametrize("ours, standard", list(zip(OURS, STANDARD, strict=True)))
def test_shown_listed_and_replaced_like_a_dataclass(ours: Any, standard: Any) -> None:
    one, other = replace(ours(1.0, 2.5), x_m=4.0), replace(standard(1.0, 2.5), x_m=4.0)
    assert repr(one) == repr(other) and "source" not in repr(one)
    assert asdict(one) == asdict(other)
    assert [each.name for each in fields(one)] == [each.name for each in fields(other)]
    with pytest.raises(TypeError, match="unexpected keyword argument"):
        ours(1.0, w_m=2.0)


def test_copied_and_pickled() -> None:
    mark = Mark(1.0, ("a", "b"))
    assert copy.copy(mark) == copy.deepcopy(mark) == pickle.loads(pickle.dumps(mark)) == mark


def test_methods_of_the_class_itself_stay() -> None:
    @record
    class Named:
        """Shown and compared in its own way."""

        name: str

        def __repr__(self) -> str:
            return f"<{self.name}>"

        def __eq__(self, other: object) -> bool:
            return isinstance(other, Named) and self.name.lower() == other.name.lower()

        def __hash__(self) -> int:
            return 7

    assert repr(Named("a")) == "<a>" and Named("A") == Named("a") and hash(Named("b")) == 7
