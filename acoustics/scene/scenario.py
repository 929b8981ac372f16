"""Scenario and array files: TOML in, Scene or Array out, and one clear line for whatever is wrong."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from acoustics.base.errors import InputError
from acoustics.scene.array import Array
from acoustics.scene.model import SceneModel
from acoustics.scene.scene import Scene
from acoustics.scene.water import Water

Model = TypeVar("Model", bound=SceneModel)

_LARGEST_FILE_BYTES = 1_000_000  # a scenario is a page of text; more is the wrong file
_LONGEST_VALUE_SHOWN = 60
# A key of n parts costs the TOML reader n^2 memory; ours have three at most. The look-behind keeps this linear.
_ENDLESS_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){32}""")


def load_scene(path: str | Path) -> Scene:
    """Read a scenario file.

    Parameters
    ----------
    path : str or Path
        TOML file; its `[array]` table may name a shipped array (`use`) or a file beside it (`file`).

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or describes an impossible scene; names file and key.
    """
    path = Path(path)
    table = _read_toml(path)
    array = table.get("array")
    if isinstance(array, dict) and ("use" in array or "file" in array):
        table["array"] = _resolve_array(array, path)
    return _validate(Scene, table, str(path))


def load_array(name_or_path: str | Path) -> Array:
    """Read an array definition: a shipped one by its name, or a TOML file by its path.

    Raises
    ------
    InputError
        If there is no such array, or its file is wrong.
    """
    path = Path(name_or_path)
    if path.suffix != ".toml":
        known = shipped("arrays")
        if str(name_or_path) not in known:
            raise InputError(str(name_or_path), "", f"no shipped array of that name; known: {', '.join(known)}")
        path = known[str(name_or_path)]
    return _validate(Array, _read_toml(path), str(path))


def shipped(folder: str) -> dict[str, Path]:
    """Files that come with pingfix, by name: `folder` is 'arrays' or 'examples'."""
    inside = resources.files("acoustics") / "_shipped" / folder
    # In a checkout the folder stands beside the package instead of inside it.
    root = Path(str(inside)) if inside.is_dir() else Path(__file__).parent.parent.parent / folder
    return {path.stem: path for path in sorted(root.glob("*.toml"))}


def _resolve_array(table: dict[str, Any], scenario: Path) -> dict[str, Any]:
    """Put the definition that `use` or `file` names in place of the reference; other keys override it."""
    references = [key for key in ("use", "file") if key in table]
    if len(references) == 2:
        raise InputError(str(scenario), "array", "use and file exclude each other; keep one of them")
    reference = table[references[0]]
    if not isinstance(reference, str):
        raise InputError(str(scenario), f"array.{references[0]}", f"expected text, got {_shown(reference)}")
    if "hydrophone" in table:
        raise InputError(str(scenario), "array", f"{references[0]} and hydrophone exclude each other; keep one of them")
    if references[0] == "use":
        known = shipped("arrays")
        if reference not in known:
            raise InputError(str(scenario), "array.use", f"no shipped array {reference!r}; known: {', '.join(known)}")
        path = known[reference]
    else:
        path = scenario.parent / reference
    definition = _read_toml(path)
    _validate(Array, definition, str(path))
    return definition | {key: value for key, value in table.items() if key not in ("use", "file")}


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE_BYTES + 1)  # not by its size, which a pipe or a device does not tell
        if len(content) > _LARGEST_FILE_BYTES:
            raise InputError(
                str(path), "", f"larger than {_LARGEST_FILE_BYTES:,} bytes, so not a scenario or array file"
            )
        text = content.decode("utf-8").replace("\r\n", "\n")
        if _ENDLESS_KEY.search(text):
            raise InputError(str(path), "", "is nested too deeply: a key of more than 32 parts")
        return tomllib.loads(text)
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except UnicodeDecodeError:
        raise InputError(str(path), "", "is not UTF-8 text; expected a TOML file") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(str(path), "", f"is not valid TOML: {error}") from None
    except (RecursionError, ValueError) as error:
        raise InputError(str(path), "", f"is not a usable TOML file: {error}") from None


def _validate(model: type[Model], table: dict[str, Any], source: str) -> Model:
    try:
        return model.model_validate(table)
    except ValidationError as error:
        first, *more = error.errors(include_url=False)
        key, problem = _key(first["loc"]), _problem(dict(first))
        # What holds a wrong item is counted wrong as well; a reader has one thing to change.
        more = [e for e in more if e["loc"] != first["loc"][: len(e["loc"])]]
        others = f" (and {len(more)} more)" if more else ""
        raise InputError(source, key, problem + others) from None
    except RecursionError:
        raise InputError(source, "", "is nested too deeply") from None


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
    return f"{message.removeprefix('Input ').replace('valid ', '')}, got {_shown(error['input'])}"


def _shown(value: object) -> str:
    try:
        text = " ".join(repr(value).split())
    except RecursionError:
        return "a value nested too deeply"
    return text if len(text) <= _LONGEST_VALUE_SHOWN else text[: _LONGEST_VALUE_SHOWN - 3] + "..."


def make_water(**values: object) -> Water:
    """Water from values given elsewhere than in a file, held to the same rules.

    Raises
    ------
    InputError
        If a value is wrong; names the key.
    """
    return _validate(Water, dict(values), "water")
