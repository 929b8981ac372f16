"""Scenario and array files: what is right loads, what is wrong gives one line that names file and key."""

from __future__ import annotations

import json
import re
import tomllib

import numpy as np
import pytest

from acoustics.base.errors import InputError
from acoustics.base.frames import array_rank
from acoustics.scene.scenario import load_array, load_scene, shipped

ARRAYS = shipped("arrays")
EXAMPLES = shipped("examples")


@pytest.mark.parametrize("example", EXAMPLES)
def test_shipped_examples_load(example):
    assert load_scene(EXAMPLES[example]).title


@pytest.mark.parametrize("name", ARRAYS)
def test_shipped_arrays_say_what_they_are_good_for(name):
    array = load_array(name)
    assert array.name == name
    assert array.good_for
    assert array.cannot_observe


def test_eight_arrays_of_every_rank_are_shipped():
    ranks = {name: load_array(name).rank for name in ARRAYS}
    assert len(ranks) >= 8
    assert set(ranks.values()) == {1, 2, 3}


@pytest.mark.parametrize("name", ["pair", "line-4", "square-half-wave", "corner-3", "tetra-4", "cube-8"])
def test_small_arrays_keep_half_a_wavelength_at_40_khz(name):
    # 1402.4 m/s: fresh water at 0 C, IAPWS-95 (Wagner & Pruss 2002); the slowest water of the band's users.
    assert load_array(name).baselines_m.min() <= 1402.4 / 40e3 / 2 + 1e-5


def edited(tmp_path, *changes, example="mallard-basin"):
    """The shipped scenario with lines changed by (pattern, replacement); every pattern must match."""
    text = EXAMPLES[example].read_text()
    for pattern, replacement in changes:
        text, count = re.subn(pattern, replacement, text, count=1, flags=re.MULTILINE)
        assert count == 1, pattern
    path = tmp_path / "edited.toml"
    path.write_text(text)
    return path


