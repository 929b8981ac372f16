"""`pingfix notes`: the sidecar of a recording that other hardware made, begun from the scenario."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
from quick import POOL, good, refused

import acoustics
from acoustics.scene.scenario import load_scene

RATE = 250_000


def recorded(path, channels=4, rate=RATE, kind="PCM_16"):
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, (rate // 2, channels))
    soundfile.write(path, samples, rate, kind)
    return str(path)


@pytest.mark.parametrize(("kind", "counts"), [("PCM_16", 2**15), ("PCM_24", 2**23), ("FLOAT", 1)])
def test_the_notes_make_the_recording_readable_in_volts(kind, counts, tmp_path):
    wav = recorded(tmp_path / "day.wav", kind=kind)
    good("notes", POOL, wav)
    table = json.loads((tmp_path / "day.json").read_text())
    scene = load_scene(POOL)
    assert table["volts_per_count"] == pytest.approx(scene.recorder.full_scale_v / counts)
    assert [c["name"] for c in table["channels"]] == [h.name for h in scene.array.hydrophones]
    volts = acoustics.load_recording(wav).volts()
    # Half of full scale, uniformly: an rms of 1 / sqrt(12) of it all.
    assert volts.std() == pytest.approx(scene.recorder.full_scale_v / np.sqrt(12), rel=0.01)
    assert "remark" in table and "remark" in table["pose"] and "remark" in table["pingers"][0]
    assert acoustics.spectrum(wav).reference == "1 uPa"


def test_remarks_are_allowed_in_every_table_and_change_nothing(tmp_path):
    wav = recorded(tmp_path / "day.wav")
    good("notes", POOL, wav)
    table = json.loads((tmp_path / "day.json").read_text())
    for part in (table, table["pose"], *table["channels"], *table["pingers"]):
        part["remark"] = "rain on the water"
    (tmp_path / "day.json").write_text(json.dumps(table))
    noted = acoustics.read_sidecar(tmp_path / "day.json")
    assert noted.channels[1].remark == "rain on the water"


def test_a_recording_that_does_not_fit_the_scenario_is_refused_and_nothing_is_written(tmp_path):
    (line,) = refused("notes", POOL, recorded(tmp_path / "three.wav", channels=3))
    assert "has 3 channels" in line
    (line,) = refused("notes", POOL, recorded(tmp_path / "slow.wav", rate=48_000))
    assert "has a rate of 48000 Hz" in line
    assert not list(tmp_path.glob("*.json"))
    wav = recorded(tmp_path / "day.wav")
    (tmp_path / "day.json").write_text("{}")
    (line,) = refused("notes", POOL, wav)
    assert "exists already" in line
