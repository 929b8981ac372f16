"""`pingfix locate` from simulated recordings: pings found, faults named, and every bad recording refused in one line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from quick import refused

from acoustics.base.errors import PingfixError
from acoustics.cli.locate import locate_command
from acoustics.io.ping_lines import read_pings
from acoustics.propagate.render.draw import ChannelFaults
from acoustics.scene.scenario import load_scene
from acoustics.study.simulate.recording import simulate_recording

ROOT = Path(__file__).parents[2]
BASIN = ROOT / "examples" / "mallard-basin.toml"


def simulate(folder, text, name="ping.wav", **options):
    scenario = folder / "pool.toml"
    scenario.write_text(text)
    simulate_recording(load_scene(scenario), folder / name, seed=3, **({"pings": 3} | options))
    return folder / name


@pytest.fixture(scope="module")
def ping(tmp_path_factory):
    return simulate(tmp_path_factory.mktemp("ping"), BASIN.read_text())


def run(*arguments, stdin=None):
    return CliRunner().invoke(locate_command, [str(a) for a in arguments], input=stdin)


def refusal(*arguments, stdin=None):
    result = run(*arguments, stdin=stdin)
    assert isinstance(result.exception, PingfixError), result.output
    assert "\n" not in str(result.exception)
    return str(result.exception)


def lines(result):
    assert result.exit_code == 0, (result.output, result.exception)
    return [json.loads(line) for line in result.output.splitlines()]


def test_every_ping_is_found_at_its_time_and_bearing(ping):
    truth = json.loads(ping.with_suffix(".truth.json").read_text())
    found = lines(run(ping, "--json"))
    assert [p["pinger"] for p in found] == ["amber pinger"] * 3 and all(p["ok"] for p in found)
    for line, true in zip(found, truth["pings"], strict=True):
        # The build-up tells the arrival to a fraction of a cycle (33 us) before the first echo.
        assert abs(line["time_s"] - true["recorded_s"][0]) < 60e-6
        errors = [
            abs(c["bearing_deg"] - truth["pingers"][0]["bearing_deg"]) / c["bearing_sd_deg"] for c in line["candidates"]
        ]
        assert min(errors) < 3.5


def test_text_and_out_tell_the_same_pings(ping, tmp_path):
    result = run(ping, "--out", tmp_path / "p.jsonl")
    assert result.exit_code == 0
    assert "amber pinger (30 kHz): 3 pings, 3 with a bearing; 0 due and not heard" in result.output
    assert len(read_pings(tmp_path / "p.jsonl")) == 3
    assert "exists already" in refusal(ping, "--out", tmp_path / "p.jsonl")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["a.npy", "a.csv", "a.raw", "-"])
def test_other_formats_give_the_same_pings(ping, name, tmp_path):
    with wave.open(str(ping)) as file:
        counts = np.frombuffer(file.readframes(320_000), "<i2").reshape(-1, 4)  # the first ping of three
    write_wav(tmp_path / "short.wav", counts)
    expected = lines(run(tmp_path / "short.wav", "--sidecar", ping.with_suffix(".json"), "--json"))
    assert len(expected) == 1
    path, stdin, options = tmp_path / name, None, ["--sidecar", ping.with_suffix(".json"), "--json"]
    if name == "a.npy":
        np.save(path, counts)
    elif name == "a.csv":
        header = ",".join(c["name"] for c in json.loads(ping.with_suffix(".json").read_text())["channels"])
        np.savetxt(path, counts, fmt="%d", delimiter=",", header=header, comments="")
    else:
        options += ["--raw", "int16", "--big-endian"]
        path.write_bytes(counts.astype(">i2").tobytes()) if name == "a.raw" else None
        stdin = counts.astype(">i2").tobytes()
    assert lines(run(name if name == "-" else path, *options, stdin=stdin)) == expected


def test_the_scenario_stands_in_for_notes(ping, tmp_path):
    bare = tmp_path / "bare.wav"
    bare.write_bytes(ping.read_bytes())
    assert run(bare).exit_code == 2
    assert len(lines(run(bare, "--scenario", BASIN, "--json"))) == 3


@pytest.mark.parametrize("method", ["correlation", "phat", "onset"])
def test_each_method_answers(ping, method):
    assert {p["method"] for p in lines(run(ping, "--json", "--method", method))} == {method}


def test_a_dead_channel_is_left_out_and_named(tmp_path):
    path = simulate(tmp_path, BASIN.read_text(), faults=ChannelFaults(failed=("bow-port",)))
    for line in lines(run(path, "--json")):
        assert line["ok"] and "bow-port" not in line["channels"] and len(line["tdoa_s"]) == 2
        assert line["flags"] == [
            "channel 'bow-port': failed, left out; the other 3 stand in a plane, which has a mirror image on its other side"
        ]


def test_a_channel_that_misses_one_ping_is_left_out_of_that_ping(ping, tmp_path):
    with wave.open(str(ping)) as source:
        rate, whole = source.getframerate(), np.frombuffer(source.readframes(source.getnframes()), "<i2")
    samples = whole.reshape(-1, 4).copy()
    second = round(rate * lines(run(ping, "--json"))[1]["time_s"])
    gone = slice(second - rate // 500, second + rate // 20)
    # What it heard well before: noise of its own, and no burst.
    samples[gone, 2] = samples[second - rate // 5 :][: gone.stop - gone.start, 2]
    write_wav(tmp_path / "torn.wav", samples, rate)
    (tmp_path / "torn.json").write_text(ping.with_suffix(".json").read_text())
    found = lines(run(tmp_path / "torn.wav", "--json"))
    assert all(p["ok"] for p in found) and [len(p["channels"]) for p in found] == [4, 3, 4]
    name = json.loads(ping.with_suffix(".json").read_text())["channels"][2]["name"]
    assert name not in found[1]["channels"]
    (flag,) = found[1]["flags"]
    left = "the other 3 stand in a plane, which has a mirror image on its other side"
    assert flag == f"channel '{name}': hears nothing of this ping, left out; {left}"


@pytest.mark.slow
def test_an_inverted_channel_is_noticed(tmp_path):
    text = BASIN.read_text().replace("square-half-wave", "cube-8")
    path = simulate(tmp_path, text, faults=ChannelFaults(inverted=("bow-port-high",)))
    found = lines(run(path, "--json"))
    assert not found[0]["ok"] and found[0]["reason"].startswith("the delays do not fit the array (p_value under 0.001)")
    for ping in found[1:]:
        assert ping["reason"] == "channels are swapped or of the wrong polarity: see the flags" and not ping["ok"]
        words = "the pings do not fit the channels as noted, but they do if channel 'bow-port-high' is inverted"
        assert ping["flags"] == [words]


@pytest.mark.slow
@pytest.mark.parametrize("apart_hz", [1000.0, 2000.0])
def test_pingers_on_near_frequencies_are_told_apart(apart_hz, tmp_path):
    second = f"""[[pinger]]
