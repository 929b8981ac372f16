"""`import acoustics` offers a set of names that is closed: each question, what it takes, and what it gives."""

from __future__ import annotations

import dataclasses
import inspect
import json
import subprocess
import sys
import typing
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel

import acoustics
from acoustics.base.result import Result
from acoustics.present.results import PLOTS, TEXTS

pytestmark = pytest.mark.usefixtures("few")

EXAMPLES = Path(__file__).parent.parent / "examples"
MALLARD = EXAMPLES / "mallard-basin.toml"
FUNCTIONS = [name for name in acoustics.__all__ if inspect.isfunction(getattr(acoustics, name))]
SQUARE_M = np.array([[0.0, 0.0, 0.0], [0.0, 0.02, 0.0], [0.02, 0.0, 0.0], [0.02, 0.02, 0.0]])


def parts(annotation: object) -> Iterator[type]:
    """The package's own classes inside an annotation, however deep they stand in unions, sequences and mappings."""
    for argument in typing.get_args(annotation):
        yield from parts(argument)
    if isinstance(annotation, type) and annotation.__module__.startswith("acoustics."):
        yield annotation


def signature_types(function: Callable[..., Any]) -> set[type]:
    """Classes among the arguments and results of a function."""
    return {kind for hint in typing.get_type_hints(function).values() for kind in parts(hint)}


def field_types(kind: type) -> set[type]:
    """Classes in the fields of a class, which building one takes; none for a result, which nobody builds."""
    if issubclass(kind, Result):
        return set()
    if issubclass(kind, BaseModel):
        return {part for field in kind.model_fields.values() for part in parts(field.annotation)}
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return {part for field in dataclasses.fields(kind) for part in parts(hints[field.name])}
    return set()


def needed_by(function: Callable[..., Any]) -> set[type]:
    """All of them, closed under fields."""
    found: set[type] = set()
    left = signature_types(function)
    while left:
        kind = left.pop()
        if kind not in found:
            found.add(kind)
            left |= field_types(kind)
    return found


@pytest.fixture(scope="module")
def scene():
    return acoustics.load_scene(MALLARD)


@pytest.mark.parametrize("name", acoustics.__all__)
def test_every_name_is_there_and_documented(name):
    assert getattr(acoustics, name).__doc__


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_is_named_in_the_overview(name):
    assert f"`{name}`" in acoustics.__doc__


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_type_that_a_function_takes_or_gives_is_public(name):
    hidden = {kind.__name__ for kind in needed_by(getattr(acoustics, name))} - set(acoustics.__all__)
    assert not hidden, "name them in acoustics/__init__.py"


def test_the_walk_finds_types_inside_unions_and_mappings():
    assert set(parts(dict[int, acoustics.Ping | None] | list[acoustics.Array])) == {acoustics.Ping, acoustics.Array}


def test_every_result_has_words_and_no_words_are_without_one():
    results = {kind.__name__ for kind in Result.__subclasses__()}
    assert {getattr(acoustics, name).__name__ for name in acoustics.__all__ if name in results} == set(TEXTS)
    assert set(PLOTS) <= set(TEXTS)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'nonsense'"):
        acoustics.nonsense  # noqa: B018


def test_importing_it_loads_nothing_heavy():
    code = "import sys, acoustics; assert not {'numpy', 'scipy', 'pydantic', 'matplotlib'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize("name", ["mallard-basin", "fennel-reservoir", "quay-nine"])
def test_a_scene_changed_in_nothing_is_the_same_scene(name):
    scene = acoustics.load_scene(EXAMPLES / f"{name}.toml")
    assert scene.changed({}).model_dump() == scene.model_dump()


