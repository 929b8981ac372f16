"""Whatever is in a file, it loads or gives one line that starts with the file's name: nothing else, ever."""

from __future__ import annotations

import copy
import json
import random
import re
import tomllib

import pytest

from acoustics.errors import InputError
from acoustics.scenario import load_array, load_scene, shipped

FILES = {
    **{name: (load_scene, path.read_bytes()) for name, path in shipped("examples").items()},
    **{name: (load_array, path.read_bytes()) for name, path in shipped("arrays").items()},
}
ODD_VALUES = [
    "0", "-1", "1e-308", "1e155", "1e308", "-1e308", "1e400", "nan", "-inf", "true", '""', '"x"', '"a\\nb\\u001b[31m"',
    '"\\u0000"', "[]", "[[]]", "{}", "{a = 1}", "1" + "0" * 400, "9223372036854775807", "1979-05-27", "07:32:00",
    "[1.0, 2.0, 3.0]", "[1e300, 1e300, 1e300]",
]  # fmt: skip


def loads_or_says_why(load, path, content):
    """Whether the file loads; if not, the error is the one line that a user should see."""
    path.write_bytes(content)
    try:
        load(path)
    except InputError as error:
        text = str(error)
        assert text.startswith(f"{path}: "), text
        assert text.isprintable(), text
        assert len(text) < 3000
        return False
    return True


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
    """The parsed file as text with one value changed."""
    table = copy.deepcopy(table)
    inner = table
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = Raw(value)
    return "\n".join(f"{key} = {written(v)}" for key, v in table.items()).encode()


@pytest.mark.parametrize("name", ["mallard-basin", "fennel-reservoir", "mixed-5"])
def test_every_key_takes_every_odd_value_or_refuses_it(name, tmp_path):
    load, content = FILES[name]
    table = tomllib.loads(content.decode())
    rng = random.Random(name)
    for place in places(table):
        for value in rng.sample(ODD_VALUES, 8):
            loads_or_says_why(load, tmp_path / "odd.toml", with_value(table, place, value))


def changed_bytes(content, rng):
    changed = bytearray(content)
    for _ in range(rng.randint(1, 8)):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def changed_lines(content, rng):
    lines = content.split(b"\n")
    for _ in range(rng.randint(1, 4)):
        i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
        change = rng.choice(["drop", "repeat", "swap"])
        if change == "drop":
            lines.pop(i)
        elif change == "repeat":
            lines.insert(j, lines[i])
        else:
            lines[i], lines[j] = lines[j], lines[i]
    return b"\n".join(lines)


def changed_number(content, rng):
    number = rng.choice(list(re.finditer(rb"-?\d+\.\d+", content)))
    value = rng.uniform(-1, 1) * 10.0 ** rng.randint(-320, 308)
    return content[: number.start()] + repr(value).encode() + content[number.end() :]


def swapped_values(content, rng):
    lines = content.split(b"\n")
    i, j = (rng.choice([k for k, line in enumerate(lines) if b" = " in line]) for _ in range(2))
    (key1, value1), (key2, value2) = lines[i].split(b" = ", 1), lines[j].split(b" = ", 1)
    lines[i], lines[j] = key1 + b" = " + value2, key2 + b" = " + value1
    return b"\n".join(lines)


def cut_short(content, rng):
    return content[: rng.randrange(len(content))]


def any_bytes(content, rng):
    return rng.randbytes(rng.randint(0, 200))


CHANGES = [changed_bytes, changed_lines, changed_number, swapped_values, cut_short, any_bytes]


@pytest.mark.parametrize("change", CHANGES)
def test_damaged_files_load_or_are_refused(change, tmp_path):
    rng = random.Random(change.__name__)
    for _ in range(250):
        load, content = FILES[rng.choice(sorted(FILES))]
        loads_or_says_why(load, tmp_path / "damaged.toml", change(content, rng))


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


@pytest.mark.parametrize("reference", ["a\nb", "\0", "", "..", "/", "/dev/zero", "/dev/null", "odd.toml", "a" * 5000])
def test_an_array_file_that_is_none_is_refused(reference, tmp_path):
    text = shipped("examples")["mallard-basin"].read_text()
    text = text.replace('use = "square-half-wave"', f"file = {json.dumps(reference)}")
    (tmp_path / "odd.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        load_scene(tmp_path / "odd.toml")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("key", ["title", "name"])
def test_line_breaks_and_escape_codes_in_names_are_refused(key, tmp_path):
    text = re.sub(
        f"^{key} = .*$", f'{key} = "a\\\\nb"', shipped("examples")["mallard-basin"].read_text(), flags=re.M, count=1
    )
    (tmp_path / "odd.toml").write_text(text)
    with pytest.raises(InputError, match=rf"{key}: .*must be one line of printable characters"):
        load_scene(tmp_path / "odd.toml")