name = "teal pinger"
position_m = [18.0, 3.0, 2.4]
frequency_hz = {30e3 + apart_hz}
pri_s = 1.3
source_level_db = 162.0

[array]"""
    path = simulate(tmp_path, BASIN.read_text().replace("[array]", second, 1), pings=3)
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    found = lines(run(path, "--json"))
    for name in ("amber pinger", "teal pinger"):
        true = [p["recorded_s"][0] for p in truth["pings"] if p["pinger"] == name]
        times = [p["time_s"] for p in found if p["pinger"] == name]
        assert len(times) == len(true)
        good = [p["time_s"] for p in found if p["pinger"] == name and p["ok"]]
        assert all(min(abs(t - u) for u in true) < 100e-6 for t in good) and len(good) >= len(true) - 1


def write_wav(path, samples, rate=250_000):
    with wave.open(str(path), "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(samples.dtype.itemsize)
        file.setframerate(rate)
        file.writeframes(samples.tobytes())


def test_bad_recordings_are_refused_in_one_line(ping, tmp_path):
    notes, out = ping.with_suffix(".json"), tmp_path / "out.jsonl"
    whole = ping.read_bytes()
    bad, options = tmp_path / "bad.wav", ("--sidecar", notes, "--out", out)
    bad.write_bytes(whole[:-1001])
    assert "is cut short: its header promises" in refusal(bad, *options)
    bad.write_bytes(whole[:40] + b"\xff\xff\xff\x7f" + whole[44:])
    assert "is cut short: its header promises" in refusal(bad, *options)
    bad.write_bytes(b"")
    assert "is no usable WAV, RF64, W64 or FLAC file" in refusal(bad, *options)
    write_wav(bad, np.zeros((0, 4), np.int16))
    assert "holds no samples" in refusal(bad, *options)
    write_wav(bad, np.zeros((100_000, 4), np.int16))
    assert "every channel holds one value throughout: nothing was recorded" in refusal(bad, *options)
    write_wav(bad, np.full((100_000, 4), 32767, np.int16))  # its beginning is a step that all filters hear
    assert "every channel holds one value throughout: nothing was recorded" in refusal(bad, *options)
    write_wav(bad, np.ones((100, 4), np.int16))
    assert "100 samples are too short to hold a ping" in refusal(bad, *options)
    write_wav(bad, np.zeros((1000, 4), np.uint8))
    assert "holds samples of kind PCM_U8" in refusal(bad, *options)
    write_wav(bad, np.zeros((1000, 3), np.int16))
    assert "has 3 channels where the sidecar names 4" in refusal(bad, *options)
    write_wav(bad, np.zeros((1000, 4), np.int16), rate=96_000)
    assert "has a rate of 96000 Hz where the sidecar says 250000 Hz" in refusal(bad, *options)
    np.save(tmp_path / "bad.npy", np.where(np.arange(4000).reshape(-1, 4) == 77, np.nan, 0.0))
    assert "sample 19 of channel 2 is not a finite number" in refusal(tmp_path / "bad.npy", *options)
    slow = json.loads(notes.read_text()) | {"sample_rate_hz": 48000.0}
    (tmp_path / "slow.json").write_text(json.dumps(slow))
    write_wav(bad, np.ones((50_000, 4), np.int16), rate=48_000)
    assert "its sample rate of 48000 Hz is under twice the 30000 Hz of 'amber pinger'" in refusal(
        bad, "--sidecar", tmp_path / "slow.json", "--out", out
    )
    assert "no pinger 'grey' in the sidecar; known: amber pinger" in refusal(ping, "--pinger", "grey", "--out", out)
    twins = json.loads(notes.read_text())
    twins["pingers"] += [twins["pingers"][0] | {"name": "teal", "frequency_hz": 30010.0}]
    (tmp_path / "twins.json").write_text(json.dumps(twins))
    options = ("--sidecar", tmp_path / "twins.json")
    assert "'amber pinger' (30000 Hz) and 'teal' (30010 Hz) cannot be told apart" in refusal(
        ping, *options, "--out", out
    )
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.npy", "bad.wav", "slow.json", "twins.json"]
    assert len(lines(run(ping, *options, "--pinger", "amber pinger", "--json"))) == 3


def test_32_bit_integers_are_read(ping, tmp_path):
    with wave.open(str(ping)) as file:
        counts = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 4)
    notes = json.loads(ping.with_suffix(".json").read_text())
    notes["volts_per_count"] /= 65536
    (tmp_path / "a.json").write_text(json.dumps(notes))
    write_wav(tmp_path / "a.wav", counts.astype(np.int32) << 16)
    assert lines(run(tmp_path / "a.wav", "--json")) == lines(run(ping, "--json"))


def test_options_that_do_not_go_together_are_refused(ping):
    for arguments, words in (
        (("-",), "standard input holds raw integers: say which with --raw"),
        (("-", "--raw", "int16"), "from standard input: give --sidecar or --scenario"),
        ((ping, "--big-endian"), "belong to --raw"),
        ((ping, "--sidecar", "a", "--scenario", "b"), "exclude each other"),
    ):
        result = run(*arguments)
        assert result.exit_code == 2 and words in result.output


@pytest.mark.slow
def test_a_ping_is_told_before_the_stream_ends(ping):
    """On the vehicle samples never end: the first line must come while the pipe is still open."""
    code = "from acoustics.cli.locate import locate_command as c; c()"
    with wave.open(str(ping)) as file:
        data = file.readframes(file.getnframes() // 2)
    command = [sys.executable, "-c", code, "-", "--raw", "int16", "--sidecar", str(ping.with_suffix(".json"))]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=os.environ) as process:
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write(data)
        process.stdin.flush()
        assert json.loads(process.stdout.readline())["ping"] == 1
        assert process.poll() is None
        process.stdin.close()
        process.stdout.read()
    assert process.returncode == 0


def test_a_recording_that_is_not_there_is_missed_before_its_notes(tmp_path):
    assert refused("locate", str(tmp_path / "pingg.wav")) == [
        f"pingfix: {tmp_path}/pingg.wav: cannot be read: no such file or directory"
    ]