def test_a_change_reaches_one_value_and_leaves_the_scene_it_came_from(scene):
    moved = scene.changed({"vehicle.heading_deg": 30, "pinger[1].position_m": np.array([18.0, 6.0, 2.0])})
    assert (moved.vehicle.heading_deg, moved.pingers[0].position_m) == (30.0, (18.0, 6.0, 2.0))
    assert scene.vehicle.heading_deg == 20.0
    back = moved.changed({"vehicle.heading_deg": 20.0, "pinger[1].position_m": scene.pingers[0].position_m})
    assert back.model_dump() == scene.model_dump()


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("vehicle.headng_deg", 3.0, "vehicle: unknown key 'headng_deg'; did you mean 'heading_deg'?"),
        ("pinger[2].q", 3.0, r"pinger\[2\].q: there is no item 2: 1 are given"),
        ("pinger[1].q", -3.0, r"pinger\[1\].q: should be greater than or equal to 0.5, got -3"),
        ("vehicle.position_m", (99.0, 1.0, 1.0), "vehicle.position_m: Dipper at .* is outside the water"),
        ("wather.temperature_degc", 3.0, "unknown key 'wather'; did you mean 'water'?"),
        ("water..x", 3.0, "water..x: is not a key"),
    ],
)
def test_a_change_that_cannot_be_is_refused_by_its_key(scene, key, value, words):
    with pytest.raises(acoustics.InputError, match=words.replace("?", r"\?")):
        scene.changed({key: value})


def test_an_array_is_made_from_positions():
    array = acoustics.Array.from_positions(SQUARE_M, tolerance_m=[1e-3, 1e-3, 1e-3, 2e-3])
    assert np.array_equal(array.positions_m, SQUARE_M)
    assert array.tolerances_m[3] == 2e-3
    with pytest.raises(acoustics.ParameterError, match=r"shape \(2, 2\): expected \(n_hydrophones, 3\)"):
        acoustics.Array.from_positions([[0, 0], [1, 1]])
    with pytest.raises(acoustics.InputError, match="coincide"):
        acoustics.Array.from_positions([[0, 0, 0], [0, 0, 0]])


@pytest.mark.slow
def test_the_spacing_of_an_own_array_is_swept(scene):
    own = acoustics.Array.from_positions(SQUARE_M + [0.2, 0.0, 0.2], name="ours")
    study = acoustics.spacing(scene.changed({"array": own}), trials=200)
    assert study.array == "ours"
    assert str(study).startswith("Mallard Basin: ours scaled")


@pytest.fixture(scope="module")
def recording(scene, tmp_path_factory):
    path = tmp_path_factory.mktemp("recording") / "a.wav"
    made = acoustics.simulate(scene, str(path), pings=2, echoes=False)
    assert str(made).count(str(path)) >= 1
    return path


@pytest.mark.slow
def test_a_recording_becomes_pings_a_position_and_a_station(scene, recording):
    pings = acoustics.locate(str(recording))
    assert len(pings) == 2
    assert pings[0].pinger == "amber pinger"
    assert "amber pinger" in str(pings)
    assert [p.tdoa_s.tolist() for p in acoustics.locate(recording, scene, pingers=["amber pinger"])]
    fused = acoustics.fuse(pings, scene=scene)
    assert fused.stations[0] == "amber"
    assert sum(fused.probabilities) == pytest.approx(1.0)
    assert str(fused).splitlines()[0] == repr(fused).splitlines()[0]
    assert json.loads(json.dumps(fused.to_dict(), allow_nan=False))["pinger"] == "amber pinger"


def test_pings_read_from_a_file_fuse(scene, recording, tmp_path):
    from acoustics.io.ping_lines import ping_line

    pings = acoustics.locate(recording)
    (tmp_path / "p.jsonl").write_text("".join(ping_line(ping) + "\n" for ping in pings))
    assert np.allclose(
        acoustics.fuse(acoustics.read_pings(tmp_path / "p.jsonl"), scene=scene).position_m,
        acoustics.fuse(pings, scene=scene).position_m,
    )


def test_a_recording_without_notes_says_where_they_were_looked_for(recording, tmp_path):
    alone = tmp_path / "alone.wav"
    alone.write_bytes(recording.read_bytes())
    with pytest.raises(acoustics.InputError, match=r"alone.wav: has no notes: .*alone.json is not there"):
        acoustics.locate(alone)


def _sines(bearing_deg: float, *, rate: float = 250e3, carrier: float = 30e3, speed: float = 1480.0) -> np.ndarray:
    """A burst of 2 ms with sharp edges as a plane wave on the square, in noise: delays by the geometry alone."""
    rng = np.random.default_rng(5)
    towards = np.array([np.cos(np.deg2rad(bearing_deg)), np.sin(np.deg2rad(bearing_deg)), 0.0])
    later = -SQUARE_M @ towards / speed
    t = np.arange(int(0.06 * rate)) / rate - 0.03 - later[:, None]
    rise = np.clip(t * carrier / 4, 0, 1)
    wave = np.sin(2 * np.pi * carrier * t) * rise * (t < 2e-3)
    return wave + rng.normal(scale=0.02, size=wave.shape)


