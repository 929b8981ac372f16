"""Every study that can go on, killed at each of its steps: started again it gives the same to the last digit."""

from __future__ import annotations

import os
import signal
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import click
import numpy as np
import pytest
from quick import POOL, good, run

from acoustics.cli.main import pingfix
from acoustics.study.execution import store

STUDIES = {
    "map": ["--trials", "2", "--step-m", "4", "--echo-cells", "1", "--echo-pings", "2"],
    "place": ["--hydrophones", "3", "--starts", "1"],
    "stations": ["--trials", "8", "--pings", "1", "--leg-m", "0"],
    "waypoints": ["--waypoints", "1", "--trials", "20", "--step-m", "20"],
    "validate": ["--trials", "30", "--echoes", "off"],
    "calibrate": ["--runs", "60", "--headings", "3", "--pings-each", "1"],
    "rehearse": ["--runs", "2"],
}


def killed(arguments, moment):
    """Run a command in a process of its own, which SIGKILL ends at a moment that the patch `moment` sets."""
    child = os.fork()
    if child == 0:
        with moment():
            run(*arguments)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL


def end_now(*_args, **_kwargs):
    os.kill(os.getpid(), signal.SIGKILL)


@contextmanager
def before_its_note_is_in_place():
    with patch("os.link", end_now):
        yield


@contextmanager
def after_its_first_chunk():
    """While the second is worked: nothing of it has been written."""
    kept = store.ChunkStore.keep
    with patch.object(store.ChunkStore, "keep", lambda *what: end_now() if what[1] else kept(*what)):
        yield


@contextmanager
def while_it_writes_a_chunk():
    """Half of the file is there, under its hidden name."""
    save = np.savez

    def half(file, **arrays):
        save(file, **arrays)
        file.truncate(file.tell() // 2)
        end_now()

    with patch("numpy.savez", half):
        yield


def test_one_killed_before_its_note_was_in_place_starts_anew(tmp_path):
    command = ["calibrate", POOL, *STUDIES["calibrate"], "--json", "--resume", str(tmp_path / "parts")]
    killed(command, before_its_note_is_in_place)
    assert [path.suffix for path in (tmp_path / "parts").iterdir()] == [".json"]
    good(*command)
    assert not [path for path in (tmp_path / "parts").iterdir() if path.name.startswith(".")]


def test_every_command_that_can_go_on_is_killed_here():
    context = click.Context(pingfix)
    parameters = {name: pingfix.get_command(context, name).params for name in pingfix.list_commands(context)}
    assert set(STUDIES) == {name for name, some in parameters.items() if "resume" in {one.name for one in some}}


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("name", STUDIES)
def test_one_killed_on_the_way_goes_on_with_the_same_numbers(name, tmp_path, monkeypatch):
    monkeypatch.setattr("acoustics.study.rehearse.study._RUNS_AT_ONCE", 1)
    monkeypatch.setattr("acoustics.study.rehearse.study._STATION_TRIALS", (1, 4))
    pool = tmp_path / "pool.toml"
    pool.write_text(Path(POOL).read_text().replace("[study]", "[study]\ntime_limit_s = 8.0"))
    command = [name, str(pool), *STUDIES[name], "--json", "--resume"]
    whole = good(*command, str(tmp_path / "whole"))
    parts = sorted(path.name for path in (tmp_path / "whole").iterdir())
    assert len(parts) > 2  # the note and two chunks or more
    killed([*command, str(tmp_path / "killed")], after_its_first_chunk)
    assert sorted(path.name for path in (tmp_path / "killed").iterdir()) == ["chunk-000000.npz", "study.json"]
    killed([*command, str(tmp_path / "killed")], while_it_writes_a_chunk)
    assert good(*command, str(tmp_path / "killed")) == whole
    assert sorted(path.name for path in (tmp_path / "killed").iterdir()) == parts
