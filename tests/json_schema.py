"""JSON Schema of what `--json` prints, made from the types of the results: what a test holds the shipped files to.

Not by pydantic's `TypeAdapter`: results hold numpy arrays, which it knows only if every dataclass says so in a
configuration of its own. And what it writes must be changed in each place: a float may be null, since JSON has no
infinity, and a field with a default is printed all the same. That takes more code than to follow the types here.

Run as a program, it writes the shipped files, and the guide's page of keys, again, for a change of the output that is wanted.
"""

from __future__ import annotations

import json
import types
from dataclasses import fields, is_dataclass
from importlib import import_module
from inspect import cleandoc
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from acoustics.present.text.keys import key_page
from acoustics.scene.model import SceneModel

FOLDER = Path(__file__).parent.parent / "examples" / "guide" / "schema"
# `new` and `validate --export` name the files they wrote, and `locate` prints lines of its own kind: see ping.json.
RESULTS = {
    "check": ["acoustics.study.check.Summary"],
    "sound-speed": ["acoustics.study.sound_speed.WaterColumn"],
    "spacing": ["acoustics.study.spacing.study.SpacingStudy"],
    "place": ["acoustics.study.place.study.Placement"],
    "compare": ["acoustics.study.compare.Comparison"],
    "map": ["acoustics.study.map.study.PoolMap"],
    "budget": ["acoustics.study.budget.Budget"],
    "stations": ["acoustics.study.stations.study.StationStudy"],
    "rehearse": ["acoustics.study.rehearse.study.Rehearsal"],
    "waypoints": ["acoustics.study.waypoints.study.WaypointsStudy"],
    "simulate": ["acoustics.study.simulate.recording.SimulatedRecording"],
    "fuse": ["acoustics.study.fuse.FusedRun", "acoustics.study.live.running.LiveAnswer"],
    "spectrum": ["acoustics.study.spectrum.Spectrum"],
    "validate": ["acoustics.study.validate.study.Validation"],
    "calibrate": [
        "acoustics.study.calibrate.plan.CalibrationPlan",
        "acoustics.study.calibrate.array.CalibratedArray",
    ],
    "checklist": ["acoustics.study.checklist.DayPlan"],
    "report": ["acoustics.study.report.contents.Report"],
    "selfcheck": ["acoustics.study.selfcheck.study.SelfCheck"],
}
_ARRAY = {
    "description": "Nested arrays; null: infinite or not there.",
    "type": "array",
    "items": {"anyOf": [{"type": ["number", "boolean", "string", "null"]}, {"$ref": "#/$defs/array"}]},
}
_PLAIN: dict[Any, Any] = {
    # What is infinite or does not exist becomes null.
    float: {"type": ["number", "null"]},
    int: {"type": "integer"},
    bool: {"type": "boolean"},
    str: {"type": "string"},
    Path: {"type": "string"},
    type(None): {"type": "null"},
}


def schema_of(command: str) -> dict[str, Any]:
    """The schema of one command's JSON, for what its result's types say."""
    definitions: dict[str, Any] = {}
    kinds = []
    for name in RESULTS[command]:
        module, kind = name.rsplit(".", 1)
        kinds.append(_schema(getattr(import_module(module), kind), definitions))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"pingfix {command} --json",
        **(kinds[0] if len(kinds) == 1 else {"anyOf": kinds}),
        "$defs": dict(sorted(definitions.items())),
    }


def _schema(kind: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    origin, of = get_origin(kind), get_args(kind)
    if kind in _PLAIN:
        return dict(_PLAIN[kind])
    if origin is Literal:
        return {"enum": list(of)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema(one, definitions) for one in of]}
    if origin is np.ndarray or kind is np.ndarray:
        definitions["array"] = _ARRAY
        return {"$ref": "#/$defs/array"}
    if origin in (tuple, list):
        if origin is list or of[-1] is Ellipsis:
            return {"type": "array", "items": _schema(of[0], definitions)}
        return {"type": "array", "prefixItems": [_schema(one, definitions) for one in of], "items": False}
    if origin is dict:
        return {"type": "object", "additionalProperties": _schema(of[1], definitions)}
    if is_dataclass(kind):
        return _named(kind, definitions)
    if isinstance(kind, type) and issubclass(kind, SceneModel):
        made = kind.model_json_schema(mode="serialization", by_alias=True, ref_template="#/$defs/{model}")
        definitions |= made.pop("$defs", {})
        definitions[kind.__name__] = made
        return {"$ref": f"#/$defs/{kind.__name__}"}
    raise TypeError(f"no JSON Schema for {kind!r}")


def _named(kind: type, definitions: dict[str, Any]) -> dict[str, Any]:
    """A dataclass as an object of its fields, defined once under its name."""
    if kind.__name__ not in definitions:
        definitions[kind.__name__] = {}
        hints = get_type_hints(kind)
        names = [field.name for field in fields(kind)]
        definitions[kind.__name__] = {
            "description": cleandoc(kind.__doc__ or ""),
            "type": "object",
            "properties": {name: _schema(hints[name], definitions) for name in names},
            "required": names,
            "additionalProperties": False,
        }
    return {"$ref": f"#/$defs/{kind.__name__}"}


if __name__ == "__main__":
    for command in RESULTS:
        (FOLDER / f"{command}.json").write_text(json.dumps(schema_of(command), indent=1) + "\n", encoding="utf-8")
    (FOLDER.parent / "keys.md").write_text(key_page(), encoding="utf-8")
