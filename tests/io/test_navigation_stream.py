"""Poses as they come: from lines of either kind, late, over a file that grows, a pipe or a socket."""

import os
import socket
import threading

import numpy as np
import pytest

from acoustics.base.errors import InputError
from acoustics.estimate.fuse import navigated_track
from acoustics.io.navigation_stream import MOST_ROWS, NavigationLog, RowReader, check_navigation, navigation_lines

HEADER = b"time_s,x_m,y_m,z_m,roll_deg,pitch_deg,heading_deg\n"
ROW = b"1.5,8,2,0.8,0,1,20\n"
POSE = (1.5, 8.0, 2.0, 0.8, 0.0, 1.0, 20.0)
JSON = b'{"time_s":1.5,"x_m":8,"y_m":2,"z_m":0.8,"roll_deg":0,"pitch_deg":1,"heading_deg":20}\n'


def test_both_kinds_of_line_give_the_same_pose():
    reader = RowReader("nav")
    assert [reader.take(line) for line in (HEADER, ROW, b"\n", JSON)] == [None, POSE, None, POSE]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"1,2\n", "expected 7 values, got 2"),
        (b"1.5,8,2,0.8,0,1,north\n", "could not convert"),
        (b"1.5,8,2,0.8,0,1,nan\n", "heading_deg"),
        (b'{"time_s":1}\n', "x_m"),
        (b"{[\n", "neither JSON nor CSV"),
        (b"\xff\xfe\n", "neither JSON nor CSV"),
        (b"1" * 1001, "longer than 1,000 bytes"),
    ],
)
def test_a_wrong_line_is_named_and_the_next_one_read(line, said):
    reader = RowReader("nav")
    reader.take(HEADER)
    with pytest.raises(InputError, match=said) as refusal:
        reader.take(line)
    assert "nav: line 2" in str(refusal.value)
    assert reader.take(ROW) == POSE


def test_a_file_is_read_as_it_grows_and_a_line_is_waited_for_to_its_end(tmp_path):
    path, stop = tmp_path / "nav.csv", threading.Event()
    path.write_bytes(HEADER + ROW[:4])
    lines = navigation_lines(str(path), stop.is_set)
    assert next(lines) == HEADER
    threading.Timer(0.05, lambda: path.open("ab").write(ROW[4:])).start()
    assert next(lines) == ROW
    stop.set()
    assert list(lines) == []


def test_a_pipe_and_a_socket_end_where_their_writer_ends(tmp_path):
    fifo = tmp_path / "nav.fifo"
    os.mkfifo(fifo)
    threading.Thread(target=lambda: fifo.write_bytes(HEADER + ROW), daemon=True).start()
    assert list(navigation_lines(str(fifo), lambda: False)) == [HEADER, ROW]
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            with server.accept()[0] as connection:
                connection.sendall(JSON)

        threading.Thread(target=serve, daemon=True).start()
        assert list(navigation_lines(f"127.0.0.1:{server.getsockname()[1]}", lambda: False)) == [JSON]


def test_no_other_machine_and_no_missing_file():
    with pytest.raises(InputError, match="no socket of this machine"):
        check_navigation("10.0.0.5:4000")
    with pytest.raises(InputError, match="no such file"):
        check_navigation("nowhere.csv")


def rows(times):
    t = np.asarray(times, dtype=float)
    zero = 0 * t
    return [tuple(row) for row in np.stack([t, 3 * np.sin(t), 2 * t, 0.8 + zero, zero, zero, 10 * t], axis=-1).tolist()]


def test_what_is_forgotten_leaves_the_track_as_it_is():
    whole, short = NavigationLog("whole"), NavigationLog("short")
    given = rows(np.linspace(0, 20, 201))
    whole.add(given)
    short.add(given[:150])
    short.forget_before(12.0)
    short.add(given[150:])
    assert len(short.rows) < 100
    tracks = [navigated_track(log.navigation(), [12.03, 15.5, 19.99]) for log in (whole, short)]
    for name in ("position_m", "heading", "distance_m", "origin_m"):
        np.testing.assert_allclose(getattr(tracks[0], name), getattr(tracks[1], name), atol=1e-12)


def test_late_and_repeated_rows_stand_in_their_place_once():
    log = NavigationLog("late")
    given = rows(range(10))
    log.add([*given[:3], *given[5:], given[4], given[3], given[4]])
    assert log.rows == given
    log.forget_before(6.5)
    log.add(given[:2])
    assert log.rows == given[6:]


def test_an_endless_navigation_takes_no_more_memory():
    log = NavigationLog("long")
    log.add(rows(np.arange(MOST_ROWS + 500) * 0.01))
    assert len(log.rows) == MOST_ROWS and log.travelled_m > 0
