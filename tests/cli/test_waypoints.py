"""`pingfix waypoints` as a user runs it."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from acoustics.base.errors import ParameterError
from acoustics.cli.waypoints import waypoints_command
from acoustics.scene.scenario import shipped

POOL = str(shipped("examples")["mallard-basin"])
QUICK = ["--step-m", "4", "--trials", "30"]


def run(*arguments):
    return CliRunner().invoke(waypoints_command, [*arguments], catch_exceptions=True)


@pytest.mark.slow
def test_text_names_waypoints_and_says_what_they_are_worth():
    done = run(POOL, *QUICK, "--waypoints", "2")
    assert done.exit_code == 0, done.output
    assert "2 waypoints of 3 pings" in done.output
    assert "random, median" in done.output
    assert "(predicted)" in done.output


@pytest.mark.slow
def test_json_holds_waypoints_and_the_other_runs(tmp_path):
    picture = tmp_path / "waypoints.png"
    done = run(POOL, *QUICK, "--json", "--plot", str(picture), "--prior", "pool", "--criterion", "area")
    assert done.exit_code == 0, done.output
    result = json.loads(done.output)
    assert result["criterion"] == "area"
    assert result["prior"]["kind"] == "pool"
    assert len(result["proposed"]["waypoints"]) == 3
    assert result["random"]["low_m"] <= result["random"]["median_m"]
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_help_shows_an_example():
    assert "pingfix waypoints examples/mallard-basin.toml" in run("--help").output


@pytest.mark.parametrize(("option", "value"), [("--waypoints", "7"), ("--speed-m-s", "0"), ("--prior", "lake")])
def test_options_out_of_range_are_refused(option, value):
    assert run(POOL, option, value).exit_code == 2


def test_too_little_time_writes_no_picture(tmp_path):
    picture = tmp_path / "waypoints.png"
    done = run(POOL, *QUICK, "--time-s", "1", "--plot", str(picture))
    assert isinstance(done.exception, ParameterError)
    assert not picture.exists()
