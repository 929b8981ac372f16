"""The navigation file: poses between its rows, and what is wrong with a file in one line."""

import warnings

import numpy as np
import pytest

from acoustics.base.errors import InputError
from acoustics.estimate.fuse import navigated_track
from acoustics.io.navigation import COLUMNS, read_navigation

HEADER = ",".join(COLUMNS)


def written(tmp_path, text):
    path = tmp_path / "nav.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_poses_between_rows_are_linear_and_headings_take_the_short_way(tmp_path):
    path = written(tmp_path, f"{HEADER}\n0,0,0,1,0,0,170\n2,3,4,1,2,0,-170\n4,3,8,2,0,0,-170\n")
    track = navigated_track(read_navigation(path), [1.0, 3.0])
    np.testing.assert_allclose(track.position_m, [[1.5, 2.0, 1.0], [3.0, 6.0, 1.5]])
    np.testing.assert_allclose(np.rad2deg(track.roll), [1.0, 1.0])
    assert abs(np.rad2deg(track.heading[0])) == pytest.approx(180.0)
    np.testing.assert_allclose(track.distance_m, [2.5, 7.0])  # over the ground: 3-4-5
    np.testing.assert_allclose(track.origin_m, [0, 0, 1])


def test_columns_may_stand_in_any_order(tmp_path):
    path = written(tmp_path, "heading_deg,time_s,x_m,z_m,y_m,pitch_deg,roll_deg\n90,1,10,0.5,20,0,0\n")
    navigation = read_navigation(path)
    np.testing.assert_allclose(navigation.position_m, [[10, 20, 0.5]])
    assert navigation.heading[0] == pytest.approx(np.pi / 2)


def test_a_ping_outside_the_navigation_is_refused(tmp_path):
    navigation = read_navigation(written(tmp_path, f"{HEADER}\n0,0,0,1,0,0,0\n2,1,0,1,0,0,0\n"))
    with pytest.raises(InputError, match="no row for a ping at 2.500 s: it spans 0.000 to 2.000 s"):
        navigated_track(navigation, [1.0, 2.5])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "time_s: is missing"),
        (HEADER + "\n", "no row below its header"),
        (HEADER.replace("z_m", "depth_m") + "\n0,0,0,0,0,0,0\n", "z_m: is missing"),
        (HEADER + ",speed\n0,0,0,0,0,0,0,1\n", "speed: is not a column"),
        (HEADER + ",x_m\n0,0,0,0,0,0,0,1\n", "x_m: stands there twice"),
        (HEADER + "\n0,0,0\n", "line 2: expected 7 values, got 3"),
        (HEADER + "\n0,0,nan,0,0,0,0\n", "line 2: y_m: expected a number, got 'nan'"),
        (HEADER + "\n0,0,1e99,0,0,0,0\n", "line 2: y_m: expected a number"),
        (HEADER + "\n0,0,one,0,0,0,0\n", "line 2: y_m: expected a number, got 'one'"),
        (HEADER + "\n1,0,0,0,0,0,0\n1,0,0,0,0,0,0\n", "time_s: does not rise from 1.000 to 1.000 s"),
        (b"\xff\xfe\x00\x01" * 10, "not a CSV file in UTF-8"),
        ("x" * 5000, "line 1: is longer than"),
    ],
)
def test_wrong_files_are_refused_in_one_line(tmp_path, text, message):
    with pytest.raises(InputError, match=message) as refusal:
        read_navigation(written(tmp_path, text))
    assert "\n" not in str(refusal.value)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read: no such file"):
        read_navigation(tmp_path / "none.csv")


def test_pings_in_a_hole_of_the_navigation_are_told(tmp_path):
    rows = "".join(f"{t},{t},0,1,0,0,0\n" for t in (0.0, 0.5, 1.0, 1.5, 9.0, 9.5, 10.0))
    path = written(tmp_path, f"{HEADER}\n{rows}")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        navigated_track(read_navigation(path), [0.7, 1.5, 9.0, 9.7])
    with pytest.warns(UserWarning, match=r"nav.csv: time_s: has no row between 1.500 and 9.000 s, where pings"):
        track = navigated_track(read_navigation(path), [0.7, 4.0])
    np.testing.assert_allclose(track.position_m[:, 0], [0.7, 4.0])
