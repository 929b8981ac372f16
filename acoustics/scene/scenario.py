"""Scenario and array files: TOML in, Scene or Array out, and one clear line for whatever is wrong."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

from acoustics.base.errors import InputError
from acoustics.base.toml_tables import read_toml, shown, validated
from acoustics.scene.array import Array
from acoustics.scene.scene import Scene
from acoustics.scene.water import Water


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
    table = read_toml(path)
    array = table.get("array")
    if isinstance(array, dict) and ("use" in array or "file" in array):
        try:
            table["array"] = _resolve_array(array, path)
        except InputError as error:
            raise _with_the_rest(error, table, path) from None
    return validated(Scene, table, str(path))


def _with_the_rest(error: InputError, table: dict[str, Any], path: Path) -> InputError:
    """What is wrong with the reference to an array, and with the tables beside it."""
    try:
        validated(Scene, {key: value for key, value in table.items() if key != "array"}, str(path))
    except InputError as found:
        others = [InputError(e.source, e.key, e.problem) for e in (found, *found.others) if e.key != "array"]
        return InputError(error.source, error.key, error.problem, (*error.others, *others))
    return error


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
    return validated(Array, read_toml(path), str(path))


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
        raise InputError(str(scenario), f"array.{references[0]}", f"expected text, got {shown(reference)}")
    if "hydrophone" in table:
        raise InputError(str(scenario), "array", f"{references[0]} and hydrophone exclude each other; keep one of them")
    if references[0] == "use":
        known = shipped("arrays")
        if reference not in known:
            raise InputError(str(scenario), "array.use", f"no shipped array {reference!r}; known: {', '.join(known)}")
        path = known[reference]
    else:
        path = scenario.parent / reference
    definition = read_toml(path)
    validated(Array, definition, str(path))
    return definition | {key: value for key, value in table.items() if key not in ("use", "file")}


def make_water(**values: object) -> Water:
    """Water from values given elsewhere than in a file, held to the same rules.

    Raises
    ------
    InputError
        If a value is wrong; names the key.
    """
    return validated(Water, dict(values), "water")
