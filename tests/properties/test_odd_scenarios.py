"""Scenarios that load but are odd: every command gives finite answers, or a refusal in one line with exit code 2."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import warnings

import click
import pytest

from acoustics.base.errors import PingfixError
from acoustics.cli.main import pingfix

pytestmark = pytest.mark.usefixtures("few")

HEAD = """
vehicle = {{ position_m = {vehicle}, heading_deg = {heading}, {navigation} }}
pinger = [{{ position_m = {pinger}, frequency_hz = 30e3, {burst} }}]
water = {{ {water} }}
pool = {{ {pool} }}
array = {{ {array} }}
recorder = {{ gain_db = 40.0, {recorder} }}
noise = {{ {noise} }}
study = {{ {study} }}
"""
BASIN = "outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]], depth_m = 3.0"
PLAIN = {
    "vehicle": "[6.0, 5.0, 0.8]", "heading": "20.0", "navigation": "", "pinger": "[20.0, 8.0, 2.0]", "burst": "",
    "water": "temperature_degc = 20.0", "pool": BASIN, "array": 'use = "square-half-wave"', "recorder": "",
    "noise": "ambient_density_db = 70.0", "study": "trials = 20",
}  # fmt: skip


def hydrophones(*places, tolerance_m=1e-3):
    rows = (
        f'{{ name = "h{i}", position_m = {[float(x) for x in p]}, tolerance_m = {tolerance_m} }}'
        for i, p in enumerate(places)
    )
    return f"hydrophone = [{', '.join(rows)}]"


TETRA = [(0, 0, 0), (0.02, 0, 0), (0, 0.02, 0), (0, 0, 0.02)]
CIRCLE = [(0.05 * i, 0.01 * (i % 3), 0.02 * (i % 2)) for i in range(9)]
KNOWN = {
    "navigation": "heading_sd_deg = 0.0, roll_sd_deg = 0.0, pitch_sd_deg = 0.0, depth_sd_m = 0.0",
    "water": "temperature_degc = 20.0, temperature_tolerance_degc = 0.0, salinity_tolerance_g_kg = 0.0",
    "array": hydrophones(*TETRA, tolerance_m=0.0),
    "recorder": "skew_sd_s = 0.0",
    "study": "pinger_depth_sd_m = 0.0",
}
LOUD = {"burst": "source_level_db = 280.0", "noise": "ambient_density_db = -100.0", "recorder": "bits = 32"}
ODD = {
    "tiny pool": {"pool": "outline_m = [[0.0, 0.0], [0.5, 0.0], [0.5, 0.4], [0.0, 0.4]], depth_m = 0.5", "vehicle": "[0.2, 0.2, 0.2]", "pinger": "[0.4, 0.3, 0.4]"},
    "film of water": {"pool": BASIN.replace("3.0", "0.05"), "vehicle": "[6.0, 5.0, 0.02]", "pinger": "[20.0, 8.0, 0.04]"},
    "pinger at the surface": {"pinger": "[20.0, 8.0, 0.0]"},
    "pinger on the floor": {"pinger": "[20.0, 8.0, 3.0]"},
    "pinger in a corner": {"pinger": "[0.0, 0.0, 3.0]"},
    "pinger at a hydrophone": {"array": hydrophones(*TETRA), "pinger": "[6.0, 5.0, 0.8]"},
    "pinger within the array": {"array": hydrophones((0.01, 0, 0), (-0.01, 0, 0), (0, 0.01, 0)), "pinger": "[6.0, 5.0, 0.8]"},
    "pinger straight below": {"pinger": "[6.0, 5.0, 2.5]"},
    "pinger just below": {"pinger": "[6.0, 5.0, 0.80001]"},
    "vehicle at the pinger's depth": {"pinger": "[20.0, 8.0, 0.8]"},
    "array at the surface": {"vehicle": "[6.0, 5.0, 0.0]"},
    "everything known": KNOWN,
    "everything known and loud": KNOWN | LOUD,
    "nothing known": {"navigation": "heading_sd_deg = 180.0, depth_sd_m = 1e9", "recorder": "skew_sd_s = 1e9", "array": hydrophones(*TETRA, tolerance_m=1e9), "study": "pinger_depth_sd_m = 1e9"},
    "loud": LOUD,
    "not to be heard": {"burst": "source_level_db = -100.0", "noise": "ambient_density_db = 280.0"},
    "two hydrophones": {"array": hydrophones((0, 0, 0), (0.02, 0, 0))},
    "two on the axis": {"array": hydrophones((0, 0, 0), (0.02, 0, 0)), "pinger": "[20.0, 5.0, 0.8]", "heading": "0.0"},
    "two one above the other": {"array": hydrophones((0, 0, 0), (0, 0, 0.02))},
    "upright plane": {"array": hydrophones((0, 0, 0), (0.02, 0, 0), (0, 0, 0.02))},
    "nine hydrophones": {"array": hydrophones(*CIRCLE)},
    "no floor": {"pool": "", "study": "map_extent_m = [0.0, 0.0, 20.0, 20.0]"},
    "no floor, no surface": {"pool": "surface_reflects = false", "study": "map_extent_m = [0.0, 0.0, 20.0, 20.0]"},
    "no extent": {"pool": ""},
    "extent outside": {"study": "map_extent_m = [100.0, 100.0, 110.0, 110.0]"},
    "extent partly outside": {"study": "map_extent_m = [-10.0, -10.0, 10.0, 10.0]"},
    "one cycle": {"burst": "length_s = 3.4e-5, q = 0.5", "recorder": "sample_rate_hz = 1e6"},
    "a second long": {"burst": "length_s = 1.0"},
    "sweep": {"burst": "sweep_hz = -10000.0"},
    "brine": {"water": "temperature_degc = 45.0, practical_salinity = 45.0"},
    "two layers": {"water": "profile = [{ depth_m = 0.0, temperature_degc = 30.0 }, { depth_m = 1.5, temperature_degc = 4.0 }]"},
    "hard walls": {"pool": BASIN + ", walls = { reflection_coefficient = 1.0 }, floor = { reflection_coefficient = -1.0 }", "study": "multipath_threshold_db = 0.0"},
    "far away": {"pool": "", "pinger": "[1e8, 0.0, 5.0]"},
}  # fmt: skip
QUICK = [
    ("check",),
    ("sound-speed",),
    ("map", "--trials", "2", "--step-m", "3", "--echo-cells", "1", "--echo-pings", "2"),
]
# A sweep over spacings takes a second or two: those where it is in doubt.
SLOW = ["pinger straight below", "pinger within the array", "two on the axis", "nine hydrophones"]


def scenario(folder, name):
    path = folder / "odd.toml"
    path.write_text(re.sub(r", *}", " }", HEAD.format(**PLAIN | ODD[name])))
    return path


def answer_or_refusal(path, command, capsys):
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            pingfix.main([command[0], str(path), *command[1:], "--json"], standalone_mode=False)
        except (PingfixError, click.ClickException) as refusal:
            text = str(refusal)
            assert text.isprintable() and text
            return None
    # Not observed is null; NaN and Infinity are no JSON.
    return json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


@pytest.mark.filterwarnings("ignore::acoustics.base.errors.ValidityWarning")
@pytest.mark.parametrize("name", ODD)
@pytest.mark.slow
def test_quick_commands_answer_or_refuse(name, tmp_path, capsys):
    path = scenario(tmp_path, name)
    for command in QUICK:
        answer_or_refusal(path, command, capsys)


@pytest.mark.parametrize("name", SLOW)
@pytest.mark.slow
def test_spacing_answers_or_refuses(name, tmp_path, capsys):
    answer_or_refusal(scenario(tmp_path, name), ("spacing", "--trials", "5"), capsys)


@pytest.mark.slow
def test_an_ordinary_scenario_of_the_same_form_is_answered(tmp_path, capsys):
    path = tmp_path / "plain.toml"
    path.write_text(re.sub(r", *}", " }", HEAD.format(**PLAIN)))
    assert all(answer_or_refusal(path, command, capsys) for command in QUICK)


@pytest.mark.slow
def test_a_refusal_reaches_the_shell_as_one_line_and_code_2(tmp_path):
    path = scenario(tmp_path, "pinger at a hydrophone")
    done = subprocess.run(
        [sys.executable, "-m", "acoustics.cli.main", "check", str(path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2 and done.stdout == ""
    assert re.fullmatch(r"pingfix: .*\n", done.stderr)
