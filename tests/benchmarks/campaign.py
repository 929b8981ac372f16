"""Tries damaged files on every reader, and odd command lines on every command: each loads, or is refused in words.

Run as ``python tests/benchmarks/campaign.py --inputs 200000 --command-lines 20000 --seed 1 --time-s 3600``. Case k of a
seed is the same whatever came before it, so that ``--first k --inputs 1`` tries it alone. The cases are worked by one
process, which is watched: one that takes too long, too much memory, or dies, is a find as a wrong word is, and the next
case follows in a new process. Finds are kept as files in ``--finds`` with what was said. A slice of both runs with the
tests (tests/properties/test_campaign.py).

A command line takes 0.05 s of processor time in the mean, as those that answer after seconds are made rarely and a
line that was typed before is not typed again. Tried with seeds 4127, 8081 and 8082, the check that no "nan" or "inf"
is printed, no warning leaks and a refusal leaves no file included: 200,000 inputs over all 31 readers without a find,
and 57,777 lines, every command among them, with seven finds of six kinds, since mended: a straight run of `waypoints`
45 km over a lake took minutes; two rows of a profile stood 1e-33 m apart; a skew of 40 s took memory without bound;
`validate` found an RMS over its limit by "inf"; `spectrum` began at 1e308 s; a burst of 1 s bent rays in water without
a profile past walls on a slope. Before, seed 23 had found that options took "nan" for a number within their limits.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import select
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import damage
from commands import CommandLine, answers_or_says_why
from readers import FILES, loads_or_says_why

_TOO_LONG_S = {"inputs": 5.0, "command lines": 60.0}  # of processor time
_WAITING_S = 600.0  # for one that waits for something, however busy the machine is
_MOST_MEMORY_BYTES = 4 << 30
_SHOWN_EVERY_S = 60.0
_TYPED: set[int] = set()  # lines and the files that they name, by the process at work


def try_input(seed: int, k: int, finds: Path) -> tuple[str, str]:
    """Damage one file, once or several times, and read it; the reader's name and what came of it."""
    rng = random.Random(f"{seed} input {k}")
    name = sorted(FILES)[k % len(FILES)]
    load, ending, content = FILES[name]
    for _ in range(rng.choice([1, 1, 1, 2, 4])):
        content = rng.choice(damage.CHANGES)(content or b" ", rng)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"input{ending}")
        try:
            return name, "answered" if loads_or_says_why(load, path, content) else "refused"
        except Exception:
            _keep(finds, f"input-{seed}-{k}", traceback.format_exc(), {f"input{ending}": content})
            return name, "find"


def try_command_line(seed: int, k: int, finds: Path) -> tuple[str, str]:
    """Type one command line; the command's name and what came of it. One that was typed before is not typed again."""
    rng = random.Random(f"{seed} command line {k}")
    with tempfile.TemporaryDirectory() as folder:
        line = CommandLine(rng, Path(folder))
        files = {p.name: p.read_bytes() for p in Path(folder).iterdir() if p.is_file()}
        typed = hash((*line.arguments, *sorted(files.items())))
        if typed in _TYPED:
            return line.arguments[0], "repeated"
        _TYPED.add(typed)
        try:
            return line.arguments[0], answers_or_says_why(line)
        except (Exception, SystemExit, KeyboardInterrupt):
            said = f"{json.dumps(line.arguments)}\n{traceback.format_exc()}"
            _keep(finds, f"command-{seed}-{k}", said, files)
            return line.arguments[0], "find"


TRIALS: dict[str, Callable[[int, int, Path], tuple[str, str]]] = {
    "inputs": try_input,
    "command lines": try_command_line,
}


def _keep(finds: Path, name: str, said: str, files: dict[str, bytes]) -> None:
    folder = finds / name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "said.txt").write_text(said)
    for file, content in files.items():
        (folder / file).write_bytes(content)


def campaign(kind: str, seed: int, first: int, last: int, time_s: float, finds: Path) -> tuple[Counter, int]:
    """Cases `first` to before `last`; how often what came of which reader or command, and the first case not tried."""
    found: Counter[tuple[str, str]] = Counter()
    deadline, shown = time.monotonic() + time_s, time.monotonic()
    k = first
    while k < last and time.monotonic() < deadline:
        child, lines = _worker(kind, seed, k, last, finds)
        rest = b""
        while True:
            ready, _, _ = select.select([lines], [], [], _WAITING_S)
            piece = os.read(lines, 65536) if ready else b""
            *done, rest = (rest + piece).split(b"\n")
            for line in done:
                found[tuple(json.loads(line))] += 1
                k += 1
            if not piece or time.monotonic() > deadline:
                break
            if time.monotonic() > shown + _SHOWN_EVERY_S:
                shown = time.monotonic()
                print(f"{kind}: {k - first:,} tried, {_finds(found)} finds", flush=True)
        os.close(lines)
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if k < last and time.monotonic() <= deadline:
            end = signal.Signals(os.WTERMSIG(status)) if os.WIFSIGNALED(status) else None
            took = {
                signal.SIGPROF: f"took over {_TOO_LONG_S[kind]:g} s",
                signal.SIGKILL: f"waited over {_WAITING_S:g} s",
            }
            why = took.get(end, f"died: {end.name if end else os.WEXITSTATUS(status)}")
            found["(any)", "find"] += 1
            _keep(finds, f"{kind.replace(' ', '-')}-{seed}-{k}", f"case {k}: {why}\n", {})
            k += 1
    return found, k


def _finds(found: Counter) -> int:
    return sum(count for (_, outcome), count in found.items() if outcome == "find")


def _worker(kind: str, seed: int, first: int, last: int, finds: Path) -> tuple[int, int]:
    """A process that tries the cases in turn and writes a line about each; its number and where to read the lines."""
    read, write = os.pipe()
    number = os.fork()
    if number:
        os.close(write)
        return number, read
    os.close(read)  # so that writing fails, and the work ends, once nobody reads
    try:
        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY_BYTES, _MOST_MEMORY_BYTES))
        warnings.simplefilter("ignore")
        # As in the tests: a user is to see what we say, not what numpy says.
        warnings.filterwarnings("error", category=RuntimeWarning, module="acoustics")
        for k in range(first, last):
            signal.setitimer(signal.ITIMER_PROF, _TOO_LONG_S[kind])  # whose signal ends it, in whatever library it is
            os.write(write, json.dumps(TRIALS[kind](seed, k, finds)).encode() + b"\n")
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def main() -> None:
    """Both campaigns, a table of each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=20_000, help="how many")
    parser.add_argument("--command-lines", type=int, default=500, help="how many")
    parser.add_argument("--first", type=int, default=0, help="case of each, from 0")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--time-s", type=float, default=600.0, help="for each of the two")
    parser.add_argument("--finds", type=Path, default=Path("campaign-finds"))
    asked = parser.parse_args()
    for kind, cases in (("inputs", asked.inputs), ("command lines", asked.command_lines)):
        begun = time.monotonic()
        found, end = campaign(kind, asked.seed, asked.first, asked.first + cases, asked.time_s, asked.finds)
        if end <= asked.first:
            continue
        print(f"\n{kind}: {end - asked.first:,} tried in {time.monotonic() - begun:.0f} s, seed {asked.seed}")
        columns = {"answered": "answered", "refused": "refused", "repeated": "repeated", "find": "finds"}
        print(f"{'':24}" + "".join(f"{head:>10}" for head in columns.values()))
        for name in sorted({name for name, _ in found}):
            print(f"{name:24}" + "".join(f"{found[name, outcome]:10,}" for outcome in columns))


if __name__ == "__main__":
    main()
