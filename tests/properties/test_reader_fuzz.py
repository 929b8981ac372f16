"""Whatever is in a file, it loads or gives one line that starts with the file's name: nothing else, ever."""

from __future__ import annotations

import copy
import json
import random
import tomllib

import damage
import numpy as np
import pytest
from readers import FILES, loads_or_says_why

from acoustics.scene.scenario import load_scene
from acoustics.study.validate.answer import EstimatorFailure, answer_of_line

JSON_FILES = ["pings", "sidecar"]
ODD_VALUES = [
    "0", "-1", "1e-308", "1e155", "1e308", "-1e308", "1e400", "nan", "-inf", "true", '""', '"x"', '"a\\nb\\u001b[31m"',
    '"\\u0000"', "[]", "[[]]", "{}", "{a = 1}", "1" + "0" * 400, "9223372036854775807", "1979-05-27", "07:32:00",
    "[1.0, 2.0, 3.0]", "[1e300, 1e300, 1e300]",
]  # fmt: skip


class Raw(str):
    """Text that stands in the file as it is."""


def written(value):
    """A value as TOML."""
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {written(v)}" for key, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(written(v) for v in value) + "]"
    return json.dumps(value)


def places(value, here=()):
    """Every key and index of a parsed file, however deep."""
    if here:
        yield here
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield from places(inner, (*here, key))


def with_value(table, place, value):
    """The parsed file with one value changed."""
    table = copy.deepcopy(table)
    inner = table
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    return table


def as_toml(table, place, value):
    changed = with_value(table, place, Raw(value))
    return "\n".join(f"{key} = {written(v)}" for key, v in changed.items()).encode()


def as_json(table, place, value):
    return json.dumps(with_value(table, place, "@")).replace('"@"', value, 1).encode()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mallard-basin", "fennel-reservoir", "mixed-5", *JSON_FILES])
def test_every_key_takes_every_odd_value_or_refuses_it(name, tmp_path):
    load, ending, content = FILES[name]
    if name in JSON_FILES:
        table, text = json.loads(content.split(b"\n{")[0] if name == "pings" else content), as_json
    else:
        table, text = tomllib.loads(content.decode()), as_toml
    rng = random.Random(name)
    for place in places(table):
        for value in rng.sample([*ODD_VALUES, "null"], 4):
            loads_or_says_why(load, tmp_path / f"odd{ending}", text(table, place, value))


@pytest.mark.parametrize("change", damage.CHANGES)
@pytest.mark.slow
def test_damaged_files_load_or_are_refused(change, tmp_path):
    rng = random.Random(change.__name__)
    for _ in range(300):
        name = rng.choice(sorted(FILES))
        load, ending, content = FILES[name]
        loads_or_says_why(load, tmp_path / f"{name}{ending}", change(content, rng))


ANSWERS = [
    b'{"bearing_deg": 12.5, "depression_deg": 3.5, "bearing_sd_deg": 1.5}\n',
    b'{"bearings_deg": [12.5, 167.5], "position_m": [1.5, 2.5, 3.5]}\n',
    b'{"refused": "too weak"}\n',
]


@pytest.mark.parametrize("change", damage.CHANGES)
def test_damaged_answers_of_a_program_count_or_fail_with_a_reason(change):
    rng = random.Random(change.__name__)
    for _ in range(200):
        try:
            answer = answer_of_line(change(rng.choice(ANSWERS), rng))
        except EstimatorFailure as failure:
            assert 0 < len(str(failure)) < 300 and str(failure).isprintable()
        else:
            assert answer.refused or np.isfinite(answer.bearings).all()


@pytest.mark.parametrize("depth", [40, 400, 3000, 200_000])
@pytest.mark.parametrize("nest", [
    lambda n: b".".join([b"a"] * n) + b" = 1",
    lambda n: b"title." + b".".join([b"a"] * n) + b" = 1",
    lambda n: b"title." + b" . ".join([b'"a"'] * n) + b" = 1",
    lambda n: b"[" + b".".join([b"a"] * n) + b"]",
    lambda n: b"title = " + b"[" * n + b"]" * n,
    lambda n: b"title = " + b"{a = " * n + b"1" + b"}" * n,
    lambda n: b"array.use." + b".".join([b"a"] * n) + b" = 1",
    lambda n: b"title = '" + b"a" * n + b"'",
    lambda n: b"[pool]\nwalls = '" + b"a" * n + b"'",
    lambda n: b"a" * n + b" = 1",
])  # fmt: skip
def test_deep_and_endless_files_are_refused_in_no_time(nest, depth, tmp_path):
    assert not loads_or_says_why(load_scene, tmp_path / "deep.toml", nest(depth))
