"""One way to ask any estimator about a recording: built in, a Python function, or a program in any language."""

from __future__ import annotations

import contextlib
import importlib
import sys
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from acoustics.base.errors import ParameterError
from acoustics.base.record import record
from acoustics.estimate.locate import LocateOptions, first_pings
from acoustics.io.recording import Recording, load_recording
from acoustics.io.sidecar import Sidecar, read_sidecar
from acoustics.io.streams import stream_recording
from acoustics.study.validate.answer import (
    Answer,
    EstimatorFailure,
    answer_of_line,
    answer_of_ping,
    answer_of_table,
    short_reason,
)
from acoustics.study.validate.program import resolve_program, run_program

BUILT_IN = ("phase", "correlation", "phat", "onset")
DEFAULT_TIME_LIMIT_S = 10.0


@record
class Estimator:
    """An estimator by what it takes to reach it from any process.

    Attributes
    ----------
    name : str
        A built-in method, ``module:function``, or how a program is shown.
    program : tuple of str
        Argument list of a program; empty for the others.
    folder : str
        Where a module is looked for first.
    time_limit_s : float
        Of a program, for one ping [s].
    """

    name: str
    program: tuple[str, ...] = ()
    folder: str = ""
    time_limit_s: float = DEFAULT_TIME_LIMIT_S

    @property
    def is_built_in(self) -> bool:
        """Whether it is a method of `pingfix locate`, which measures several pings at once."""
        return self.name in BUILT_IN and not self.program


def choose_estimator(
    what: str | None = None, *, program: tuple[str, ...] = (), time_limit_s: float = DEFAULT_TIME_LIMIT_S
) -> Estimator:
    """The estimator of a name, or a program, found before any ping is sounded.

    Raises
    ------
    ParameterError
        If both or neither are given, there is no such thing, or the time limit is not above 0.
    """
    if (what is None) == (not program):
        raise ParameterError("name one estimator: a built-in or module:function, or a program")
    if not 0 < time_limit_s <= 86_400:
        raise ParameterError(f"time_limit_s={time_limit_s} must be above 0 and at most a day")
    if program:
        return Estimator(Path(program[-1]).name, resolve_program(program), time_limit_s=time_limit_s)
    assert what is not None
    if what in BUILT_IN:
        return Estimator(what)
    if what.count(":") != 1:
        raise ParameterError(
            f"estimator {what!r}: expected {', '.join(BUILT_IN)} or module:function; a program follows after --"
        )
    found = Estimator(what, folder=str(Path.cwd()))
    _function(found.name, found.folder)
    return found


def ask(estimator: Estimator, recording: Path, sidecar: Path) -> Answer:
    """What an estimator answers about the one ping in a recording. It is given these two files and nothing else.

    Raises
    ------
    EstimatorFailure
        With the reason, whatever goes wrong inside the estimator.
    """
    if estimator.program:
        arguments = (*estimator.program, str(recording), str(sidecar))
        return answer_of_line(run_program(arguments, folder=recording.parent, time_limit_s=estimator.time_limit_s))
    try:
        if estimator.is_built_in:
            return _built_in(estimator.name, [(recording, sidecar)])[0]
        loaded, function = load_recording(recording, sidecar=sidecar), _function(estimator.name, estimator.folder)
        with contextlib.redirect_stdout(sys.stderr):  # standard output is for the result
            answer = function(loaded, read_sidecar(sidecar))
    except (Exception, SystemExit) as error:
        raise EstimatorFailure(short_reason(f"raised {type(error).__name__}: {error}")) from None
    return answer if isinstance(answer, Answer) else answer_of_table(answer)


def ask_each(estimator: Estimator, files: Sequence[tuple[Path, Path]]) -> list[Answer | EstimatorFailure]:
    """What an estimator answers about each of several recordings with their sidecars, or why it does not.

    A built-in method measures their pings together, each with the answer that it has alone.
    """
    if estimator.is_built_in:
        with contextlib.suppress(Exception):  # what one recording does to it is told by asking about each alone
            return list(_built_in(estimator.name, files))
    return [_asked(estimator, recording, sidecar) for recording, sidecar in files]


def _asked(estimator: Estimator, recording: Path, sidecar: Path) -> Answer | EstimatorFailure:
    try:
        return ask(estimator, recording, sidecar)
    except EstimatorFailure as failure:
        return failure


def _built_in(method: str, files: Sequence[tuple[Path, Path]]) -> list[Answer]:
    """The whole path of `pingfix locate` with one of its methods; of several pings found the first counts."""
    notes = [read_sidecar(sidecar) for _, sidecar in files]
    streams = [stream_recording(recording, its) for (recording, _), its in zip(files, notes, strict=True)]
    pings = first_pings(zip(streams, notes, strict=True), LocateOptions(method))
    return [Answer(refused="no ping was found") if ping is None else answer_of_ping(ping) for ping in pings]


@lru_cache
def _function(name: str, folder: str) -> Callable[[Recording, Sidecar], Any]:
    """A function of a module, looked for in `folder` first.

    Raises
    ------
    ParameterError
        If module or function are not there, or it cannot be called.
    """
    module, _, attribute = name.partition(":")
    if folder not in sys.path:
        sys.path.insert(0, folder)
    try:
        function = getattr(importlib.import_module(module), attribute)
    except (Exception, SystemExit) as error:
        raise ParameterError(short_reason(f"estimator {name}: {type(error).__name__}: {error}")) from None
    if not callable(function):
        raise ParameterError(f"estimator {name}: is no function")
    found: Callable[[Recording, Sidecar], Any] = function
    return found
