"""Ping lines: back as they went, and every refusal names line and key."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from acoustics.base.errors import InputError
from acoustics.estimate.tdoa.differences import tdoa_of
from acoustics.io.echo_fix import EchoFix, EchoMode, FaceOffset
from acoustics.io.ping_lines import (
    Candidate,
    IntegerAlternative,
    NavigatedPose,
    Ping,
    ping_line,
    ping_table,
    read_pings,
)

PING = Ping(
    ping=1,
    pinger="amber pinger",
    time_s=1.25,
    frequency_hz=30e3,
    ok=True,
    reason="",
    energy_ratio_db=17.3,
    window_s=8e-5,
    method="phase",
    integer_probability=0.999,
    channels=("a", "b", "c"),
    hydrophones_m=np.eye(3) / 10,
    tolerances_m=np.full(3, 1e-3),
    reference=0,
    tdoa_s=np.array([1e-6, 2e-6]),
    tdoa_covariance_s2=np.array([[2e-14, 1e-14], [1e-14, 2e-14]]),
    skew_sd_s=2e-7,
    flags=("channel 'd': failed, left out",),
    sound_speed_m_s=1480.0,
    sound_speed_sd_m_s=1.0,
    candidates=(Candidate(0.1, 0.2, 0.01, np.inf), Candidate(0.1, -0.2, 0.01, 0.02)),
    p_value=0.5,
    position_m=np.array([3.0, 1.0, 0.5]),
    position_covariance_m2=np.diag([1.0, 0.1, 0.2]),
    position_reason="",
    pose=NavigatedPose((1.0, 2.0, 0.8), 0.01, 0.02, 0.3, 0.5, 0.05, 0.01, 0.01, 0.03),
    depth_m=2.4,
    depth_sd_m=0.1,
    site_bearing=(0.4, 0.4),
    site_position_m=np.array([4.0, 3.0, 1.3]),
    integers=(IntegerAlternative((0, 0), 0.9), IntegerAlternative((-1, 2), 0.09, 3.5)),
    integers_left_out=0.01,
)


ECHOES = EchoFix(
    True,
    "",
    (EchoMode(np.array([4.0, 3.0, 1.3]), np.diag([0.04, 0.01, 0.02]), 0.9, np.array([[0.1, 0.0], [-0.02, 0.03]])),),
    0.05,
    0.07,
    0.02,
    0.01,
    (FaceOffset("floor_depth", 0.03, 0.6),),
    0.8,
    0.4,
    0.5,
    0.004,
)


@pytest.mark.parametrize("echoes", [ECHOES, EchoFix(False, "the burst is swept")])
def test_the_place_by_echoes_comes_back_too(tmp_path, echoes):
    file = tmp_path / "p.jsonl"
    line = ping_line(replace(PING, echoes=echoes))
    file.write_text(line)
    assert ping_line(read_pings(file)[0]) == line
    assert "echoes" not in ping_table(PING)  # without a site sketch a line is as it was before there were any


def test_a_ping_comes_back_as_it_went(tmp_path):
    file = tmp_path / "p.jsonl"
    file.write_text(ping_line(PING) + "\n\n" + ping_line(PING) + "\n")
    first, second = read_pings(file)
    for back in (first, second):
        found, expected = flat(ping_table(back)), flat(ping_table(PING))
        assert found.keys() == expected.keys()
        for path, value in expected.items():
            # Degrees went to radians and back.
            assert found[path] == (pytest.approx(value, rel=1e-12) if isinstance(value, float) else value), path
        assert back.candidates[0].depression_sd == np.inf
        np.testing.assert_array_equal(tdoa_of(back).tdoa_s, PING.tdoa_s)
        assert back.integers == PING.integers


def flat(value, path=""):
    """Numbers and words of a table by their path."""
    if isinstance(value, dict | list):
        items = value.items() if isinstance(value, dict) else enumerate(value)
        return {k: v for key, entry in items for k, v in flat(entry, f"{path}.{key}").items()}
    return {path: value}


def without(*keys):
    return {key: value for key, value in ping_table(PING).items() if key not in keys}


def integers(*cycles):
    return {"cycles": list(cycles), "weight": 0.5, "build_up_misfit": 0.0}


@pytest.mark.parametrize(
    "table, problem",
    [
        ([], "expected a table, got list"),
        (without("time_s"), "time_s: is missing"),
        (without() | {"time_ms": 1}, "unknown key 'time_ms'; did you mean 'time_s'?"),
        (without() | {"ok": 1}, "ok: should be a boolean, got 1"),
        (without() | {"channels": ["a"]}, "channels: expected at least 2 for delays, got 1"),
        (without() | {"tdoa_s": [1e-6]}, "tdoa_s: expected 2 numbers, got 1"),
        (without() | {"tdoa_s": []}, "tdoa_s: expected 2 numbers, got 0"),
        (without() | {"tdoa_covariance_s2": [[1, 2], [3, 4]]}, "tdoa_covariance_s2: is no covariance"),
        (without() | {"tdoa_covariance_s2": [[1, 2], [2, 1]]}, "tdoa_covariance_s2: is no covariance"),
        (without() | {"hydrophones_m": [[0, 0]] * 3}, "hydrophones_m[1][3]: is missing"),
        (without() | {"tolerances_m": [0, -1, 0]}, "tolerances_m[2]: should be greater than or equal to 0, got -1"),
        (without() | {"reference": 3}, "reference: expected an index from 0 to 2, got 3"),
        (without() | {"sound_speed_m_s": 0}, "sound_speed_m_s: should be greater than 0, got 0"),
        (without() | {"position_m": None}, "position_covariance_m2: must be given if and only if position_m is"),
        (without() | {"candidates": [{"bearing_deg": 1}]}, "candidates[1].depression_deg: is missing"),
        (without() | {"integers": [integers(0, 0), integers(1)]}, "integers[2].cycles: expected 2 numbers, got 1"),
        (without() | {"integers": [integers(1, 0)]}, "integers[1].cycles: expected zeros"),
        (without() | {"integers_left_out": 1.5}, "integers_left_out: should be less than or equal to 1, got 1.5"),
        (without() | {"site_bearing_deg": [1]}, "site_bearing_deg: expected 2 numbers, got 1"),
        (without() | {"pose": {}}, "pose.position_m: is missing (and 8 more)"),
    ],
)
def test_a_wrong_line_is_refused_by_line_and_key(table, problem, tmp_path):
    path = tmp_path / "p.jsonl"
    path.write_text(ping_line(PING) + "\n" + json.dumps(table) + "\n")
    with pytest.raises(InputError) as caught:
        read_pings(path)
    assert str(caught.value).startswith(f"{path}: line 2: {problem}")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["{", "[" * 100_000, "\xff", '{"ping": NaN}'])
def test_what_is_no_json_is_refused(text, tmp_path):
    (tmp_path / "p").write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match="line 1"):
        read_pings(tmp_path / "p")


def test_a_missing_file_and_an_endless_line_are_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read: no such file"):
        read_pings(tmp_path / "none")
    (tmp_path / "p").write_text("1" * 300_000)
    with pytest.raises(InputError, match="line 1: is longer than 200,000 bytes, so not a ping"):
        read_pings(tmp_path / "p")
