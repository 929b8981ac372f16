"""The line about how far long work has come, as a terminal gets it."""

from __future__ import annotations

import contextlib
import io
import time

import pytest

from acoustics.cli import progress
from acoustics.cli.progress import Progress


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def clock(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(progress, "_EVERY_S", 0.01)
    yield now
    Progress.end()


@pytest.mark.parametrize("before", [0, 6])
def test_the_time_left_counts_neither_what_came_before_nor_what_an_earlier_run_had_done(clock, before):
    line = Progress("tried")
    clock[0] += 50.0
    line(before, before + 10)
    assert line.left_s(clock[0]) is None
    for done in (1, 2, 3):
        clock[0] += 4.0
        line(before + done, before + 10)
    assert line.left_s(clock[0]) == pytest.approx(28.0)
    clock[0] += 3.0
    assert line.left_s(clock[0]) == pytest.approx(25.0)
    # A fourth part that takes 33 s: if it ended now, four would have taken 45 s, and six are left.
    clock[0] += 30.0
    assert line.left_s(clock[0]) == pytest.approx(6 / 4 * 45.0)


def test_the_line_is_there_before_anything_is_done_and_ends_with_the_work(clock):
    written = Terminal()
    with contextlib.redirect_stderr(written):
        line = Progress("tried")
        clock[0] += 2.0
        while "so far" not in written.getvalue():
            time.sleep(0.01)
        assert written.getvalue().startswith("\r  0 % tried, 2 s so far")
        line(0, 2)
        clock[0] += 1.0
        line(2, 2)
    assert written.getvalue().endswith("\r100 % tried, 0 s left    \n")