BAD = {
    "unknown key": ([(r"^frequency_hz = .*$", "frequency_khz = 30.0")], r"pinger\[1\]: unknown key 'frequency_khz'; did you mean 'frequency_hz'\?"),
    "one word too many": ([(r"^floor_points_m = .*$", "floor_depth_m = 2.2")], r"pool: unknown key 'floor_depth_m'; did you mean 'depth_m'\?"),
    "unknown table": ([(r"^\[noise\]$", "[noize]")], r"unknown key 'noize'; did you mean 'noise'\?"),
    "plural table": ([(r"^\[\[station\]\]$", "[[stations]]")], r"unknown key 'stations'; did you mean 'station'\?$"),
    "wrong unit": ([(r"^frequency_hz = .*$", "frequency_hz = 30.0")], r"pinger\[1\].frequency_hz: .*greater than or equal to 1000, got 30.0"),
    "kelvin": ([(r"^temperature_degc = .*$", "temperature_degc = 299.0")], r"water.temperature_degc: .*less than or equal to 45, got 299.0"),
    "text for a number": ([(r"^length_s = .*$", "length_s = '4 ms'")], r"pinger\[1\].length_s: should be a number, got '4 ms'"),
    "wrong shape": ([(r"^position_m = \[20.0, 8.0, 2.4\]$", "position_m = [20.0, 8.0]")], r"pinger\[1\].position_m\[3\]: is missing"),
    "not a number": ([(r"^source_level_db = .*$", "source_level_db = nan")], r"pinger\[1\].source_level_db: .*finite number, got nan"),
    "infinite": ([(r"^bearing_target_deg = 5.0$", "bearing_target_deg = inf")], r"study.bearing_target_deg: .*finite number, got inf"),
    "pinger outside": ([(r"^position_m = \[20.0, 8.0, 2.4\]$", "position_m = [26.0, 8.0, 2.4]")], r"pinger\[1\].position_m: amber pinger at \[26.0, 8.0, 2.4\] is outside the water"),
    "pinger under the floor": ([(r"^position_m = \[20.0, 8.0, 2.4\]$", "position_m = [2.0, 8.0, 2.4]")], r"is outside the water; .* z 0 to 1.59 m"),
    "vehicle in a corner that is cut off": ([(r"^outline_m = .*$", "outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [8.0, 12.5], [8.0, 3.0], [0.0, 3.0]]")], r"Dipper at \[6.0, 5.0, 0.8\] is outside the water; it lies in a corner of x 0 to 25 m, y 0 to 12.5 m that pool.outline_m leaves out"),
    "array in the air": ([(r"^mount_m = .*?\]", "mount_m = [0.2, 0.0, -0.9]")], r"array: hydrophone 'bow-port' at .* is outside the water"),
    "crossed": ([(r"^outline_m = .*$", "outline_m = [[0.0,0.0],[25.0,12.5],[25.0,0.0],[0.0,12.5]]")], r"pool.outline_m: the outline crosses or touches itself"),
    "spike": ([(r"^outline_m = .*$", "outline_m = [[0.0,0.0],[25.0,0.0],[30.0,0.0],[25.0,0.0],[25.0,12.5],[0.0,12.5]]")], r"pool.outline_m: the outline runs back on itself at corner 3"),
    "crossing": ([(r"^outline_m = .*$", "outline_m = [[0.0,0.0],[25.0,12.5],[25.0,0.0],[0.0,12.5]]")], r"pool.outline_m: the outline"),
    "floor in the air": ([(r"^floor_points_m = .*$", "floor_points_m = [[0.0,0.0,1.4],[25.0,0.0,-3.8],[0.0,12.5,1.4]]")], r"pool: the floor rises out of the water"),
    "two temperatures": ([(r"^temperature_degc = 26.0$", "temperature_degc = 26.0\nprofile = [{depth_m = 0.0, temperature_degc = 20.0}]")], r"water: temperature_degc and profile exclude each other"),
    "rows at one depth": ([(r"^practical_salinity = .*$", ""), (r"^temperature_degc = 26.0$", "profile = [{depth_m = 0.0, temperature_degc = 20.0}, {depth_m = 1e-33, temperature_degc = 19.0}]")], r"water: profile rows must be sorted by depth_m, 0.001 m apart at least"),
    "skew in microseconds": ([(r"^skew_sd_s = .*$", "skew_sd_s = 0.2")], r"recorder.skew_sd_s: .*less than or equal to 0.001, got 0.2"),
    "no such array": ([(r"^use = .*$", "use = 'square'")], r"array.use: no shipped array 'square'; known: .*square-half-wave"),
    "no such material": ([(r"^walls = .*$", "walls = 'cheese'")], r"pool.walls: unknown material 'cheese'; known: concrete"),
    "too slow a recorder": ([(r"^sample_rate_hz = .*$", "sample_rate_hz = 48000.0")], r"recorder.sample_rate_hz: 48000 Hz is not over twice the band"),
    "flag for a number": ([(r"^bits = .*$", "bits = true")], r"recorder.bits: .*integer, got True"),
    "no frequency": ([(r"^frequency_hz = .*$", "")], r"pinger\[1\].frequency_hz: is missing"),
    "frequency in the wrong unit": ([(r"^frequency_hz = .*$", "frequency_khz = 30.0")], r"did you mean 'frequency_hz'\?$"),
    "repeated first corner": ([(r"^outline_m = .*$", "outline_m = [[0.0,0.0],[25.0,0.0],[25.0,12.5],[0.0,12.5],[0.0,0.0]]")], r"pool.outline_m: the last corner repeats the first, \[0.0, 0.0\]; leave it out"),
    "two stations of one name": ([(r'^name = "teal"$', 'name = "amber"')], r"2 stations have the name 'amber'; give each its own"),
    "hydrophones in millimetres": ([(r'^use = .*$', 'hydrophone = [{name = "a", position_m = [0.0, 0.0, 0.0]}, {name = "b", position_m = [17.5, 0.0, 0.0]}]')], r"array.hydrophone: the hydrophones span 17.5 m, .* if these are millimetres, divide by 1000"),
    "a tiny array in millimetres": ([(r'^use = .*$', 'hydrophone = [{name = "a", position_m = [0.0, 0.0, 0.0]}, {name = "b", position_m = [3.0, 0.0, 0.0]}]')], r"array.hydrophone: the hydrophones span 3 m, all at whole metres; if these are millimetres, divide by 1000.*hull_m as large"),
    "two hydrophones of one name": ([(r'^use = .*$', 'hydrophone = [{name = "a", position_m = [0.0, 0.0, 0.0]}, {name = "a", position_m = [0.02, 0.0, 0.0]}]')], r"array.hydrophone: 2 hydrophones have the name 'a'"),
    "two pingers of one name": ([(r"^\[array\]$", '[[pinger]]\nname = "amber pinger"\nposition_m = [3.0, 3.0, 1.0]\nfrequency_hz = 35000.0\n[array]')], r"2 pingers have the name 'amber pinger'"),
    "unclosed": ([(r"^\[water\]$", "[water")], r"is not valid TOML"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_what_is_wrong_is_named_in_one_line(case, tmp_path):
    changes, expected = BAD[case]
    path = edited(tmp_path, *changes)
    with pytest.raises(InputError) as caught:
        load_scene(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert re.search(expected, text), text


def test_coincident_hydrophones_are_named_with_the_array_file(tmp_path):
    text = ARRAYS["corner-3"].read_text().replace("[0.0175, 0.0, 0.0]", "[0.0, 0.0, 0.0]")
    (tmp_path / "mine.toml").write_text(text)
    path = edited(tmp_path, (r"^use = .*$", "file = 'mine.toml'"))
    with pytest.raises(InputError, match=r"mine.toml: hydrophone: 'corner' and 'forward' coincide"):
        load_scene(path)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"x = " + b"[" * 5000, b"a = 1" + b"0" * 9000, b""])
def test_what_is_no_scenario_gives_one_line(content, tmp_path):
    path = tmp_path / "odd.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_scene(path)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match="nothing.toml: cannot be read: no such file"):
        load_scene(tmp_path / "nothing.toml")


def test_keys_beside_an_array_by_name_override_it():
    scene = load_scene(EXAMPLES["mallard-basin"])
    definition = tomllib.loads(ARRAYS["square-half-wave"].read_text())
    own = np.array([h["position_m"] for h in definition["hydrophone"]])
    assert scene.array.positions_m == pytest.approx(own + [0.2, 0.0, 0.2])


@pytest.mark.parametrize(("points", "rank"), [
    ([[0, 0, 0], [1, 0, 0], [3, 0, 0]], 1),
    ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [5, 5, 0]], 2),
    ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], 3),
    ([[1, 1, 1], [1, 1, 1]], 0),
])  # fmt: skip
def test_rank_is_the_dimension_that_positions_span(points, rank):
    assert array_rank(points) == rank


