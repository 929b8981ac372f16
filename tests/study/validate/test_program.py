"""Programs that hang, flood, print garbage, die or leave children behind: a reason for each, and nothing left."""

from __future__ import annotations

import os
import sys
import time

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.study.validate.answer import EstimatorFailure, answer_of_line, answer_of_table
from acoustics.study.validate.program import resolve_program, run_program

LIMIT_S = 1.0


def run(code, folder, limit_s=LIMIT_S):
    return run_program((sys.executable, "-S", "-c", code), folder=folder, time_limit_s=limit_s)


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    try:  # one that has ended and waits for its parent, here init, counts as ended
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_the_output_comes_whole(tmp_path):
    assert run("print('x' * 60_000)", tmp_path, 20) == b"x" * 60_000 + b"\n"


HOSTILE = {
    "hangs": ("import time; time.sleep(60)", "took over 1 s"),
    "hangs with its output closed": ("import os, time; os.close(1); os.close(2); time.sleep(60)", "took over 1 s"),
    "ignores being asked to end": (
        "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(60)",
        "took over 1 s",
    ),
    "stops itself": ("import os, signal; os.kill(os.getpid(), signal.SIGSTOP)", "took over 1 s"),
    "floods": ("while True: print('x' * 10_000)", "printed over 65,536 bytes"),
    "floods standard error": ("import sys\nwhile True: sys.stderr.write('x' * 10_000)", "took over 1 s"),
    "exits": ("import sys; sys.exit(3)", "ended with exit code 3"),
    "complains": ("import sys; sys.exit('no such\\x1b[31m luck')", "ended with exit code 1: no such [31m luck"),
    "is killed": ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "was ended by SIGSEGV"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_program_is_a_failure_with_its_reason(tmp_path, name):
    code, reason = HOSTILE[name]
    with pytest.raises(EstimatorFailure) as caught:
        run(code, tmp_path, LIMIT_S if "took" in reason else 30)
    assert str(caught.value) == reason


def test_a_child_that_holds_the_output_open_is_ended_and_does_not_delay(tmp_path):
    code = "import os, sys, time\npid = os.fork()\nif pid == 0:\n    time.sleep(600)\nprint(pid)\n"
    # Waiting for the end of the output would take longer than the limit, and fail.
    pid = int(run(code, tmp_path, 20))
    for _ in range(100):
        if not alive(pid):
            break
        time.sleep(0.05)
    assert not alive(pid)


def test_standard_input_is_empty_and_the_folder_is_the_given_one(tmp_path):
    assert run("import os, sys; print(repr(sys.stdin.read()), os.getcwd())", tmp_path, 30).decode().split() == [
        "''",
        os.path.realpath(tmp_path),
    ]


def test_no_shell_sees_the_arguments(tmp_path):
    arguments = (sys.executable, "-S", "-c", "import sys; print(sys.argv[1])", "$(touch x); `touch x` > x")
    assert run_program(arguments, folder=tmp_path, time_limit_s=30).decode().strip() == arguments[-1]
    assert not any(tmp_path.iterdir())


def test_a_program_that_is_not_there(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ParameterError, match="no-such-program: is no program that can be run"):
        resolve_program(("no-such-program",))
    (tmp_path / "mine.py").write_text("")
    assert resolve_program((sys.executable, "mine.py", "--fast"))[1:] == (str(tmp_path / "mine.py"), "--fast")
    script = tmp_path / "not-a-program"
    script.write_bytes(b"\x00\x01")
    script.chmod(0o755)
    with pytest.raises(EstimatorFailure, match="cannot be started: exec format error"):
        run_program((str(script),), folder=tmp_path, time_limit_s=5)


GARBAGE = {
    b"": "printed nothing",
    b"\xff\xfe\n": "printed bytes that are not text",
    b"hello\n": "printed no JSON: hello",
    b"{}\n{}\n": "printed 2 lines where one was expected",
    b"[" * 60_000: "printed no JSON: " + "[" * 60,
    b"7\n": "answered int where a table was expected",
    b"{}": "gives neither bearing_deg nor refused",
    b'{"bearing_deg": NaN}': "bearing_deg: should be a finite number, got nan",
    b'{"bearing_deg": 1e999}': "bearing_deg: should be a finite number, got inf",
    b'{"bearing_deg": "12"}': "bearing_deg: should be a number, got '12'",
    b'{"bearing_deg": true}': "bearing_deg: should be a number, got True",
    b'{"bearings_deg": [1, 2, 3]}': "bearings_deg: expected at most 2, got 3",
    b'{"bearings_deg": [1, 2], "depression_deg": 3}': "gives 1 depressions for 2 bearings",
    b'{"bearing_deg": 1, "bearing_sd_deg": -1}': "bearing_sd_deg: should be greater than or equal to 0, got -1",
    b'{"bearing_deg": 1, "position_m": [1, 2]}': "position_m[3]: is missing",
}


@pytest.mark.parametrize("output", GARBAGE)
def test_garbage_is_a_failure_with_its_reason(output):
    with pytest.raises(EstimatorFailure) as caught:
        answer_of_line(output)
    assert str(caught.value) == GARBAGE[output]


def test_answers_that_count():
    answer = answer_of_line(b'\n{"bearing_deg": 90, "depression_deg": -45, "bearing_sd_deg": 1, "snr": "x"}\n')
    assert answer.bearings == pytest.approx((1.5707963,)) and answer.depressions == pytest.approx((-0.78539816,))
    assert answer.bearing_sds == pytest.approx((0.01745329,))
    assert answer_of_line(b'{"refused": "too weak"}').refused == "too weak"
    assert answer_of_line(b'{"bearings_deg": [10, 170]}').bearings == pytest.approx((0.1745329, 2.9670597))
    found = answer_of_table({"bearings_deg": (np.float32(10), np.array(170)), "position_m": [np.int64(1), 2, 3.5]})
    assert found.bearings == pytest.approx((0.1745329, 2.9670597)) and found.position_m == (1.0, 2.0, 3.5)
