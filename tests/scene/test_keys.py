"""The key reference is complete, true to what the models accept, and what the guide prints."""

from pathlib import Path

import pytest
from pydantic import ValidationError

from acoustics.base.errors import ParameterError
from acoustics.present.text.keys import explained, key_page, keys_named
from acoustics.scene.keys import assumed_values, scenario_keys
from acoustics.scene.pinger import Pinger
from acoustics.scene.recorder import Recorder
from acoustics.scene.scenario import load_scene, shipped

GUIDE = Path(__file__).parent.parent.parent / "examples" / "guide" / "keys.md"
KEYS = {key.key: key for key in scenario_keys()}


def test_the_guide_holds_the_reference():
    assert GUIDE.read_text(encoding="utf-8") == key_page(), "run tests/json_schema.py"


@pytest.mark.parametrize("key", KEYS)
def test_every_key_says_what_it_is_in_a_sentence(key):
    assert KEYS[key].says.endswith(".") and KEYS[key].says[0].isupper()


def test_a_unit_stands_in_every_key_that_measures():
    with_unit = {key.key.rsplit(".", 1)[-1]: key.unit for key in KEYS.values()}
    assert with_unit["frequency_hz"] == "Hz" and with_unit["pri_s"] == "s" and with_unit["bits"] == ""
    assert with_unit["self_noise_density_db"] == "dB re 1 uPa^2/Hz"
    assert with_unit["source_level_db"] == "dB re 1 uPa at 1 m"
    assert with_unit["sensitivity_db_re_v_per_upa"] == "dB re 1 V/uPa"


@pytest.mark.parametrize(
    ("model", "given", "key", "inside", "outside"),
    [
        (Pinger, {"position_m": (0.0, 0.0, 0.0), "frequency_hz": 3e4}, "pinger[].q", (0.5, 200.0), (0.49, 200.1)),
        (Pinger, {"position_m": (0.0, 0.0, 0.0)}, "pinger[].frequency_hz", (1e3, 1e6), (999.0, 1.1e6)),
        (Recorder, {}, "recorder.bits", (4, 32), (3, 33)),
        (Recorder, {}, "recorder.phase_sd_deg", (0.0, 90.0), (-0.1, 90.1)),
    ],
)
def test_the_range_is_the_one_that_the_model_keeps(model, given, key, inside, outside):
    name = key.rsplit(".", 1)[-1]
    assert KEYS[key].limits == f"from {inside[0]:g} to {inside[1]:g}"
    for value in inside:
        if name != "q" or value == 0.5:
            assert getattr(model.model_validate(given | {name: value}), name) == value
    for value in outside:
        with pytest.raises(ValidationError):
            model.model_validate(given | {name: value})


def test_defaults_are_those_of_the_models():
    assert KEYS["pinger[].frequency_hz"].default == "must be given"
    assert KEYS["recorder.sample_rate_hz"].default == f"{Recorder().sample_rate_hz:g}"
    assert KEYS["noise.isotropic_coherence"].default == "false"
    assert KEYS["water.temperature_degc"].default == ""


def test_one_key_a_table_and_a_slip():
    assert [key.key for key in keys_named("source_level_db")] == ["pinger[].source_level_db"]
    assert explained(keys_named("q")).startswith("pinger[].q  (number")
    assert {key.key for key in keys_named("recorder")} == {key for key in KEYS if key.split(".")[0] == "recorder"}
    assert len(keys_named(None)) == len(KEYS) > 100
    with pytest.raises(
        ParameterError, match=r"no key of a scenario is called 'soruce_level'; did you mean 'source_level_db'"
    ):
        keys_named("soruce_level")


def test_what_a_scenario_leaves_out_is_listed_and_what_it_says_is_not(tmp_path):
    file = tmp_path / "short.toml"
    file.write_text(
        "[water]\ntemperature_degc = 20.0\n[pool]\ndepth_m = 5.0\n[[pinger]]\nposition_m = [9.0, 0.0, 2.0]\n"
        "frequency_hz = 25000.0\nq = 8.0\n[array]\nuse = 'pair'\n[vehicle]\nposition_m = [0.0, 0.0, 1.0]\n"
    )
    assumed = {row.key: row for row in assumed_values(load_scene(file))}
    assert assumed["pinger.source_level_db"].value == "170 dB re 1 uPa at 1 m"
    assert assumed["recorder.sample_rate_hz"].value == "250000 Hz"
    assert assumed["hydrophone.tolerance_m"].value == "0.001 m"
    assert assumed["pool.floor"].value == "concrete"
    assert "pinger.q" not in assumed, "it is given, with the very value that is the default"
    assert "pinger.frequency_hz" not in assumed and "pool.walls" not in assumed
    assert all(row.says for row in assumed.values())


def test_the_shipped_pool_leaves_no_decisive_value_open():
    keys = {row.key for row in assumed_values(load_scene(shipped("examples")["mallard-basin"]))}
    assert not keys & {"pinger.frequency_hz", "pinger.source_level_db", "recorder.sample_rate_hz", "recorder.gain_db"}
