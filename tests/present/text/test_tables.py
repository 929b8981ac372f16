"""Tables, digits and JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import pytest

from acoustics.present.text.tables import number, percent, table, to_json


@pytest.mark.parametrize(("value", "text"), [
    (0.0, "0"), (0.012345, "0.012"), (1.2345, "1.2"), (12.345, "12"), (1234.5, "1234"), (np.inf, "none"), (np.nan, "none"),
])  # fmt: skip
def test_numbers_have_no_more_digits_than_they_deserve(value, text):
    assert number(value) == text


@pytest.mark.parametrize(("value", "text"), [(0.0, "<0.01 %"), (0.0123, "1.2 %"), (0.456, "46 %"), (1.0, "100 %")])
def test_small_probabilities_are_named_by_their_limit(value, text):
    assert percent(value) == text


def test_headings_fold_only_as_far_as_a_terminal_needs():
    header = ("what", *["simulated error in degrees"] * 4)
    lines = table(header, [("a", "1.0", "22.0", "3", "4")]).splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[0].split() == ["simulated", "error"] * 4 and lines[1].split() == ["what", *["in", "degrees"] * 4]
    assert len(table(header[:4], [("a", "1", "2", "3")]).splitlines()) == 3  # narrow enough as it is


def test_columns_are_aligned_under_their_headings():
    lines = table(("name", "m"), [("a", "1.5"), ("long name", "10")]).splitlines()
    assert lines == ["name         m", "---------  ---", "a          1.5", "long name   10"]


@dataclass(frozen=True)
class Result:
    values: np.ndarray
    flag: np.bool_


def test_json_has_no_infinity_and_no_numpy_in_it():
    text = to_json({"result": Result(np.array([1.0, np.inf, np.nan]), np.True_)})
    assert json.loads(text, parse_constant=pytest.fail) == {"result": {"values": [1.0, None, None], "flag": True}}
