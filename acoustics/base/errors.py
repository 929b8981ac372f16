"""The errors that pingfix raises on purpose. The command line turns every one into one line and exit code 2."""

from __future__ import annotations


class PingfixError(Exception):
    """Root of the family: catch this to catch everything that pingfix refuses."""


class ParameterError(PingfixError, ValueError):
    """An argument of a function is outside what the function accepts."""


class SceneError(ParameterError):
    """What is asked for cannot be done in this scene. Whoever loaded it knows the file."""


# A whole path fits, a page of text given for a name does not.
_LONGEST_PART = 1000


def on_one_line(text: str) -> str:
    """Text from a file, fit for one line of a terminal: line breaks and escape codes written out, cut if endless."""
    shown = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text[:_LONGEST_PART])
    return shown if len(text) <= _LONGEST_PART else shown + "..."


class InputError(PingfixError):
    """A file from the user is wrong. The text names the file, the key and what was expected.

    Parameters
    ----------
    source : str
        File (or other origin) that holds the fault.
    key : str
        Dotted path of the key, empty when the file as a whole is wrong.
    problem : str
        What was wrong and what was expected.
    others : tuple of InputError
        What else is wrong with the same file.
    """

    def __init__(self, source: str, key: str, problem: str, others: tuple[InputError, ...] = ()) -> None:
        self.source, self.key, self.problem, self.others = source, key, problem, others
        more = f" (and {len(others)} more)" if others else ""
        super().__init__(self._line() + more)

    @property
    def lines(self) -> tuple[str, ...]:
        """Everything that is wrong, a line each."""
        return (self._line(), *(line for other in self.others for line in other.lines))

    def _line(self) -> str:
        return ": ".join(on_one_line(part) for part in (self.source, self.key, self.problem) if part)


class OutputError(PingfixError):
    """A result cannot be written: it exists already, the folder is missing or cannot be written to."""

    def __init__(self, problem: str) -> None:
        super().__init__(on_one_line(problem))


class ValidityWarning(UserWarning):
    """A formula is used outside the range that its source gives. The value is returned, and not to be relied on."""
