"""Whatever is in a file, it loads or gives one line that starts with the file's name: nothing else, ever."""

from __future__ import annotations

import copy
import importlib.util
import io
import json
import random
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from acoustics.base.errors import InputError
from acoustics.io.navigation import COLUMNS, read_navigation
from acoustics.io.ping import Candidate, NavigatedPose, Ping
from acoustics.io.ping_lines import ping_line, read_pings
from acoustics.io.sidecar import read_sidecar, sidecar_table
from acoustics.io.streams import RawFormat, stream_raw_file, stream_recording
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.calibrate.inputs import read_sources
from acoustics.study.simulate.scene_sidecar import sidecar_of_scene
from acoustics.study.validate.answer import EstimatorFailure, answer_of_line
from acoustics.study.validate.exchange import read_results

spec = importlib.util.spec_from_file_location("damage", Path(__file__).with_name("damage.py"))
damage = importlib.util.module_from_spec(spec)
spec.loader.exec_module(damage)

SIDECAR = sidecar_of_scene(load_scene(shipped("examples")["mallard-basin"]))
RATE = SIDECAR.sample_rate_hz
COUNTS = np.random.default_rng(1).integers(-2000, 2000, (50, 4)).astype("<i2")
PING = Ping(
    ping=1, pinger="amber pinger", time_s=1.25, frequency_hz=30e3, ok=True, reason="", energy_ratio_db=17.3, window_s=8e-5,
    method="phase", integer_probability=0.999, channels=("a", "b", "c"), hydrophones_m=np.eye(3) / 10,
    tolerances_m=np.full(3, 1e-3), reference=0, tdoa_s=np.array([1e-6, 2e-6]),
    tdoa_covariance_s2=np.array([[2e-14, 1e-14], [1e-14, 2e-14]]),
    skew_sd_s=2e-7, flags=("a channel failed",),
    sound_speed_m_s=1480.0, sound_speed_sd_m_s=1.0, p_value=0.5, candidates=(Candidate(0.1, 0.2, 0.01, np.inf),),
    position_m=np.array([3.0, 1.0, 0.5]), position_covariance_m2=np.diag([1.0, 0.1, 0.2]), position_reason="",
    pose=NavigatedPose((1.0, 2.0, 0.8), 0.01, 0.02, 0.3, 0.5, 0.05, 0.01, 0.01, 0.03), depth_m=2.4, depth_sd_m=0.1,
    site_bearing=(0.4,), site_position_m=np.array([4.0, 3.0, 1.3]),
)  # fmt: skip


def samples_of(path):
    """All samples of a stream; what comes through is finite."""
    raw = RawFormat("int16", False, 4, RATE)
    stream = stream_raw_file(path, raw, SIDECAR) if path.suffix == ".raw" else stream_recording(path, SIDECAR)
    for block in stream.blocks:
        assert np.isfinite(block).all()


def results_of(path):
    read_results(path, 20)


def npy_bytes():
    file = io.BytesIO()
    np.save(file, COUNTS.astype(np.float32))
    return file.getvalue()


def table_text(header, rows):
    return "\n".join([header, *(",".join(map(repr, row)) for row in rows)]).encode() + b"\n"


NAVIGATION = table_text(",".join(COLUMNS), [(0.5 * k, 1.0 + k, 2.0, 0.8, 0.0, 1.5, 90.0 + k) for k in range(8)])
RESULTS = table_text("ping,bearing_deg,bearing_sd_deg", [(k, 12.5 * k, 2.0) for k in range(1, 9)])
SOURCES = table_text("ping,x_m,y_m,z_m", [(k, 12.5, 2.0, 1.5) for k in range(1, 9)])


def sound_bytes(kind, subtype="PCM_16"):
    file = io.BytesIO()
    soundfile.write(file, COUNTS, int(RATE), subtype, format=kind)
    return file.getvalue()


# What reads a file, the end of its name, and one that is right.
FILES = {
    **{name: (load_scene, ".toml", path.read_bytes()) for name, path in shipped("examples").items()},
    **{name: (load_array, ".toml", path.read_bytes()) for name, path in shipped("arrays").items()},
    "navigation": (read_navigation, ".csv", NAVIGATION),
    "results": (results_of, ".csv", RESULTS),
    "source places": (read_sources, ".csv", SOURCES),
    "pings": (read_pings, ".jsonl", f"{ping_line(PING)}\n".encode() * 3),
    "sidecar": (read_sidecar, ".json", json.dumps(sidecar_table(SIDECAR), indent=1).encode()),
    "samples in csv": (
        samples_of,
        ".csv",
        table_text(",".join(c.name for c in SIDECAR.channels), (COUNTS * 1.5).tolist()),
    ),
    "samples in npy": (samples_of, ".npy", npy_bytes()),
    "raw samples": (samples_of, ".raw", COUNTS.tobytes()),
    "wav": (samples_of, ".wav", sound_bytes("WAV")),
    "float wav": (samples_of, ".wav", sound_bytes("WAV", "FLOAT")),
    "rf64": (samples_of, ".wav", sound_bytes("RF64", "PCM_24")),
    "w64": (samples_of, ".w64", sound_bytes("W64")),
    "flac": (samples_of, ".flac", sound_bytes("FLAC")),
}
JSON_FILES = ["pings", "sidecar"]
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
