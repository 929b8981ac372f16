"""Results files: what is accepted, what makes a failure of one ping, and what is refused in one line."""

from __future__ import annotations

import pytest

from acoustics.base.errors import InputError
from acoustics.study.validate.answer import Answer, EstimatorFailure
from acoustics.study.validate.exchange import read_results


def read(tmp_path, text, trials=3):
    path = tmp_path / "r.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_results(path, trials)


def test_cells_and_gaps(tmp_path):
    text = "\ufeffping, bearing_deg ,bearing_sd_deg,refused\r\n3,90,2,\r\n\r\n1,,,too weak\r\n"
    first, second, third = read(tmp_path, text)
    assert first == Answer(refused="too weak")
    assert isinstance(second, EstimatorFailure) and str(second) == "has no row in the results"
    assert third.bearings == pytest.approx((1.5707963,)) and third.bearing_sds == pytest.approx((0.0349066,))
    assert read(tmp_path, "ping,bearings_deg\n1,10 170\n")[0].bearings == pytest.approx((0.1745329, 2.9670597))


@pytest.mark.parametrize("cell", ["nan", "inf", "1e400", "abc", "1;2"])
def test_a_bad_number_is_a_failure_of_its_ping_alone(tmp_path, cell):
    first, second, _ = read(tmp_path, f"ping,bearing_deg\n1,{cell}\n2,5\n")
    assert isinstance(first, EstimatorFailure) and str(first).startswith("bearing_deg: should be a ")
    assert isinstance(second, Answer)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "ping: is missing in the header"),
        ("1,2\n", "ping: is missing in the header"),
        ("ping,depression_deg\n", "bearing_deg: is missing in the header; expected it or bearings_deg"),
        ("ping,bearing_deg,bering\n", "bering: is not a column of such a file; did you mean bearing_deg?"),
        ("ping,bearing_deg,ping\n", "ping: stands there twice in the header"),
        ("ping,bearing_deg\n1\n", "line 2: expected 2 values, got 1"),
        ("ping,bearing_deg\n4,1\n", "line 2: ping: expected a number from 1 to 3, the pings of the design, got 4"),
        ("ping,bearing_deg\n-1,1\n", "line 2: ping: expected a number from 1 to 3"),
        ("ping,bearing_deg\n1,1\n1,1\n", "line 3: ping: 1 was there before"),
        (b"ping,bearing_deg\n1,\xff\n", "is not a CSV file in UTF-8"),
        ('ping,bearing_deg\n"1,1\n', "is not a CSV file in UTF-8"),
        ("ping,bearing_deg\n" + "9" * 200_000, "line 2: is longer than 1,000 characters"),
        ("," * 5_000_000, "line 1: is longer than 1,000 characters"),
    ],
)
def test_files_that_are_refused(tmp_path, text, problem):
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert problem in str(caught.value) and "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputError, match="cannot be read: no such file"):
        read_results(tmp_path / "none.csv", 3)
