"""Print what each command costs on each shipped site, and how that grows with its size.

    python tests/benchmarks/times.py [--package FOLDER] [spacing map ...]

Each command runs in a process of its own with one thread; what counts is its processor time, the children it waits for
included, and its peak memory, as the system counts them. So the figures hold on a busy machine too. With --package the
commands are those of the checkout in that folder, for a comparison before and after.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from acoustics.present.text.tables import table

ROOT = Path(__file__).parents[2]
SITES = ("mallard-basin", "fennel-reservoir", "quay-nine")
TARGETS_S = {
    "check": 1.0,
    "budget": 1.0,
    "spacing": 3.0,
    "map": 5.0,
    "stations": 5.0,
    "waypoints": None,
    "place": 10.0,
    "validate": 20.0,
    "report": 20.0,
}
# Twice the size each time: the option, and its values.
SIZES = {
    "spacing": ("--trials", (2000, 4000, 8000)),
    "map": ("--trials", (100, 200, 400)),
    "stations": ("--trials", (100, 200, 400)),
    "place": ("--starts", (3, 6, 12)),
    "validate": ("--trials", (288, 576, 1152)),
    "waypoints": ("--trials", (4000, 8000, 16000)),
}
RUN = "import sys; from acoustics.cli.main import main; sys.argv[0] = 'pingfix'; main()"


def cost(package: Path, *words: str) -> tuple[float, float]:
    """Processor time [s] and peak memory [MB] of a command."""
    environment = os.environ | {"PYTHONPATH": str(package), "OMP_NUM_THREADS": "1"}
    nothing = os.open(os.devnull, os.O_RDWR)
    files = [(os.POSIX_SPAWN_DUP2, nothing, fd) for fd in (0, 1, 2)]
    child = os.posix_spawn(sys.executable, [sys.executable, "-c", RUN, *words], environment, file_actions=files)
    os.close(nothing)
    _, status, used = os.wait4(child, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):  # 1 is an answer: a limit missed, no position
        raise SystemExit(f"failed: pingfix {' '.join(words)}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3


def on_sites(package: Path, commands: list[str]) -> None:
    """Default runs: processor time by site, the largest memory, and the target."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for command in commands:
            more = ("--out", f"{folder}/report.html", "--force") if command == "report" else ()
            costs = [cost(package, command, str(package / "examples" / f"{site}.toml"), *more) for site in SITES]
            target = TARGETS_S[command]
            most = f"{max(memory for _, memory in costs):.0f}"
            rows.append(
                (command, *(f"{time:.1f}" for time, _ in costs), "-" if target is None else f"{target:g}", most)
            )
    print("Default runs, processor time in s")
    print(table(("command", *SITES, "target", "MB"), rows), flush=True)


def by_size(package: Path, commands: list[str]) -> None:
    """How the cost grows where the size is doubled, at the first site."""
    rows = []
    for command in commands:
        if command in SIZES:
            option, values = SIZES[command]
            site = str(package / "examples" / f"{SITES[0]}.toml")
            costs = [cost(package, command, site, option, str(value)) for value in values]
            sizes = ", ".join(map(str, values))
            rows.append((command, f"{option} {sizes}", *(f"{time:.1f} s, {memory:.0f} MB" for time, memory in costs)))
    print("\nOne size and its doubles, Mallard Basin")
    print(table(("command", "size", "once", "twice", "four times"), rows), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--package", type=Path, default=ROOT)
    parser.add_argument("commands", nargs="*", default=list(TARGETS_S))
    asked = parser.parse_args()
    on_sites(asked.package.resolve(), asked.commands)
    by_size(asked.package.resolve(), asked.commands)


if __name__ == "__main__":
    main()
