"""Each command as a user runs it: output, JSON, pictures, and one line with exit code 2 for what is wrong."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree

import pytest
from quick import POOL, QUICK, STUDIES, good, refused

from acoustics.cli.main import _COMMANDS
from acoustics.scene.scenario import shipped

DRAWN = ("spacing", "map", "budget", "waypoints")


@pytest.mark.parametrize("command", _COMMANDS)
def test_help_shows_an_example(command):
    assert f"pingfix {command} " in good(command, "--help")


def test_help_lists_the_commands_without_loading_the_physics():
    code = (
        "import sys; from click.testing import CliRunner; from acoustics.cli.main import pingfix;"
        "out = CliRunner().invoke(pingfix, ['--help']).output;"
        "assert 'spacing' in out, out; assert not {'numpy', 'scipy', 'pydantic', 'matplotlib'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.slow
def test_planning_loads_nothing_slow_that_it_does_not_use():
    code = (
        "import sys, acoustics.study.check, acoustics.study.map, acoustics.study.stations, acoustics.study.validate;"
        "assert not {'scipy.signal', 'scipy.stats', 'scipy.optimize', 'matplotlib'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize("command", DRAWN)
@pytest.mark.slow
def test_pictures_are_written_and_never_over_another_file(command, tmp_path):
    arguments = [command, POOL, *QUICK.get(command, []), "--plot"]
    (tmp_path / "a.svg").write_bytes(b"a picture of somebody's")
    assert refused(*arguments, "a.svg", cwd=tmp_path) == [
        "pingfix: a.svg: exists already; choose another name or add --force"
    ]
    assert (tmp_path / "a.svg").read_bytes() == b"a picture of somebody's"
    good(*arguments, "a.svg", "--force", cwd=tmp_path)
    assert ElementTree.parse(tmp_path / "a.svg").getroot().tag.endswith("svg")
    assert refused(*arguments, "a.pdf", cwd=tmp_path) == ["pingfix: a.pdf: a picture's name must end in .png or .svg"]


def test_a_new_scenario_is_ready_to_run(tmp_path):
    good("new", "mine.toml", cwd=tmp_path)
    assert "sound speed" in good("check", "mine.toml", cwd=tmp_path)
    assert "exists already" in refused("new", "mine.toml", cwd=tmp_path)[0]


@pytest.mark.parametrize("command", STUDIES)
def test_a_wrong_scenario_gives_one_line(command, tmp_path):
    (tmp_path / "wrong.toml").write_text(shipped("examples")["mallard-basin"].read_text().replace("q = 8.0", "q = -8"))
    lines = refused(command, "wrong.toml", cwd=tmp_path)
    assert lines == ["pingfix: wrong.toml: pinger[1].q: should be greater than or equal to 0.5, got -8"]


def test_the_same_seed_gives_the_same_numbers():
    first, again, other = (good("calibrate", POOL, *QUICK["calibrate"], "--json", "--seed", s) for s in "778")
    assert first == again
    assert first != other


@pytest.mark.parametrize(("arguments", "expected"), [
    (["sound-speed"], "give either a SCENARIO or --temperature-degc"),
    (["sound-speed", "--temperature-degc", "99"], "water: temperature_degc: should be less than or equal to 45"),
    (["sound-speed", "--temperature-degc", "20", "--depth-m", "-3"], "depth_m = [-3.0]: expected depths"),
    (["check", POOL, "--pinger", "red"], "no pinger 'red' in the scenario; known: amber pinger"),
    (["map", POOL, "--step-m", "0.01"], "cells; at most"),
    (["new", "x.toml", "--from", "sea"], "no shipped scenario 'sea'; known:"),
])  # fmt: skip
def test_wrong_options_say_what_was_expected(arguments, expected, tmp_path):
    assert expected in refused(*arguments, cwd=tmp_path)[-1]


def test_sound_speed_of_a_fresh_pool_at_20_degc():
    # 1482.346 m/s: IAPWS-95 at 20 C, 101325 Pa (Wagner & Pruss 2002), computed with the library iapws.
    result = json.loads(good("sound-speed", "--temperature-degc", "20", "--depth-m", "0", "--json"))
    assert result["sound_speed_m_s"][0] == pytest.approx(1482.346, abs=0.05)


@pytest.mark.parametrize(("no_colour", "escapes"), [("", True), ("1", False)])
@pytest.mark.slow
def test_colour_only_on_a_terminal_and_not_against_no_color(no_colour, escapes):
    def said(stdout):
        # Both streams in one: a table's headings, then the line of a refusal.
        script = (
            "import contextlib, sys; from acoustics.cli.main import main\n"
            f"for words in {[['sound-speed', POOL], ['check', 'nowhere.toml']]}:\n"
            "    sys.argv = ['pingfix', *words]\n"
            "    with contextlib.suppress(SystemExit):\n"
            "        main()\n"
        )
        environment = {**os.environ, "NO_COLOR": no_colour}
        subprocess.run([sys.executable, "-c", script], stdout=stdout, stderr=subprocess.STDOUT, env=environment)

    ours, theirs = pty.openpty()
    said(theirs)
    os.close(theirs)
    shown = os.read(ours, 65536).decode()
    os.close(ours)
    assert "depth m" in shown and "nowhere.toml: cannot be read" in shown
    assert ("\x1b[1m" in shown and "\x1b[31m" in shown) == escapes
    with tempfile.TemporaryFile() as file:
        said(file)
        file.seek(0)
        assert b"\x1b" not in file.read()
