"""Files to be set side by side: scenarios, and arrays that take the place of a scenario's own."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acoustics.base.errors import InputError, ParameterError
from acoustics.base.toml_tables import read_toml
from acoustics.scene.array import Array
from acoustics.scene.scenario import load_array, load_scene
from acoustics.scene.scene import Scene


def load_alternatives(files: Sequence[str]) -> dict[str, Scene]:
    """Read each as a scenario, or as an array that stands in the first scenario among them.

    Parameters
    ----------
    files : sequence of str
        Scenario files, array files, and names of shipped arrays.

    Returns
    -------
    dict of str to Scene
        In their order, by the files' names without folder and ending, or by their paths where these are alike.

    Raises
    ------
    InputError
        If a file is wrong, or an array does not fit into the scenario; names the file.
    ParameterError
        If a file is given twice, or there are arrays only.
    """
    if twice := sorted({file for file in files if files.count(file) > 1}):
        raise ParameterError(f"{twice[0]} is given twice; name each alternative once")
    read = {file: load_array(file) if _is_array(file) else load_scene(file) for file in files}
    scenes = [found for found in read.values() if isinstance(found, Scene)]
    if not scenes:
        raise ParameterError("only arrays are given; name a scenario too, in which they are to stand")
    stems = [Path(file).stem for file in files]
    names = files if len(set(stems)) < len(stems) else stems
    return {
        name: found if isinstance(found, Scene) else _with_array(scenes[0], found, file)
        for name, (file, found) in zip(names, read.items(), strict=True)
    }


def _is_array(file: str) -> bool:
    """Whether it names a shipped array or is a file with hydrophones and no water."""
    if Path(file).suffix != ".toml":
        return not Path(file).exists()
    table = read_toml(Path(file))
    return "hydrophone" in table and "water" not in table


def _with_array(scene: Scene, array: Array, file: str) -> Scene:
    """The scene with that array, mounted where its own is unless the array's file says where."""
    if "mount_m" not in array.model_fields_set:
        array = array.model_copy(update={"mount_m": scene.array.mount_m})
    try:
        return scene.changed({"array": array})
    except InputError as error:
        raise InputError(f"{file} in {scene.title}", error.key, error.problem) from None
