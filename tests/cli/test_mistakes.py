"""Mistakes in a scenario are named by `check`, in plain words, and the guide's page of them is true."""

from __future__ import annotations

import pytest
from mistakes import GOOD, MISTAKES, PAGE, REMARKED, page, said
from quick import good, refused


def test_without_a_mistake_the_scenario_is_good(tmp_path):
    (tmp_path / "pool.toml").write_text(GOOD, encoding="utf-8")
    good("check", "pool.toml", cwd=tmp_path)


@pytest.mark.parametrize("what", [what for what in MISTAKES if what not in REMARKED])
def test_a_mistake_is_refused_by_file_and_key(what, tmp_path):
    code, lines = said(tmp_path, what)
    assert code == 2
    # One thing is wrong: a line, two where two tables are at odds with it.
    assert 1 <= len(lines) <= 4
    assert all(line.startswith(("pingfix: pool.toml: ", "pingfix: ours.toml: ")) for line in lines)


@pytest.mark.parametrize("what", REMARKED)
def test_what_may_be_meant_is_remarked(what, tmp_path):
    code, (note,) = said(tmp_path, what)
    assert code == 0
    assert all(words in note for words in REMARKED[what])


@pytest.mark.slow
def test_the_page_of_mistakes_is_true(tmp_path):
    assert page(tmp_path) == PAGE.read_text(encoding="utf-8"), "run tests/mistakes.py if the wording is wanted"


def test_what_another_command_would_refuse_check_refuses_by_that_commands_name(tmp_path):
    (tmp_path / "pool.toml").write_text(GOOD.replace("trials = 1000", "map_depth_m = 5.0"), encoding="utf-8")
    (line,) = refused("check", "pool.toml", cwd=tmp_path)
    (same,) = refused("map", "pool.toml", cwd=tmp_path)
    file, fault = same.split(": ", 2)[1:]
    assert line == f"pingfix: {file}: pingfix map: {fault}"


@pytest.mark.parametrize("command", ["stations", "rehearse"])
def test_a_study_that_refuses_the_scenario_names_its_file(command, tmp_path):
    (tmp_path / "pool.toml").write_text(GOOD[: GOOD.index("[[station]]")], encoding="utf-8")
    assert refused(command, "pool.toml", cwd=tmp_path) == [
        "pingfix: pool.toml: the scenario has no [[station]]: give the places among which to choose"
    ]


def test_questions_that_are_not_put_are_not_refused(tmp_path):
    pool = GOOD[GOOD.index("[pool]") : GOOD.index("[[pinger]]")]
    open_water = GOOD.replace(pool, "")
    (tmp_path / "pool.toml").write_text(open_water[: open_water.index("[[station]]")], encoding="utf-8")
    good("check", "pool.toml", cwd=tmp_path)
