"""Print what two processes take beside one: the wall clock, and what it could be on two idle cores.

    python tests/benchmarks/processes.py [--site NAME] [--rounds N] [stations "map --trials 400" ...]

The wall clock means something on an idle machine only. Processor time does anywhere: s of the process which the command
is and w of all others that it starts. Of both the time to load the study, l, passes at once. So the way through two
processes is at least ``l + (s + w) / 2 - l``, and what one process takes over that is the most that the ratio can be;
less where parts are uneven, or where the first process works alone before the others and after them. On Linux alone:
processes whose parent has ended become this one's, so that their time is known.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import sys
import time
from pathlib import Path

from acoustics.present.text.tables import table

ROOT = Path(__file__).parents[2]
RUN = "import sys; from acoustics.cli.main import main; sys.argv[0] = 'pingfix'; main()"
COMMANDS = ("stations", "validate", "waypoints")
_BECOME_PARENT_OF_ORPHANS = 36  # PR_SET_CHILD_SUBREAPER of prctl(2)


def timed(run: str, *words: str) -> tuple[float, float, float]:
    """Wall clock, processor time of a process that runs a line, and that of all others that it started [s]."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # what is installed is not compiled anew at each start
    nothing = os.open(os.devnull, os.O_RDWR)
    files = [(os.POSIX_SPAWN_DUP2, nothing, fd) for fd in (0, 1, 2)]
    began = time.monotonic()
    child = os.posix_spawn(sys.executable, [sys.executable, "-c", run, *words], environment, file_actions=files)
    os.close(nothing)
    own, others, wall = 0.0, 0.0, 0.0
    while True:
        try:
            pid, status, used = os.wait4(-1, 0)
        except ChildProcessError:
            return wall, own, others
        if pid == child:
            wall, own = time.monotonic() - began, used.ru_utime + used.ru_stime
            if os.waitstatus_to_exitcode(status) not in (0, 1):  # 1 is an answer: a limit missed, no position
                raise SystemExit(f"failed: pingfix {' '.join(words)}")
        else:
            others += used.ru_utime + used.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--site", default="mallard-basin")
    parser.add_argument("--rounds", type=int, default=3, help="in turn; of every time the least counts")
    parser.add_argument("commands", nargs="*", default=list(COMMANDS))
    asked = parser.parse_args()
    if ctypes.CDLL(None).prctl(_BECOME_PARENT_OF_ORPHANS, 1, 0, 0, 0):
        raise SystemExit("this system does not tell the times of processes whose parent has ended")
    site = str(ROOT / "examples" / f"{asked.site}.toml")
    timed(RUN, "check", site)  # so that every module is compiled
    rows = []
    for command in asked.commands:
        name, *options = command.split()
        rounds = [
            (
                *timed(RUN, name, site, *options)[:2],
                *timed(RUN, name, site, *options, "--jobs", "2"),
                timed(f"import acoustics.study.{name}")[1],
            )
            for _ in range(asked.rounds)
        ]
        wall_1, one, wall_2, own, others, load = (min(column) for column in zip(*rounds, strict=True))
        most = one / ((own + others) / 2)
        print(f"{command} timed", file=sys.stderr)
        rows.append(
            (command, *(f"{t:.1f}" for t in (wall_1, wall_2)), f"{wall_1 / wall_2:.2f}")
            + tuple(f"{t:.1f}" for t in (one, own, others, load))
            + (f"{most:.2f}",)
        )
    print(f"{asked.site}: one process and two, wall clock and processor time in s")
    head = ("command", "one", "two", "ratio", "one, CPU", "s", "w", "l", "ratio at most")
    print(table(head, rows))


if __name__ == "__main__":
    main()
