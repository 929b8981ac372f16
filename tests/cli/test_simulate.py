"""`pingfix simulate` as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy.io import wavfile

from acoustics.base.errors import OutputError, ParameterError
from acoustics.cli.simulate import simulate_command
from acoustics.scene.scenario import shipped

POOL = str(shipped("examples")["mallard-basin"])


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments):
    return CliRunner().invoke(simulate_command, [POOL, *arguments])


def test_files_are_written_and_named(tmp_path):
    done = run("ping.wav", "--pings", "1")
    assert done.exit_code == 0, done.output
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "ping.json",
        "ping.site.toml",
        "ping.truth.json",
        "ping.wav",
    ]
    assert "Mallard Basin: 2 s of 4 channels at 250 kHz, wav16 (seed 1)" in done.stdout
    assert "amber pinger" in done.stdout
    rate, samples = wavfile.read("ping.wav")
    assert rate == 250_000 and samples.shape == (500_000, 4)


def test_json_and_options():
    arguments = ("--seconds", "0.2", "--format", "wav32", "--no-echoes", "--seed", "7", "--json")
    done = run("ping.wav", *arguments)
    result = json.loads(done.stdout, parse_constant=pytest.fail)
    assert (result["n_samples"], result["seed"], result["encoding"]) == (50_000, 7, "wav32")
    assert result["pingers"][0]["paths"] == 1 and result["pingers"][0]["first_echo_after_s"] is None
    assert wavfile.read("ping.wav")[1].dtype.name == "int32"


def test_faults_of_the_cables_are_in_the_truth_alone():
    arguments = ("--seconds", "0.1", "--failed", "bow-port", "--inverted", "stern-port")
    done = run("a.wav", *arguments, "--swapped", "bow-port", "bow-starboard")
    assert done.exit_code == 0, done.output
    channels = json.loads(Path("a.truth.json").read_text())["channels"]
    assert [c["polarity"] for c in channels] == [0, 1, 1, -1]
    assert [c["hears"] for c in channels] == ["bow-starboard", "bow-port", "stern-starboard", "stern-port"]
    assert "polarity" not in Path("a.json").read_text()
    assert not wavfile.read("a.wav")[1][:, 0].any()
    assert "no hydrophone 'x'" in str(run("b.wav", "--failed", "x").exception)


def test_another_place_keeps_the_array_and_its_faults():
    for name, moved in (("a.wav", ()), ("b.wav", ("--place-m", "15.5", "7", "0.8", "--heading-deg", "90"))):
        assert run(name, "--seconds", "0.1", *moved).exit_code == 0
    first, second = (json.loads(Path(f"{name}.truth.json").read_text()) for name in "ab")
    assert second["pose"]["position_m"] == [15.5, 7.0, 0.8] and second["pose"]["heading_deg"] == 90.0
    for one, other in zip(first["channels"], second["channels"], strict=True):
        assert one["position_error_m"] == pytest.approx(other["position_error_m"])
    assert [c["skew_s"] for c in first["channels"]] == [c["skew_s"] for c in second["channels"]]
    refused = run("c.wav", "--place-m", "30", "7", "0.8").exception
    assert isinstance(refused, ParameterError)
    assert "vehicle.position_m: Dipper at [30.0, 7.0, 0.8] is outside the water" in str(refused)
    assert not Path("c.wav").exists()


def test_more_echoes_come_with_a_longer_horizon():
    paths = [
        json.loads(run(f"{ms}.wav", "--seconds", "0.1", "--reverberation-ms", str(ms), "--json").stdout)["pingers"][0][
            "paths"
        ]
        for ms in (1, 10)
    ]
    assert 1 < paths[0] < paths[1]


@pytest.mark.parametrize(
    "arguments, line",
    [
        (("x.wav", "--pings", "1", "--seconds", "1"), "--pings and --seconds exclude each other; keep one of them"),
        (("x.wav", "--pings", "0"), "0 is not in the range"),
        (("x.wav", "--seconds", "0"), "0 is not in the range"),
        (("x.wav", "--format", "mp3"), "'mp3' is not one of"),
        (("x.wav", "--seconds", "nan"), "nan"),
        ((), "Missing argument 'FILE'"),
    ],
)
def test_wrong_options_are_refused(arguments, line, tmp_path):
    done = run(*arguments)
    assert done.exit_code == 2 and line in done.output
    assert list(tmp_path.iterdir()) == []


def test_wrong_values_are_refused(tmp_path):
    assert isinstance(run("x.mp3").exception, OutputError)
    assert isinstance(run("x.npy", "--format", "wav16").exception, OutputError)
    assert isinstance(run("no/x.wav").exception, OutputError)
    assert list(tmp_path.iterdir()) == []


def test_files_are_not_replaced_unasked():
    arguments = ("ping.wav", "--seconds", "0.1")
    assert run(*arguments).exit_code == 0
    assert "exists already; choose another name or add --force" in str(run(*arguments).exception)
    assert run(*arguments, "--force").exit_code == 0


def test_help_shows_an_example():
    assert (
        "pingfix simulate examples/mallard-basin.toml ping.wav"
        in CliRunner().invoke(simulate_command, ["-h", "--help"][1:]).output
    )
