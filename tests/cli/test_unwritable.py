"""A full disk, a folder that takes nothing, a reader that goes: one line and exit code 2, and nothing half-written."""

from __future__ import annotations

import contextlib
import io
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path
from unittest.mock import patch

import pytest
from quick import QUICK

from acoustics.cli.main import main
from acoustics.io.ping_lines import read_pings
from acoustics.scene.scenario import shipped

PINGFIX = "import sys; from acoustics.cli.main import main; sys.argv = ['pingfix', *sys.argv[1:]]; main()"
POOL = str(shipped("examples")["mallard-basin"])
LINES = "pings.jsonl"


@contextlib.contextmanager
def full_disk():
    """No file of this process may hold a byte more: writes fail half-way, as where the disk is full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def run(*arguments, disk=contextlib.nullcontext):
    """Exit code, standard output and standard error of the command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with (
        patch("sys.argv", ["pingfix", *map(str, arguments)]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        disk(),
    ):
        try:
            main()
        except SystemExit as leave:
            return leave.code or 0, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def inputs(tmp_path_factory):
    """A short recording and its pings."""
    folder = tmp_path_factory.mktemp("inputs")
    assert run("simulate", POOL, folder / "ping.wav", "--pings", 1)[0] == 0
    assert run("locate", folder / "ping.wav", "--out", folder / LINES)[0] == 0
    return folder


# What each command writes, and the command.
OUTPUTS = {
    "recording": ("a.wav", ["simulate", POOL, "a.wav", "--seconds", 0.2]),
    "notes of a recording": ("a.json", ["simulate", POOL, "a.wav", "--seconds", 0.2]),
    "sketch beside a recording": ("a.site.toml", ["simulate", POOL, "a.wav", "--seconds", 0.2]),
    "truth of a recording": ("a.truth.json", ["simulate", POOL, "a.wav", "--seconds", 0.2]),
    "samples": ("a.npy", ["simulate", POOL, "a.npy", "--seconds", 0.2]),
    "scenario": ("a.toml", ["new", "a.toml"]),
    "picture": ("a.png", ["budget", POOL, "--plot", "a.png"]),
    "drawing": ("a.svg", ["map", POOL, "--trials", 0, "--step-m", 4, "--echo-cells", 0, "--plot", "a.svg"]),
    "array": ("a.toml", ["place", POOL, *QUICK["place"], "--out", "a.toml"]),
    "corrected array": ("a.toml", ["calibrate", POOL, "--pings", LINES, "--source-m", 20, 8, 2.4, "--out", "a.toml"]),
    **{
        f"picture of {name}": ("a.png", [name, POOL, *QUICK.get(name, []), "--plot", "a.png"])
        for name in ("spacing", "place", "stations", "waypoints", "rehearse", "validate", "calibrate")
    },
    "picture of compare": ("a.png", ["compare", POOL, "tetra-4", "--plot", "a.png"]),
    "picture of spectrum": ("a.png", ["spectrum", "ping.wav", "--plot", "a.png"]),
    "picture of fuse": ("a.png", ["fuse", LINES, "--scenario", POOL, "--plot", "a.png"]),
    "begun notes": ("a.json", ["notes", POOL, "ping.wav", "--out", "a.json"]),
    "report": ("a.html", ["report", POOL, *QUICK["report"], "--out", "a.html"]),
    "checklist": ("a.html", ["checklist", POOL, "--out", "a.html"]),
    "ping lines": ("a.jsonl", ["locate", "ping.wav", "--out", "a.jsonl"]),
    "position": ("a.csv", ["fuse", LINES, "--scenario", POOL, "--csv", "a.csv"]),
    "pings": ("a.csv", ["fuse", LINES, "--scenario", POOL, "--pings-csv", "a.csv"]),
}


@pytest.mark.slow
@pytest.mark.parametrize("what", OUTPUTS)
def test_on_a_full_disk_the_old_file_stays_and_nothing_else(what, inputs, tmp_path, monkeypatch):
    name, command = OUTPUTS[what]
    monkeypatch.chdir(tmp_path)
    for given in ("ping.wav", "ping.json", LINES):
        Path(given).symlink_to(inputs / given)
    Path(name).write_bytes(b"old")
    before = sorted(os.listdir())
    code, out, err = run(*command, "--force", disk=full_disk)
    assert code == 2
    (line,) = [line for line in err.splitlines() if "warning" not in line]
    assert line.startswith("pingfix: ") and line.endswith(": cannot be written: file too large")
    assert Path(name).read_bytes() == b"old"
    assert sorted(os.listdir()) == before
    assert "written" not in out


@pytest.mark.slow
def test_on_a_full_disk_finished_chunks_end_the_study_in_one_line(tmp_path):
    command = ("map", POOL, "--trials", 2, "--step-m", 4, "--echo-cells", 0, "--resume", tmp_path / "parts")
    code, _, err = run(*command, disk=full_disk)
    assert code == 2 and err.count("\n") == 1 and "cannot be written: file too large" in err
    assert not any(path.name.startswith(".") for path in tmp_path.rglob("*"))
    # Room again: the same command goes on from there.
    assert run(*command)[0] == 0


def test_on_a_full_disk_exported_recordings_end_in_one_line(tmp_path):
    code, _, err = run("validate", POOL, "--trials", 2, "--export", tmp_path / "pings", disk=full_disk)
    assert code == 2 and err.count("\n") == 1 and "cannot be written: file too large" in err
    assert list((tmp_path / "pings").iterdir()) == []


@pytest.mark.parametrize("option", ["--state", "--page"])
def test_on_a_full_disk_a_live_run_says_what_it_knows_and_ends_in_one_line(option, inputs, tmp_path, monkeypatch):
    with (inputs / LINES).open(encoding="utf-8") as lines:
        monkeypatch.setattr("sys.stdin", lines)
        code, out, err = run("fuse", "-", "--scenario", POOL, option, tmp_path / "kept", disk=full_disk)
    assert code == 2 and err == f"pingfix: {tmp_path / 'kept'}: cannot be written: file too large\n"
    assert ('"event": "ping"' in out) == (option == "--page")  # a line waits for the state that it tells
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/sys/kernel").is_dir(), reason="needs a folder in which nobody can make a file")
@pytest.mark.parametrize("what", ["recording", "picture", "ping lines"])
def test_a_folder_that_takes_no_file_is_named(what, inputs, monkeypatch):
    name, command = OUTPUTS[what]
    monkeypatch.chdir(inputs)
    closed = [f"/sys/kernel/{word}" if str(word).startswith("a.") else word for word in command]
    code, out, err = run(*closed)
    assert code == 2
    (line,) = [line for line in err.splitlines() if "warning" not in line]
    assert line.startswith(f"pingfix: /sys/kernel/{name[:2]}") and ": cannot be written: " in line
    assert "written" not in out


def in_a_shell(command, *arguments):
    """A line of bash in which "$@" stands for pingfix with its arguments."""
    words = ["bash", "-c", command, "bash", sys.executable, "-c", PINGFIX, *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, check=False)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_standard_output_on_a_full_disk_is_one_line():
    done = in_a_shell('"$@" > /dev/full', "sound-speed", POOL)
    assert done.returncode == 2
    assert done.stderr == "pingfix: output: cannot be written or read: no space left on device\n"


@pytest.mark.slow
def test_a_reader_that_goes_away_is_no_error_worth_a_word():
    done = in_a_shell('"$@" | true; exit ${PIPESTATUS[0]}', "sound-speed", POOL)
    assert (done.returncode, done.stderr) == (1, "")


@pytest.mark.slow
def test_a_reader_that_goes_away_leaves_the_pings_heard_until_then(inputs, tmp_path):
    command = ("locate", inputs / "ping.wav", "--json", "--out", tmp_path / "a.jsonl")
    done = in_a_shell('"$@" | true; exit ${PIPESTATUS[0]}', *command)
    assert (done.returncode, done.stderr) == (1, "")
    assert [path.name for path in tmp_path.iterdir()] == ["a.jsonl"] and len(read_pings(tmp_path / "a.jsonl")) == 1


@pytest.mark.slow
@pytest.mark.parametrize("request_to_end", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
def test_a_request_to_end_leaves_nothing_half_written(request_to_end, tmp_path):
    command = [sys.executable, "-c", PINGFIX, "simulate", POOL, tmp_path / "a.npy", "--seconds", "3600"]
    # As from a shell: under `nohup`, which the tests may run under, a hang-up is meant to be passed over.
    process = subprocess.Popen(
        command, stderr=subprocess.PIPE, text=True, preexec_fn=lambda: signal.signal(request_to_end, signal.SIG_DFL)
    )
    while not any(path.stat().st_size > 100_000 for path in tmp_path.iterdir()):
        assert process.poll() is None
        time.sleep(0.05)
    process.send_signal(request_to_end)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (130, "pingfix: interrupted; no result was written\n")
    assert list(tmp_path.iterdir()) == []


NAMELESS = "pingfix: .: is no name of a recording"
ODD_COMMANDS = [
    (NAMELESS, ["locate", ""]),
    (NAMELESS, ["spectrum", ""]),
    (NAMELESS, ["notes", POOL, ""]),
    (".: cannot be read: is a directory", ["report", "."]),
    ("Invalid value for '--range-m'", ["calibrate", POOL, "--range-m", "1e308"]),
    ("Invalid value for '--source-m'", ["calibrate", POOL, "--pings", "a.jsonl", "--source-m", "1e308", "1", "1"]),
    ("a.csv: is given for two results", ["fuse", "a.jsonl", "--csv", "a.csv", "--pings-csv", "a.csv"]),
    ("no\\nthing: cannot be read", ["check", "no\nthing"]),
]


@pytest.mark.parametrize(("problem", "arguments"), ODD_COMMANDS)
def test_odd_arguments_end_in_one_line(problem, arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*arguments)
    assert (code, out, err.count("\n")) == (2, "", 1) and problem in err
    assert os.listdir() == []


@pytest.mark.slow
def test_a_closed_standard_output_is_no_error_worth_a_word(inputs):
    for command in (("sound-speed", POOL), ("locate", inputs / "ping.wav", "--json")):
        done = in_a_shell('"$@" >&-', *command)
        assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.slow
def test_an_interrupted_locate_keeps_the_pings_that_it_heard(inputs, tmp_path):
    command = [sys.executable, "-c", PINGFIX, "locate", "-", "--raw", "int16", "--out", tmp_path / "a.jsonl"]
    process = subprocess.Popen(
        [*map(str, command), "--sidecar", str(inputs / "ping.json")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    process.stdin.write((inputs / "ping.wav").read_bytes()[44:] * 2)
    process.stdin.flush()
    assert process.stdout.readline()
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.decode() == f"pingfix: interrupted; the pings found until then stand in {tmp_path / 'a.jsonl'}\n"
    assert len(read_pings(tmp_path / "a.jsonl")) >= 1
