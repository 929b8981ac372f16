"""The key reference, for the terminal and for the guide."""

from __future__ import annotations

import difflib
import textwrap

from acoustics.base.errors import ParameterError
from acoustics.scene.keys import Key, scenario_keys
from acoustics.scene.materials import MATERIALS

_WIDTH = 100


def explained(keys: tuple[Key, ...]) -> str:
    """What keys are, a paragraph each."""
    return "\n\n".join(map(_paragraph, keys))


def keys_named(name: str | None) -> tuple[Key, ...]:
    """The keys of that name, or of that table; all without one.

    Raises
    ------
    ParameterError
        No key has that name; says the nearest.
    """
    keys = scenario_keys()
    if name is None:
        return keys
    bare = [(key, key.key.replace("[]", "")) for key in keys]
    wanted = name.replace("[]", "")
    whole = [path for _, path in bare if f".{path}".endswith(f".{wanted}")]
    found = [key for key, path in bare if any(path == top or path.startswith(f"{top}.") for top in whole)]
    if not found:
        known = sorted({path.rsplit(".", 1)[-1] for _, path in bare} | {path for _, path in bare})
        close = difflib.get_close_matches(wanted, known, n=1, cutoff=0.4)
        hint = f"did you mean {close[0]!r}?" if close else "pingfix new --explain lists all"
        raise ParameterError(f"no key of a scenario is called {name!r}; {hint}")
    return tuple(found)


def key_page() -> str:
    """The guide's page of all keys, as Markdown."""
    lines = ["# The keys of a scenario", ""]
    lines += [
        "Made from the program's own models: `pingfix new --explain KEY` prints the same for one key; a table's name "
        "prints all in it. `[]` marks a table that may come several times.",
        "",
        "| key | what | unit | default | range |",
        "|---|---|---|---|---|",
    ]
    for key in scenario_keys():
        unit = key.unit or f"({key.kind})"
        lines.append(f"| `{key.key}` | {key.says} | {unit} | {key.default} | {key.limits} |")
    lines += ["", "## Materials", "", "For `pool.walls` and `pool.floor`. A layer lies on the water's side.", ""]
    lines += ["| name | what | density, speed, shear speed | layer | source |", "|---|---|---|---|---|"]
    for name, material in MATERIALS.items():
        lines.append(
            f"| `{name}` | {material.what} | {_body(material.behind)} | {_layer(material.layer)} | {material.source} |"
        )
    return "\n".join(lines) + "\n"


def _body(values: dict[str, float]) -> str:
    return f"{values['density_kg_m3']:g} kg/m^3, {values['speed_m_s']:g} m/s, {values.get('shear_speed_m_s', 0):g} m/s"


def _layer(values: dict[str, float]) -> str:
    return f"{1e3 * values['thickness_m']:g} mm of {_body(values)}" if values else ""


def _paragraph(key: Key) -> str:
    facts = [
        key.kind,
        key.unit,
        f"default {key.default}" if key.default[:4] not in ("", "must") else key.default,
        key.limits,
    ]
    head = f"{key.key}  ({', '.join(fact for fact in facts if fact)})"
    return "\n".join([head, *textwrap.wrap(key.says, _WIDTH, initial_indent="    ", subsequent_indent="    ")])
