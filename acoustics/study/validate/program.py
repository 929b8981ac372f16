"""Run somebody's program on a recording: bounded in time and output, and nothing of it left behind."""

from __future__ import annotations

import contextlib
import ctypes
import math
import os
import resource
import selectors
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from functools import lru_cache, partial
from pathlib import Path

from acoustics.base.errors import ParameterError
from acoustics.study.validate.answer import EstimatorFailure, short_reason

MOST_OUTPUT_BYTES = 65_536
_KEPT_STDERR_BYTES = 2_000
_PIECE_BYTES = 65_536
_LOOK_S = 0.02  # how often to look whether a program whose output somebody holds open has ended
_LINGER_S = 0.2  # what was written last may still be in the pipe
# Of each process of the program: memory, the size of a file, open files. No estimator of one ping needs so much.
MOST_MEMORY_BYTES, MOST_FILE_BYTES, MOST_FILES = 8 << 30, 1 << 30, 256
_DIE_WITH_PARENT, _SET_DUMPABLE = 1, 4  # from Linux's prctl.h
_PROCESSORS = 8  # that a program may keep busy for the whole of its time
# First process of a namespace: signals that would end any other do not end it, so it is not the program itself.
_FIRST_PROCESS = """
import os, sys
try:
    program = os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ)
except OSError as error:
    sys.exit("cannot be started: " + error.strerror.lower())
code = os.waitstatus_to_exitcode(os.waitpid(program, 0)[1])
sys.exit(code if code >= 0 else 128 - code)
"""


def resolve_program(arguments: Sequence[str]) -> tuple[str, ...]:
    """The argument list with names of files made absolute, since the program will run in another folder.

    Raises
    ------
    ParameterError
        If there is no such program, or it cannot be executed.
    """
    if not arguments:
        raise ParameterError("no program is named")
    found = shutil.which(arguments[0])
    if found is None:
        raise ParameterError(f"{arguments[0]}: is no program that can be run")
    return (os.path.abspath(found), *(os.path.abspath(a) if os.path.isfile(a) else a for a in arguments[1:]))


@lru_cache
def own_namespace() -> tuple[str, ...]:
    """Command that runs a program in process and mount namespaces of its own, or nothing where the system has none.

    In it a program sees no other process, so neither our command line nor our memory; and when it ends, all that it
    has started ends with it, however often it was forked off (namespaces(7), unshare(1) of util-linux).
    """
    command = shutil.which("unshare")
    if command is None:
        return ()
    prefix = (command, "--user", "--map-current-user", "--pid", "--fork", "--kill-child", "--mount-proc")
    try:
        tried = subprocess.run((*prefix, "true"), stdin=subprocess.DEVNULL, capture_output=True, timeout=10)
    except (OSError, subprocess.TimeoutExpired):
        return ()
    return (*prefix, sys.executable, "-I", "-S", "-c", _FIRST_PROCESS) if tried.returncode == 0 else ()


def _limits(time_limit_s: float) -> list[tuple[int, tuple[int, int]]]:
    """Limits of each process of a program, as `setrlimit` takes them."""
    wanted = {
        resource.RLIMIT_AS: MOST_MEMORY_BYTES,
        resource.RLIMIT_FSIZE: MOST_FILE_BYTES,
        resource.RLIMIT_NOFILE: MOST_FILES,
        resource.RLIMIT_CPU: math.ceil(_PROCESSORS * time_limit_s) + 1,
        resource.RLIMIT_CORE: 0,
    }
    allowed = {what: resource.getrlimit(what)[1] for what in wanted}
    lower = {
        what: most if allowed[what] == resource.RLIM_INFINITY else min(most, allowed[what])
        for what, most in wanted.items()
    }
    return [(what, (most, most)) for what, most in lower.items()]


def _confine(control: Callable[..., int] | None, limits: Sequence[tuple[int, tuple[int, int]]]) -> None:
    """In the new process: set its limits, and let it end with us even if we are killed."""
    for what, most in limits:
        resource.setrlimit(what, most)
    if control is not None:
        control(_DIE_WITH_PARENT, signal.SIGKILL)


