"""`pingfix validate` as a user runs it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from acoustics.base.errors import OutputError
from acoustics.cli.validate import validate_command
from acoustics.scene.scenario import shipped

POOL = str(shipped("examples")["mallard-basin"])
BEAM = str(Path(__file__).parents[2] / "examples" / "estimators" / "beam.py")


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments):
    return CliRunner().invoke(validate_command, [POOL, *arguments])


@pytest.mark.slow
def test_text_json_picture_and_gate():
    few = ("--trials", "12", "--energy-ratio-db", "50", "--seed", "3")
    done = run(*few, "--plot", "v.png", "--max-rms-deg", "90")
    assert done.exit_code == 0, done.output
    assert "Mallard Basin: phase on square-half-wave, amber pinger; 12 simulated pings, seed 3" in done.stdout
    assert "limits kept at 95 % confidence" in done.stderr
    assert Path("v.png").stat().st_size > 10_000
    missed = run(*few, "--json", "--max-rms-deg", "0.1")
    assert missed.exit_code == 1
    assert "limits missed: RMS" in missed.stderr and missed.stderr.count("\n") == 1
    result = json.loads(missed.stdout, parse_constant=pytest.fail)
    assert result["overall"]["trials"] == 12 and len(result["missed"]) == 1
    assert {s["group"] for s in result["by_sector"]} == {"ahead", "starboard", "astern", "port"}


@pytest.mark.slow
def test_a_program_after_two_dashes():
    done = run("--trials", "4", "--json", "--echoes", "off", "--", sys.executable, BEAM)
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["estimator"] == "beam.py"


@pytest.mark.slow
def test_pings_of_a_program_are_drawn_from_a_secret_that_repeats_them():
    few = ("--trials", "2", "--json", "--echoes", "off")
    one, other = (json.loads(run(*few, "--", sys.executable, BEAM).stdout) for _ in range(2))
    assert one["program_apart"] and len(one["design"]["secret"]) == 32
    assert one["overall"]["rms_deg"] != other["overall"]["rms_deg"]
    again = run(*few, "--secret", one["design"]["secret"], "--", sys.executable, BEAM)
    assert json.loads(again.stdout) == one
    # From the seed alone, as the built-in estimators' pings and those of --export are.
    assert json.loads(run(*few, "--secret", "none", "--", sys.executable, BEAM).stdout)["design"]["secret"] == ""
    assert "expected up to 64 hexadecimal digits" in str(run(*few, "--secret", "xyz").exception)
    assert "needs --secret" in run(*few, "--resume", "kept", "--", sys.executable, BEAM).output


@pytest.mark.slow
def test_a_program_that_dies_every_time_gives_a_report_all_the_same():
    done = run("--trials", "4", "--plot", "v.svg", "--max-unanswered-percent", "50", "--", sys.executable, "-c", "x")
    assert done.exit_code == 1
    assert "4  ended with exit code 1: NameError: name 'x' is not defined" in done.stdout
    assert "No ping got a bearing" in done.stdout
    assert "unanswered 100 %, 95 % interval up to 100 %: over the limit of 50 % by 50 %" in done.stderr


def test_export_and_results():
    few = ("--trials", "4", "--energy-ratio-db", "45")
    done = run(*few, "--export", "out")
    assert done.exit_code == 0 and "keep out/truth.csv from the estimator" in done.stdout
    Path("r.csv").write_text("ping,refused,bearing_deg\n1,no idea,\n")
    scored = run(*few, "--results", "r.csv", "--json")
    assert [r[0] for r in json.loads(scored.stdout)["reasons"]] == ["has no row in the results", "no idea"]


def test_refusals():
    assert "no place around" in str(run("--range-m", "9600", "--export", "far").exception) and not Path("far").exists()
    assert "exclude each other" in run("--estimator", "phase", "--export", "x").output
    assert "expected phase, correlation" in str(run("--estimator", "x").exception)
    taken = run("--plot", "v.txt")
    assert isinstance(taken.exception, OutputError) and "must end in .png or .svg" in str(taken.exception)
