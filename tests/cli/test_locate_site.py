"""`pingfix locate --site`: a place from each ping's echoes, beside what is printed without."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from acoustics.base.errors import PingfixError
from acoustics.cli.fuse import fuse_command
from acoustics.cli.locate import locate_command
from acoustics.io.echo_fix import EchoFix, EchoMode
from acoustics.io.ping_lines import read_pings
from acoustics.present.text.echoes import echoes_text
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.live import LiveRun
from acoustics.study.simulate import simulate_recording
from tests.io.test_ping_lines import PING, replace


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = tmp_path_factory.mktemp("site") / "ping.wav"
    simulate_recording(load_scene(shipped("examples")["mallard-basin"]), path, seed=5, pings=1)
    return path


def run(*arguments):
    return CliRunner().invoke(locate_command, [str(a) for a in arguments])


@pytest.mark.slow
def test_one_ping_gives_a_place_and_nothing_else_changes(recording):
    plain, sketch = run(recording, "--json").output, recording.with_suffix(".site.toml")
    ours = json.loads(run(recording, "--json", "--site", sketch).output)
    echoes = ours.pop("echoes")
    assert f"{json.dumps(ours)}\n" == plain  # to the bit
    assert echoes["ok"], echoes["reason"]
    truth = json.loads(recording.with_suffix(".truth.json").read_text())["pingers"][0]["position_m"]
    # The bound at this place is 0.2 m; four times that.
    assert np.linalg.norm(np.subtract(echoes["modes"][0]["position_m"], truth)[:2]) < 0.8
    lines, without = recording.with_suffix(".jsonl"), recording.with_suffix(".plain.jsonl")
    lines.write_text(f"{json.dumps(ours | {'echoes': echoes})}\n")
    without.write_text(plain)
    told = CliRunner().invoke(fuse_command, [str(lines), "--echoes"])
    assert told.exit_code == 0 and "1 stand for the bearings" in told.output and "inlier, by echoes" in told.output
    fused = json.loads(CliRunner().invoke(fuse_command, [str(lines), "--echoes", "--json"]).output)
    assert np.linalg.norm(np.subtract(fused["position_m"], truth)[:2]) < 0.8
    blind = CliRunner().invoke(fuse_command, [str(without), "--json"]).output
    assert CliRunner().invoke(fuse_command, [str(lines), "--json"]).output == blind  # to the bit
    live, ping = LiveRun(None, by_echoes=True), read_pings(lines)[0]
    live.take(ping)
    assert live.answer(ping=ping).solution.position_m.tolist() == fused["position_m"]


def test_the_text_tells_place_region_and_error():
    near, far = np.array([20.0, 8.0, 2.4]), np.array([12.0, 4.0, 2.4])
    fix = EchoFix(True, "", (EchoMode(near, np.eye(3) * 0.01, 0.9), EchoMode(far, np.eye(3) * 0.01, 0.1)))
    text = echoes_text([replace(PING, echoes=fix)], (20.0, 8.1, 2.4))
    assert "experimental" in text and "20.00, 8.00, 2.40" in text
    assert "also: 12.0, 4.0, 2.4 (10 %)" in text
    assert "median error on the map 0.100 m, 1 of 1 in the stated region" in text
    refused = replace(fix, ok=False, reason="the echoes do not fit")
    text = echoes_text([replace(PING, echoes=refused)], (20.0, 8.1, 2.4))
    assert "(refused)" in text and "not to be used: the echoes do not fit" in text and "all of 1 refused" in text


def test_water_with_echoes_beyond_counting_costs_the_place_alone(recording, monkeypatch):
    monkeypatch.setattr("acoustics.physics.image_receivers.MAX_IMAGES", 1)
    told = json.loads(run(recording, "--json", "--site", recording.with_suffix(".site.toml")).output)
    assert told["ok"] and not told["echoes"]["ok"]
    assert "more than 1 images may lie within it" in told["echoes"]["reason"]


def test_what_is_wrong_is_one_line(recording, tmp_path):
    assert "belongs to --site" in run(recording, "--surveyed-m", 1, 2, 3).output
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[pool]\ndepth = 2\n")
    result = run(recording, "--site", wrong)
    assert isinstance(result.exception, PingfixError)
    assert "depth" in str(result.exception)