@lru_cache
def _closed_process() -> Callable[..., int] | None:
    """Close this process's memory and environment to other programs of its user; root alone still gets in.

    Gives the function of the system by which a process does such things, `prctl`; None where there is none.
    """
    if sys.platform != "linux":
        return None
    control: Callable[..., int] = ctypes.CDLL(None).prctl
    control(_SET_DUMPABLE, 0)
    return control


def run_program(arguments: Sequence[str], *, folder: Path, time_limit_s: float) -> bytes:
    """Standard output of a program.

    Parameters
    ----------
    arguments : sequence of str
        Program and arguments, never seen by a shell.
    folder : Path
        Where it runs.
    time_limit_s : float
        After which it is ended, with all that it has started [s].

    Returns
    -------
    bytes
        At most `MOST_OUTPUT_BYTES`.

    Raises
    ------
    EstimatorFailure
        If it cannot be started, takes or prints too much, or ends with an error.
    """
    # What runs between fork and exec is safe only where no other thread is at work, as in a study.
    try:
        process = subprocess.Popen(
            (*own_namespace(), *arguments),
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
            preexec_fn=partial(_confine, _closed_process(), _limits(time_limit_s)),
        )
    except OSError as error:
        raise EstimatorFailure(short_reason(f"cannot be started: {(error.strerror or str(error)).lower()}")) from None
    try:
        output, complaint = _listen(process, time.monotonic() + time_limit_s, time_limit_s)
    finally:
        # The group is ended before its leader is waited for: until then its number belongs to nobody else.
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
        code = process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
    if code != 0:
        raise EstimatorFailure(_ending(code, complaint))
    return output


def _listen(process: subprocess.Popen[bytes], deadline: float, time_limit_s: float) -> tuple[bytes, bytes]:
    """All of standard output and the end of standard error, once the program has ended.

    A child that keeps the pipes open does not keep us: what counts is the end of the program itself.
    """
    output, complaint = bytearray(), bytearray()
    assert process.stdout is not None and process.stderr is not None
    with selectors.DefaultSelector() as pipes:
        for pipe in (process.stdout, process.stderr):
            os.set_blocking(pipe.fileno(), False)
            pipes.register(pipe, selectors.EVENT_READ)
        ended_at = None
        while True:
            now = time.monotonic()
            if ended_at is None and _has_ended(process):
                ended_at = now
            if ended_at is not None and (not pipes.get_map() or now > ended_at + _LINGER_S):
                return bytes(output), bytes(complaint)
            if ended_at is None and now > deadline:
                raise EstimatorFailure(f"took over {time_limit_s:g} s")
            if not pipes.get_map():
                time.sleep(_LOOK_S / 4)
                continue
            for key, _ in pipes.select(_LOOK_S if ended_at is None else _LOOK_S / 4):
                piece = os.read(key.fd, _PIECE_BYTES)
                if not piece:
                    pipes.unregister(key.fileobj)
                elif key.fileobj is process.stdout:
                    output += piece
                else:
                    complaint = (complaint + piece)[-_KEPT_STDERR_BYTES:]
            if len(output) > MOST_OUTPUT_BYTES:
                raise EstimatorFailure(f"printed over {MOST_OUTPUT_BYTES:,} bytes")


def _has_ended(process: subprocess.Popen[bytes]) -> bool:
    """Whether the program has ended; where the system can tell, without giving its number back yet."""
    if not hasattr(os, "waitid"):
        return process.poll() is not None
    return os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def _ending(code: int, complaint: bytes) -> str:
    """How a program that failed has ended, and the last line it complained with."""
    said = complaint.decode("utf-8", "replace").strip().splitlines()
    if said and said[-1].startswith("cannot be started: "):
        return short_reason(said[-1])
    if code > 128 and own_namespace():
        code = 128 - code
    if code < 0:
        names = {int(s): s.name for s in signal.Signals}
        how = f"was ended by {names.get(-code, f'signal {-code}')}"
    else:
        how = f"ended with exit code {code}"
    return short_reason(f"{how}: {said[-1]}" if said else how)
