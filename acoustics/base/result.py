"""What every answer to a question can do: print itself as a table, draw itself, and become plain lists and numbers.

Words and pictures live in `acoustics.present`, above the stages that make results. So that no import runs upwards,
results ask for a presenter, which `acoustics/__init__` names; it is loaded when a result is first shown.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar, Protocol, Self


class Presenter(Protocol):
    """What shows results: text, picture and plain values."""

    def text(self, result: Any) -> str: ...

    def draw(self, result: Any, over: tuple[Any, ...], path: Path | None, *, force: bool) -> Any: ...

    def to_dict(self, result: Any) -> Any: ...


class Result:
    """Base of the results: frozen dataclasses, printed with the words of the command that asks the same question."""

    presenter: ClassVar[Callable[[], Presenter]]
    _over: tuple[Any, ...] = ()

    def __init_subclass__(cls) -> None:
        # In the class's own dictionary before `dataclass` looks, which then leaves it alone.
        if "__repr__" not in cls.__dict__:
            cls.__repr__ = Result.__str__  # type: ignore[assignment, method-assign]

    def __str__(self) -> str:
        return Result.presenter().text(self)

    def drawn_over(self, *things: Any) -> Self:
        """The same result, drawn over these (a scene, a pinger); they are no part of the answer nor of `to_dict`."""
        drawn = copy.copy(self)
        object.__setattr__(drawn, "_over", things)
        return drawn

    def plot(self, path: str | Path | None = None, *, force: bool = False) -> Any:
        """Draw the result and give matplotlib's Figure; with a path, write it there as well.

        Parameters
        ----------
        path : str or Path, optional
            Ends in .png or .svg.
        force : bool
            Whether a file that exists may be replaced.

        Raises
        ------
        ParameterError
            If this result has no picture, or the path has another suffix.
        OutputError
            If the file exists and `force` is off, or cannot be written.
        """
        return Result.presenter().draw(self, self._over, None if path is None else Path(path), force=force)

    def to_dict(self) -> dict[str, Any]:
        """The result as plain lists and numbers, as `--json` prints it; infinite and missing numbers become None."""
        plain: dict[str, Any] = Result.presenter().to_dict(self)
        return plain