@pytest.mark.parametrize("bearing_deg", [-140.0, -20.0, 40.0, 95.0])
def test_bearings_need_only_rate_frequency_and_positions(bearing_deg):
    found = acoustics.bearings(_sines(bearing_deg), sample_rate_hz=250e3, frequency_hz=30e3, positions_m=SQUARE_M)
    assert len(found) == 1
    best = found[0].candidates[0]
    # The plane wave's own bearing; 4 stated deviations, which hold the unknown sound speed and 1 mm of mounting.
    off = np.angle(np.exp(1j * (best.bearing - np.deg2rad(bearing_deg))))
    assert abs(off) < min(4 * best.bearing_sd, np.deg2rad(5.0))


def test_bearings_refuse_what_does_not_fit():
    with pytest.raises(acoustics.ParameterError, match=r"expected \(n_channels, n_samples\)"):
        acoustics.bearings(np.ones((3, 9)), sample_rate_hz=1e5, frequency_hz=3e4, positions_m=SQUARE_M)
    with pytest.raises(acoustics.ParameterError, match="too short to hold a ping"):
        acoustics.bearings(np.ones((4, 9)), sample_rate_hz=1e5, frequency_hz=3e4, positions_m=SQUARE_M)


def test_the_bound_of_a_pair_is_the_closed_form():
    """Broadside of two hydrophones: c sigma_delay / d, sigma_delay^2 = 2 / ((2 pi f)^2 2E/N0) (Van Trees 1968)."""
    pair = [[0.0, -0.01, 0.0], [0.0, 0.01, 0.0]]
    found = acoustics.bound(pair, frequency_hz=30e3, energy_ratio_db=30.0, bearing_deg=0.0, sound_speed_m_s=1480.0)
    delay_sd = np.sqrt(2.0 / ((2 * np.pi * 30e3) ** 2 * 1e3))
    assert found.bearing_sd_deg[0] == pytest.approx(np.rad2deg(1480.0 * delay_sd / 0.02), rel=1e-9)


def test_snr_in_a_band_and_energy_ratio_are_told_apart():
    """2E/N0 = 2 B T SNR: 0 dB in 5 kHz over 2 ms is twice ten."""
    by_snr = acoustics.bound(SQUARE_M, frequency_hz=30e3, snr_db=0.0, bandwidth_hz=5e3, length_s=2e-3)
    assert by_snr.energy_ratio_db == pytest.approx(10 * np.log10(20.0))
    same = acoustics.bound(SQUARE_M, frequency_hz=30e3, energy_ratio_db=by_snr.energy_ratio_db)
    assert np.allclose(by_snr.bearing_sd_deg, same.bearing_sd_deg)
    assert "SNR 0.0 dB in 5000 Hz" in str(by_snr)
    for wrong in ({}, {"energy_ratio_db": 3.0, "snr_db": 3.0}, {"snr_db": 3.0}, {"energy_ratio_db": 3, "length_s": 1}):
        with pytest.raises(acoustics.ParameterError):
            acoustics.bound(SQUARE_M, frequency_hz=30e3, **wrong)


@pytest.mark.slow
def test_results_draw_themselves_and_refuse_where_there_is_no_picture(scene, tmp_path):
    bound = acoustics.bound(SQUARE_M, frequency_hz=30e3, energy_ratio_db=30.0)
    bound.plot(tmp_path / "bound.png")
    assert (tmp_path / "bound.png").read_bytes()[:4] == b"\x89PNG"
    with pytest.raises(acoustics.OutputError):
        bound.plot(tmp_path / "bound.png")
    acoustics.map(scene, trials=0, step_m=4.0).plot(tmp_path / "map.svg")
    with pytest.raises(acoustics.ParameterError, match="Summary has no picture"):
        acoustics.check(scene).plot()


def test_a_pinger_is_known_by_its_name(scene):
    assert str(acoustics.check(scene, "amber pinger")) == str(acoustics.check(scene))
    with pytest.raises(acoustics.ParameterError, match="no pinger 'teal' in the scene; known: amber pinger"):
        acoustics.check(scene, "teal")
