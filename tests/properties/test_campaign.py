"""A slice of the campaign of tests/benchmarks/campaign.py; other cases are tried there, by the hour."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("campaign", Path(__file__).parents[1] / "benchmarks" / "campaign.py")
campaign = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(campaign)


def test_damaged_files_are_read_or_refused_in_words(tmp_path):
    outcomes = [campaign.try_input(11, k, tmp_path / "finds")[1] for k in range(300)]
    assert set(outcomes) == {"answered", "refused"}, list((tmp_path / "finds").iterdir())


@pytest.mark.slow
def test_odd_command_lines_answer_or_are_refused_in_words(tmp_path):
    outcomes = [campaign.try_command_line(11, k, tmp_path / "finds")[1] for k in range(25)]
    assert set(outcomes) == {"answered", "refused"}, list((tmp_path / "finds").iterdir())


@pytest.mark.slow
def test_a_case_that_hangs_dies_or_raises_is_a_find_and_the_next_is_tried(tmp_path, monkeypatch):
    def trial(seed, k, finds):
        if k == 1:
            while True:
                pass
        if k == 3:
            os._exit(3)
        assert k != 5
        return "reader", "answered"

    monkeypatch.setitem(campaign.TRIALS, "inputs", trial)
    monkeypatch.setitem(campaign._TOO_LONG_S, "inputs", 0.3)
    found, end = campaign.campaign("inputs", 1, 0, 8, 60.0, tmp_path)
    assert end == 8 and found == {("reader", "answered"): 5, ("(any)", "find"): 3}
    said = {p.name: (p / "said.txt").read_text() for p in tmp_path.iterdir()}
    assert (
        said["inputs-1-1"] == "case 1: took over 0.3 s\n"
        and said["inputs-1-3"] == "case 3: died: 3\n"
        and len(said) == 3
    )
