"""Programs that hang, flood, print garbage, die or leave children behind: a reason for each, and nothing left."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.study.validate import program
from acoustics.study.validate.answer import EstimatorFailure, answer_of_line, answer_of_table
from acoustics.study.validate.program import own_namespace, resolve_program, run_program

LIMIT_S = 1.0


def run(code, folder, limit_s=LIMIT_S):
    return run_program((sys.executable, "-S", "-c", code), folder=folder, time_limit_s=limit_s)


@pytest.fixture(params=["apart", "in our own"])
def namespace(request, monkeypatch):
    """In a namespace of its own, which this machine must offer, and as where a system offers none."""
    assert own_namespace()
    if request.param == "in our own":
        monkeypatch.setattr(program, "own_namespace", lambda: ())
    return request.param


def running(mark):
    """Processes with this text in their command line, but for those that have ended and wait for their parent."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            state = (folder / "stat").read_text().rsplit(")", 1)[1].split()[0]
            if state != "Z" and mark.encode() in (folder / "cmdline").read_bytes():
                found.append(int(folder.name))
        except OSError:
            continue
    return found


def assert_gone(mark):
    for _ in range(100):
        if not running(mark):
            break
        time.sleep(0.05)
    assert running(mark) == []


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
def test_a_hostile_program_is_a_failure_with_its_reason(tmp_path, namespace, name):
    code, reason = HOSTILE[name]
    with pytest.raises(EstimatorFailure) as caught:
        run(code, tmp_path, LIMIT_S if "took" in reason else 30)
    assert str(caught.value) == reason


def test_a_child_that_holds_the_output_open_is_ended_and_does_not_delay(tmp_path, namespace):
    mark = f"held open {os.getpid()} {namespace}"
    code = f"import os, time  # {mark}\nif os.fork() == 0:\n    time.sleep(600)\nprint(1)\n"
    # Waiting for the end of the output would take longer than the limit, and fail.
    assert run(code, tmp_path, 20) == b"1\n"
    assert_gone(mark)


def test_what_is_forked_twice_into_a_session_of_its_own_ends_with_the_program(tmp_path):
    mark = f"forked twice {os.getpid()}"
    code = f"""import os, time  # {mark}
if os.fork() == 0:
    os.setsid()
    if os.fork() == 0:
        for fd in (0, 1, 2):
            os.close(fd)
        time.sleep(600)
    os._exit(0)
print(1)"""
    assert run(code, tmp_path, 20) == b"1\n"
    assert_gone(mark)


def test_a_program_sees_no_process_but_its_own_and_the_first_of_its_namespace(tmp_path):
    code = "import os; print(os.getppid(), os.getpid(), *(n for n in os.listdir('/proc') if n.isdigit()))"
    first, own, *seen = map(int, run(code, tmp_path, 20).split())
    assert first == 1 and sorted(seen) == [first, own]


@pytest.mark.slow
def test_a_program_ends_with_whoever_runs_it_even_if_that_is_killed(tmp_path, namespace):
    mark = f"outlives {os.getpid()} {namespace}"
    caller = (
        "import sys\nfrom pathlib import Path\nfrom acoustics.study.validate import program\n"
        + ("" if namespace == "apart" else "program.own_namespace = lambda: ()\n")
        + "code = f\"open('ready', 'w').close(); import time; time.sleep(600)  # {sys.argv[1]}\"\n"
        + "program.run_program((sys.executable, '-S', '-c', code), folder=Path(), time_limit_s=600)"
    )
    process = subprocess.Popen([sys.executable, "-c", caller, mark], cwd=tmp_path)
    while not (tmp_path / "ready").exists():
        assert process.poll() is None
        time.sleep(0.01)
    process.kill()
    process.wait()
    assert_gone(mark)


def test_the_memory_of_who_asks_is_closed_to_the_program(tmp_path, namespace):
    run("pass", tmp_path, 20)
    # prctl(2): 3 is PR_GET_DUMPABLE; 0 keeps all but root from /proc/PID/mem and environ, and from ptrace.
    assert ctypes.CDLL(None).prctl(3) == 0


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        ("x = bytearray(9 << 30)", "MemoryError"),
        ("f = open('big', 'wb'); f.truncate(1 << 31)", "File too large"),
        ("fs = [open('x', 'w') for _ in range(300)]", "Too many open files"),
    ],
)
def test_memory_files_and_their_sizes_have_limits(tmp_path, code, reason):
    with pytest.raises(EstimatorFailure, match=reason):
        run(code, tmp_path, 20)


def test_standard_input_is_empty_and_the_folder_is_the_given_one(tmp_path):
    assert run("import os, sys; print(repr(sys.stdin.read()), os.getcwd())", tmp_path, 30).decode().split() == [
        "''",
        os.path.realpath(tmp_path),
    ]


def test_no_shell_sees_the_arguments(tmp_path):
    arguments = (sys.executable, "-S", "-c", "import sys; print(sys.argv[1])", "$(touch x); `touch x` > x")
    assert run_program(arguments, folder=tmp_path, time_limit_s=30).decode().strip() == arguments[-1]
    assert not any(tmp_path.iterdir())


def test_a_program_that_is_not_there(tmp_path, monkeypatch, namespace):
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
