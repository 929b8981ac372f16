"""`pingfix fuse -`: a stream of ping lines and a navigation, to one line of JSON a ping."""

import io
import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import replace

import json_schema
import pytest
from jsonschema import Draft202012Validator
from quick import POOL, refused
from study.live.test_live import PINGS, ROWS, SCENE

from acoustics import fuse
from acoustics.cli.live import LiveOptions, follow_live
from acoustics.io.navigation import COLUMNS
from acoustics.io.navigation_stream import NavigationLog
from acoustics.io.ping_lines import ping_from_line, ping_line
from acoustics.study.live import LiveRun

LINES = [f"{ping_line(ping)}\n".encode() for ping in PINGS]
NAVIGATION = "\n".join([",".join(COLUMNS), *(",".join(map(repr, row)) for row in ROWS)]) + "\n"
OPTIONS = LiveOptions(None, None, 24, 0.95, None, 1.0, 10.0)


def followed(capsys, lines, options=OPTIONS, navigation=None):
    """The answers to a stream, and what was said on standard error."""
    run = LiveRun(SCENE, navigation=None if navigation is None else NavigationLog("nav"))
    stream = lines if hasattr(lines, "readline") else io.BytesIO(b"".join(lines))
    follow_live(run, stream, navigation, None, options, lambda answer: b"")
    said = capsys.readouterr()
    return [json.loads(line) for line in said.out.splitlines()], said.err


def test_each_ping_has_its_line_and_the_last_is_that_of_the_files(capsys, tmp_path):
    path = tmp_path / "nav.csv"
    path.write_text(NAVIGATION)
    # However long a busy machine takes to read the poses.
    answers, said = followed(capsys, LINES, replace(OPTIONS, wait_s=60.0), str(path))
    assert [answer["ping"] for answer in answers] == [*range(1, 11), None] and said == ""
    read = [ping_from_line(line, "pings") for line in LINES]  # degrees in a line may move an angle's last bit
    assert answers[-1]["solution"] == fuse(read, scene=SCENE, navigation=path).to_dict()
    schema = Draft202012Validator(json_schema.schema_of("fuse"))
    for answer in answers:
        schema.validate(answer)


def test_wrong_lines_and_other_pingers_are_said_and_passed_over(capsys):
    other = ping_line(replace(PINGS[1], pinger="teal pinger")).encode() + b"\n"
    answers, said = followed(capsys, [LINES[0], b"{}\n", b"\xff\n", b"\n", other, other, LINES[1], LINES[1]])
    assert [answer["ping"] for answer in answers] == [1, 2, None]
    assert "standard input: line 2" in said and "line 3: is not valid JSON" in said
    assert said.count("pings of 'teal pinger' are passed over") == 1


def test_a_stalled_stream_is_said_once_and_the_run_goes_on(capsys):
    read, write = os.pipe()
    os.write(write, LINES[0])

    def go_on():
        os.write(write, LINES[1])
        os.close(write)

    threading.Timer(1.0, go_on).start()
    with os.fdopen(read, "rb") as stream:
        answers, _ = followed(capsys, stream, replace(OPTIONS, stall_s=0.2))
    assert [answer["event"] for answer in answers] == ["ping", "silence", "ping", "end"]
    assert "no ping for 0 s" in answers[1]["flags"][0]


def test_without_poses_a_ping_has_its_line_all_the_same(capsys, tmp_path):
    path = tmp_path / "nav.csv"
    path.write_text(NAVIGATION[: NAVIGATION.index("\n8.0,")])
    answers, _ = followed(capsys, LINES, replace(OPTIONS, wait_s=1.5, stall_s=0.25), str(path))
    assert answers[-1]["waiting"] == [5, 6, 7, 8, 9, 10]
    assert len(answers[-1]["solution"]["pings"]) == 4
    assert any("the navigation has stopped" in flag for answer in answers for flag in answer["flags"])


def command(tmp_path):
    arguments = ["fuse", "-", "--scenario", POOL, "--navigation", "nav.csv", "--state", "run.json"]
    return subprocess.Popen(
        [sys.executable, "-m", "acoustics.cli.main", *arguments],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


@pytest.mark.slow
@pytest.mark.thorough
def test_a_killed_run_loses_no_ping(tmp_path):
    """Killed after its fourth line; the second program is given the same lines from the first on, as from a file."""
    (tmp_path / "nav.csv").write_text(NAVIGATION)
    first = command(tmp_path)
    first.stdin.write(b"".join(LINES[:4]))
    first.stdin.flush()
    for number in range(1, 5):
        assert json.loads(first.stdout.readline())["ping"] == number
    first.send_signal(signal.SIGKILL)
    first.communicate()
    second = command(tmp_path)
    out, err = second.communicate(b"".join(LINES))
    answers = [json.loads(line) for line in out.splitlines()]
    assert second.returncode == 0 and err == b""
    assert [answer["ping"] for answer in answers] == [5, 6, 7, 8, 9, 10, None]
    whole = fuse(PINGS, scene=SCENE, navigation=tmp_path / "nav.csv")
    assert answers[-1]["heard"] == 10
    assert answers[-1]["solution"]["position_m"] == pytest.approx(whole.position_m.tolist(), rel=1e-9)


def test_what_belongs_to_a_live_run_alone_is_refused_elsewhere(tmp_path):
    (tmp_path / "pings.jsonl").write_bytes(LINES[0])
    (said,) = refused("fuse", "pings.jsonl", "--state", "run.json", "--page", "page.html", cwd=tmp_path)
    assert "--state, --page: only a live run has it" in said
    (said,) = refused("fuse", "-", "--csv", "fix.csv", cwd=tmp_path)
    assert "- is the only PINGS of a live run" in said
    (said,) = refused("fuse", "-", "--navigation", "10.0.0.5:4000", cwd=tmp_path)
    assert "no socket of this machine" in said
    (tmp_path / "run.json").write_text("[1")
    (said,) = refused("fuse", "-", "--state", "run.json", cwd=tmp_path)
    assert "run.json: is not valid JSON" in said
    for endless in ("[" * 200_000, "x" * 20_000_000):
        (tmp_path / "run.json").write_text(endless)
        assert len(refused("fuse", "-", "--state", "run.json", cwd=tmp_path)) == 1
