"""The keys of a scenario, read off the models that hold it: unit, default, range and one sentence each."""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Len, Lt, MaxLen, MinLen
from pydantic.fields import FieldInfo

from acoustics.base.record import record
from acoustics.base.table_model import TableModel
from acoustics.scene.scene import Scene

# A key's unit stands at its end; the longest ending that fits is the one.
_UNITS = {
    "_db_re_v_per_upa": "dB re 1 V/uPa",
    "_db_per_wavelength": "dB per wavelength",
    "_density_db": "dB re 1 uPa^2/Hz",
    "_level_db": "dB re 1 uPa",
    "level_db": "dB re 1 uPa",
    "_per_root_m": "m per root m",
    "_kg_m3": "kg/m^3",
    "_g_kg": "g/kg",
    "_m_s": "m/s",
    "_degc": "deg C",
    "_deg": "deg",
    "_ppm": "ppm",
    "_db": "dB",
    "_hz": "Hz",
    "_m": "m",
    "_s": "s",
    "_v": "V",
}
_OF_THE_KEY = {
    "drift_sd_m_per_root_m": "m per root m",
    "source_level_db": "dB re 1 uPa at 1 m",
    "sound_speed_m_s": "m/s",
    "practical_salinity": "1",
}
_LARGEST = 1e9  # limits as far out are no news


@record
class Key:
    """One key of a scenario.

    Attributes
    ----------
    key : str
        With its tables, `[]` after one that may come several times, as in `pinger[].q`.
    kind : str
        'number', 'whole number', 'text', 'true or false', or what it holds.
    unit, default, limits : str
        As people write them; empty: none. `default` is 'must be given' where there is none.
    says : str
        What it is, and how to find your own value.
    """

    key: str
    kind: str
    unit: str
    default: str
    limits: str
    says: str


@record
class Assumed:
    """A key that the scenario leaves out, and the value that counts instead."""

    key: str
    value: str
    says: str


def scenario_keys() -> tuple[Key, ...]:
    """Every key that a scenario may have, in the order of the models."""
    return tuple(_keys_of(Scene, ""))


def assumed_values(scene: Scene) -> tuple[Assumed, ...]:
    """What of water, pingers, array, recorder, noise and vehicle a scenario does not say, and what counts instead.

    Keys without a value of their own (such as an ambient noise that follows from the wind), names, and the tables
    that only say what to study are left out.
    """
    several = len(scene.pingers) > 1
    pingers = [(f"pinger[{i}]" if several else "pinger", p) for i, p in enumerate(scene.pingers, 1)]
    found = [assumed for key, pinger in pingers for assumed in _assumed_in(pinger, key)]
    # What hydrophones leave out is one line, not one for each.
    found += {a.key: a for h in scene.array.hydrophones for a in _assumed_in(h, "hydrophone")}.values()
    parts = {"recorder": scene.recorder, "noise": scene.noise, "vehicle": scene.vehicle, "water": scene.water}
    found += [assumed for key, part in parts.items() for assumed in _assumed_in(part, key)]
    if "walls" not in scene.pool.model_fields_set and scene.pool.outline_m is not None:
        found.append(Assumed("pool.walls", scene.pool.walls.name, _says(type(scene.pool).model_fields["walls"])))
    if "floor" not in scene.pool.model_fields_set and scene.pool.has_floor:
        found.append(Assumed("pool.floor", scene.pool.floor.name, _says(type(scene.pool).model_fields["floor"])))
    return tuple(found)


def _assumed_in(part: TableModel, where: str) -> Iterator[Assumed]:
    for name, field in type(part).model_fields.items():
        value = getattr(part, name)
        if name in part.model_fields_set or name == "name" or value is None or value == ():
            continue
        unit = _unit(name)
        yield Assumed(f"{where}.{name}", f"{_shown(value)} {unit}".rstrip(), _says(field))


