"""Run somebody's program on a recording: bounded in time and output, and nothing of it left behind."""

from __future__ import annotations

import contextlib
import os
import selectors
import shutil
import signal
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

from acoustics.base.errors import ParameterError
from acoustics.study.validate.answer import EstimatorFailure, short_reason

MOST_OUTPUT_BYTES = 65_536
_KEPT_STDERR_BYTES = 2_000
_PIECE_BYTES = 65_536
_LOOK_S = 0.02  # how often to look whether a program whose output somebody holds open has ended
_LINGER_S = 0.2  # what was written last may still be in the pipe


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


def run_program(arguments: Sequence[str], *, folder: Path, time_limit_s: float) -> bytes:
    """Standard output of a program.

    Parameters
    ----------
    arguments : sequence of str
        Program and arguments, never seen by a shell.
    folder : Path
        Where it runs.
    time_limit_s : float
        After which it is ended, with all the processes of its group [s].

    Returns
    -------
    bytes
        At most `MOST_OUTPUT_BYTES`.

    Raises
    ------
    EstimatorFailure
        If it cannot be started, takes or prints too much, or ends with an error.
    """
    try:
        process = subprocess.Popen(
            arguments,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
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
    if code < 0:
        names = {int(s): s.name for s in signal.Signals}
        how = f"was ended by {names.get(-code, f'signal {-code}')}"
    else:
        how = f"ended with exit code {code}"
    said = complaint.decode("utf-8", "replace").strip().splitlines()
    return short_reason(f"{how}: {said[-1]}" if said else how)
