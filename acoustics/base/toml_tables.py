"""Tables of TOML and JSON files: an object of their class out, and one clear line for whatever is wrong."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from acoustics.base.errors import InputError
from acoustics.base.table_model import LARGEST_NUMBER, TableModel

Model = TypeVar("Model", bound=TableModel)

_LARGEST_FILE_BYTES = 1_000_000  # a scenario is a page of text; more is the wrong file
_TWICE = re.compile(r"Cannot declare \((.+?),?\) twice")  # the reader's words; a table is a tuple of its parts
_LONGEST_VALUE_SHOWN = 60
_MOST_FAULTS = 50  # a wrong file has them by the thousand; a reader mends a page
# A key of n parts costs the TOML reader n^2 memory; ours have three at most. The look-behind keeps this linear.
_ENDLESS_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){32}""")


def _in_plain_words(error: str) -> str:
    """What the TOML reader says, a table that is opened twice by its name in the file."""
    found = _TWICE.search(error)
    if found is None:
        return error
    name = ".".join(part.strip(" '") for part in found[1].split(","))
    return f"the table [{name}] is opened twice; keep all its keys in one{error[found.end() :]}"


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file.

    Raises
    ------
    InputError
        If the file cannot be read, is too large to be one of ours, or is not TOML.
    """
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE_BYTES + 1)  # not by its size, which a pipe or a device does not tell
        if len(content) > _LARGEST_FILE_BYTES:
            raise InputError(
                str(path), "", f"larger than {_LARGEST_FILE_BYTES:,} bytes, so not a file of tables that pingfix reads"
            )
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
        if _ENDLESS_KEY.search(text):
            raise InputError(str(path), "", "is nested too deeply: a key of more than 32 parts")
        return tomllib.loads(text)
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except UnicodeDecodeError:
        raise InputError(str(path), "", "is not UTF-8 text; expected a TOML file") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(str(path), "", f"is not valid TOML: {_in_plain_words(str(error))}") from None
    except RecursionError:
        raise InputError(str(path), "", "is nested too deeply") from None
    except ValueError:  # of Python's own, for whole numbers of thousands of digits
        raise InputError(str(path), "", "holds a number of too many digits") from None


def read_json(path: Path, most_bytes: int, what: str) -> Any:
    """The value in a JSON file, which is to be `what`.

    Raises
    ------
    InputError
        If the file cannot be read, has over `most_bytes`, or is not JSON.
    """
    try:
        with path.open("rb") as file:
            content = file.read(most_bytes + 1)  # not by its size, which a pipe or a device does not tell
        if len(content) > most_bytes:
            raise InputError(str(path), "", f"larger than {most_bytes:,} bytes, so not {what}")
        return json.loads(content.decode("utf-8-sig"))
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (ValueError, RecursionError) as error:
        raise InputError(str(path), "", f"is not valid JSON: {error}") from None


def validated(model: type[Model], table: Any, source: str) -> Model:
    """A table as an object of its class.

    Raises
    ------
    InputError
        If keys are missing, unknown or wrong; names `source` and the key of each.
    """
    try:
        return model.model_validate(table)
    except ValidationError as error:
        raise _refusal(error, source) from None
    except RecursionError:
        raise InputError(source, "", "is nested too deeply") from None


def _refusal(error: ValidationError, source: str) -> InputError:
    """Everything that is wrong with a table."""
    faults: list[dict[str, Any]] = [dict(fault) for fault in error.errors(include_url=False)]
    # What holds a wrong item is counted wrong as well; a reader has one thing to change.
    inner = {fault["loc"][:n] for fault in faults for n in range(len(fault["loc"]))}
    faults = [f for k, f in enumerate(faults) if f["type"] == "value_error" or f["loc"] not in inner or k == 0]
    lines = dict.fromkeys((_key(fault["loc"]), _problem(fault)) for fault in faults)
    first, *more = lines
    return InputError(source, *first, tuple(InputError(source, *line) for line in more[: _MOST_FAULTS - 1]))


def _key(location: tuple[int | str, ...]) -> str:
    """`('pinger', 0, 'position_m', 2)` becomes `pinger[1].position_m[3]`: counted from one, as people do."""
    text = ""
    for part in location:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _problem(error: dict[str, Any]) -> str:
    kind, message = error["type"], str(error["msg"])
    if kind == "missing":
        return "is missing"
    if kind == "value_error":
        return message.removeprefix("Value error, ")
    if kind in ("model_type", "tuple_type"):
        return f"expected a {'table' if kind == 'model_type' else 'list'}, got {type(error['input']).__name__}"
    if kind == "too_short":
        return f"expected {error['ctx']['min_length']} or more, got {error['ctx']['actual_length']}"
    if kind == "too_long":
        return f"expected at most {error['ctx']['max_length']}, got {error['ctx']['actual_length']}"
    expected = message.removeprefix("Input ").replace("valid ", "").replace("a integer", "an integer")
    return f"{expected}, got {shown(error['input'])}{_in_another_unit(error)}"


def _in_another_unit(error: dict[str, Any]) -> str:
    """A hint where the value would fit if it had been meant in the unit that people slip into; else ''."""
    key = next((part for part in reversed(error["loc"]) if isinstance(part, str)), "")
    value, limits = error["input"], error.get("ctx", {})
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > LARGEST_NUMBER:
        return ""
    meant = {
        ("_hz", "ge"): ("kilohertz", value * 1e3),
        ("_s", "le"): ("milliseconds", value / 1e3),
        ("_m", "le"): ("millimetres", value / 1e3),
        ("_degc", "le"): ("degrees Fahrenheit", (value - 32) / 1.8),
    }
    for (ending, limit), (unit, instead) in meant.items():
        if key.endswith(ending) and not key.endswith("_m_s") and limit in limits:
            fits = instead >= limits[limit] if limit == "ge" else instead <= limits[limit]
            return f"; if these are {unit}, write {instead:.7g}" if fits and value > 0 else ""
    return ""


def shown(value: object) -> str:
    """A value as an error shows it: on one line, and not endless."""
    try:
        text = " ".join(repr(value).split())
    except RecursionError:
        return "a value nested too deeply"
    return text if len(text) <= _LONGEST_VALUE_SHOWN else text[: _LONGEST_VALUE_SHOWN - 3] + "..."