def _keys_of(model: type[TableModel], where: str) -> Iterator[Key]:
    for name, field in model.model_fields.items():
        key = f"{where}{field.alias or name}"
        inner, several = _tables(field.annotation)
        yield Key(
            key=key + ("[]" if several else ""),
            kind=_kind(field.annotation, bool(inner)),
            unit=_unit(name),
            default=_default(field),
            limits=_limits(field),
            says=_says(field),
        )
        seen: set[str] = set()
        for table in inner:
            for row in _keys_of(table, key + ("[]." if several else ".")):
                if row.key not in seen:
                    seen.add(row.key)
                    yield row


def _tables(annotation: Any) -> tuple[list[type[TableModel]], bool]:
    """Models inside a type, and whether there may be several."""
    if isinstance(annotation, type) and issubclass(annotation, TableModel):
        return [annotation], False
    found, several = [], False
    for part in get_args(annotation):
        inner, more = _tables(part)
        found += inner
        several |= more or (bool(inner) and get_origin(annotation) is tuple)
    return found, several


def _kind(annotation: Any, is_table: bool) -> str:
    if is_table:
        return "table"
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _kind(parts[0], False)
    if origin in (Union, types.UnionType):
        return _kind(next(part for part in parts if part is not type(None)), False)
    if origin is Literal:
        return " or ".join(f'"{part}"' for part in parts)
    if origin is tuple:
        inner = _kind(parts[0], False)
        return f"list: {inner}s" if parts[-1] is ... else f"[{', '.join(_kind(part, False) for part in parts)}]"
    return {float: "number", int: "whole number", str: "text", bool: "true or false"}[annotation]


def _unit(name: str) -> str:
    if name in _OF_THE_KEY:
        return _OF_THE_KEY[name]
    fitting = [ending for ending in _UNITS if name.endswith(ending)]
    return _UNITS[max(fitting, key=len)] if fitting else ""


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "must be given"
    value = field.get_default()
    return (
        ""
        if value is None or value == () or isinstance(value, TableModel) and not hasattr(value, "name")
        else _shown(value)
    )


def _shown(value: Any) -> str:
    if isinstance(value, TableModel):
        return str(getattr(value, "name", ""))
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(_shown, value))}]"
    return str(value)


def _limits(field: FieldInfo) -> str:
    """Range of a number, or how many there may be, from what the type says at any depth."""
    rules = [*field.metadata, *_rules(field.annotation)]
    low = next(
        (r for r in rules if isinstance(r, Ge | Gt) and abs(float(getattr(r, "ge", getattr(r, "gt", 0)))) < _LARGEST),
        None,
    )
    high = next(
        (r for r in rules if isinstance(r, Le | Lt) and abs(float(getattr(r, "le", getattr(r, "lt", 0)))) < _LARGEST),
        None,
    )
    words = []
    if isinstance(low, Ge):
        words.append(f"from {low.ge:g}")
    elif low is not None:
        words.append(f"above {low.gt:g}")
    if isinstance(high, Le):
        words.append(f"to {high.le:g}")
    elif high is not None:
        words.append(f"below {high.lt:g}")
    counts = _counts(field.metadata)
    return "; ".join(part for part in (" ".join(words), counts if field.annotation is not str else "") if part)


def _counts(rules: list[Any]) -> str:
    least = max((r.min_length for r in rules if isinstance(r, MinLen | Len)), default=0)
    most = min((r.max_length for r in rules if isinstance(r, MaxLen | Len) and r.max_length), default=None)
    if most is None:
        return ""
    return f"{least} to {most} of them" if least else f"at most {most} of them"


def _rules(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) is Annotated:
        for rule in annotation.__metadata__:
            if isinstance(rule, FieldInfo):
                yield from rule.metadata
            else:
                yield rule
    if isinstance(annotation, type):
        return
    for part in get_args(annotation):
        yield from _rules(part)


def _says(field: FieldInfo) -> str:
    return field.description or ""