def test_a_copy_with_other_hydrophones_does_not_keep_the_old_positions():
    array = load_array("pair")
    assert len(array.positions_m) == 2
    copy = array.model_copy(update={"hydrophones": load_array("tetra-4").hydrophones})
    assert len(copy.positions_m) == 4


@pytest.mark.parametrize("reference", ["a\nb", "\0", "", "..", "/", "/dev/zero", "/dev/null", "odd.toml", "a" * 5000])
def test_an_array_file_that_is_none_is_refused(reference, tmp_path):
    text = EXAMPLES["mallard-basin"].read_text()
    text = text.replace('use = "square-half-wave"', f"file = {json.dumps(reference)}")
    (tmp_path / "odd.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        load_scene(tmp_path / "odd.toml")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("key", ["title", "name"])
def test_line_breaks_and_escape_codes_in_names_are_refused(key, tmp_path):
    text = re.sub(f"^{key} = .*$", f'{key} = "a\\\\nb"', EXAMPLES["mallard-basin"].read_text(), flags=re.M, count=1)
    (tmp_path / "odd.toml").write_text(text)
    with pytest.raises(InputError, match=rf"{key}: .*must be one line of printable characters"):
        load_scene(tmp_path / "odd.toml")


def test_all_that_is_wrong_is_said_at_once(tmp_path):
    path = edited(
        tmp_path,
        (r"^temperature_degc = .*$", "temperature_c = 26.0"),
        (r"^outline_m = .*$", "outline_m = [[0.0, 0.0], [25.0, 0.0]]"),
        (r"^frequency_hz = .*$", "frequency_hz = 30.0"),
        (r"^q = .*$", "quality = 8.0"),
        (r"^use = .*$", "use = 'nix'"),
        (r"^bits = .*$", "bits = 3"),
    )
    with pytest.raises(InputError) as caught:
        load_scene(path)
    lines = caught.value.lines
    assert all(line.startswith(f"{path}: ") and line.isprintable() for line in lines)
    keys = [line.removeprefix(f"{path}: ").split(": ")[0] for line in lines]
    assert keys == ["array.use", "water", "pool.outline_m", "pinger[1]", "pinger[1].frequency_hz", "recorder.bits"]
    assert str(caught.value) == f"{lines[0]} (and 5 more)"


def test_all_that_does_not_fit_together_is_said_at_once(tmp_path):
    path = edited(
        tmp_path,
        (r"^position_m = \[20.0, 8.0, 2.4\]$", "position_m = [26.0, 8.0, 2.4]"),
        (r"^position_m = \[15.0, 10.5, 2.4\]$", "position_m = [15.0, 13.5, 2.4]"),
        (r"^sample_rate_hz = .*$", "sample_rate_hz = 48000.0"),
    )
    with pytest.raises(InputError) as caught:
        load_scene(path)
    assert [re.search(r": (pinger|station|recorder)", line)[1] for line in caught.value.lines] == [
        "pinger",
        "station",
        "recorder",
    ]


def test_a_hopeless_file_is_told_in_at_most_fifty_lines(tmp_path):
    path = tmp_path / "odd.toml"
    path.write_text("\n".join(f"key_{k} = {k}" for k in range(400)))
    with pytest.raises(InputError) as caught:
        load_scene(path)
    assert len(caught.value.lines) == 50


def test_an_array_at_whole_metres_is_taken_where_the_hull_is_as_long(tmp_path):
    wide = 'hydrophone = [{name = "a", position_m = [0.0, 0.0, 0.0]}, {name = "b", position_m = [3.0, 0.0, 0.0]}]'
    path = edited(tmp_path, (r"^use = .*$", wide), (r"^hull_m = .*$", "hull_m = [3.0, 0.5, 0.3]"))
    assert load_scene(path).array.baselines_m == 3.0
