"""Print what each command costs on each shipped site, and how that grows with its size.

    python tests/benchmarks/times.py [--package FOLDER] [spacing map ... hand]

Each command runs in a process of its own with one thread; what counts is its processor time, the children it waits for
included, and its peak memory, as the system counts them. So the figures hold on a busy machine too. With --package the
commands are those of the checkout in that folder, for a comparison before and after. `hand` sets beside some of them
what a user would write instead (by_hand.py). Prints the guide's tables; `fuse` needs what `locate` makes, and `locate`
what `simulate` makes.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from subprocess import DEVNULL

import numpy as np

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
# Twice the size each time, at the first site: command, what grows, and the options or the file for each size.
CIRCLES = ["circle-2.toml", "circle-4.toml", "circle-8.toml"]
SIZES: list[tuple[str, str, list[list[str]]]] = [
    ("spacing", "2,000 trials", [["--trials", str(n)] for n in (2000, 4000, 8000)]),
    ("map", "100 trials", [["--trials", str(n)] for n in (100, 200, 400)]),
    ("map", "312 cells", [["--step-m", f"{step:.4f}"] for step in (1.0, 0.5**0.5, 0.5)]),
    ("map", "2 hydrophones", [[file] for file in CIRCLES]),
    ("stations", "100 trials", [["--trials", str(n)] for n in (100, 200, 400)]),
    ("place", "3 starts", [["--starts", str(n)] for n in (3, 6, 12)]),
    ("waypoints", "3,000 trials", [["--trials", str(n)] for n in (3000, 6000, 12000)]),
    ("validate", "96 pings", [["--trials", str(n)] for n in (96, 192, 384)]),
    ("simulate", "60 s", [[f"{n}.wav", "--seconds", str(n)] for n in (60, 120, 240)]),
    ("simulate", "2 hydrophones", [[file, f"{file}.wav", "--seconds", "60"] for file in CIRCLES]),
    ("locate", "60 s", [[f"{n}.wav", "--out", f"{n}.jsonl"] for n in (60, 120, 240)]),
    ("locate", "2 hydrophones", [[f"{file}.wav"] for file in CIRCLES]),
    ("locate", "4 pings by their echoes", [[f"by-{n}.wav", "--site", f"by-{n}.site.toml"] for n in (4, 8, 16)]),
    ("fuse", "30 pings", [[f"{n}.jsonl"] for n in (60, 120, 240)]),
]
NO_SITE = ("locate", "fuse")  # what they read was made of it
LEAST_GROWTH_S = 1.0  # less is the noise of a machine
RUN = "import sys; from acoustics.cli.main import main; sys.argv[0] = 'pingfix'; main()"


def cost(package: Path, folder: str, *words: str) -> tuple[float, float]:
    """Processor time [s] and peak memory [MB] of a command that works in a folder."""
    environment = os.environ | {"PYTHONPATH": str(package), "OMP_NUM_THREADS": "1"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # what is installed is not compiled anew at each start
    command = [sys.executable, "-c", RUN, *words]
    child = subprocess.Popen(command, env=environment, cwd=folder, stdin=DEVNULL, stdout=DEVNULL, stderr=DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):  # 1 is an answer: a limit missed, no position
        raise SystemExit(f"failed: pingfix {' '.join(words)}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3


def markdown(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """Print a table as the guide has it."""
    for cells in (head, ("---",) * len(head), *rows):
        print(f"| {' | '.join(cells)} |")
    print(flush=True)


def on_sites(package: Path, folder: str, commands: list[str]) -> None:
    """Default runs: processor time by site, the largest memory, and the target."""
    rows = []
    for command in commands:
        if command in TARGETS_S:
            more = ("--out", "report.html", "--force") if command == "report" else ()
            costs = [
                cost(package, folder, command, str(package / "examples" / f"{site}.toml"), *more) for site in SITES
            ]
            target, most = TARGETS_S[command], max(memory for _, memory in costs)
            times = (f"{time:.1f}" for time, _ in costs)
            rows.append((f"`{command}`", *times, "-" if target is None else f"{target:g}", f"{most:.0f}"))
    print("Default runs, processor time in s\n")
    markdown(("command", "Mallard Basin", "Fennel Reservoir", "Quay Nine", "target", "most memory, MB"), rows)


def by_size(package: Path, folder: str, commands: list[str]) -> None:
    """How the cost grows where one size is doubled twice, at the first site."""
    site = (package / "examples" / f"{SITES[0]}.toml").read_text()
    Path(folder, "site.toml").write_text(site)
    for file, n in zip(CIRCLES, (2, 4, 8), strict=True):
        Path(folder, file).write_text(site.replace('use = "square-half-wave"', circle(n)))
    if "locate" in commands:
        for n in (4, 8, 16):
            cost(package, folder, "simulate", "site.toml", f"by-{n}.wav", "--pings", str(n))
    rows = []
    for command, once, sizes in SIZES:
        if command in commands:
            own = [words if command in NO_SITE or words[0] in CIRCLES else ["site.toml", *words] for words in sizes]
            costs = [cost(package, folder, command, *words) for words in own]
            times = tuple(f"{time:.1f}" for time, _ in costs)
            memory = ", ".join(f"{memory:.0f}" for _, memory in costs)
            rows.append((f"`{command}`", once, *times, growth(*(time for time, _ in costs)), memory))
    print("One size and its doubles, processor time in s\n")
    markdown(("command", "size", "once", "twice", "four times", "grows with the size", "memory, MB"), rows)


def circle(n: int) -> str:
    """An array of n hydrophones for a scenario, 10 cm round and every second 3 cm lower."""
    angles = 2 * np.pi * np.arange(n) / n
    places = [(0.05 * np.cos(angle), 0.05 * np.sin(angle), 0.03 * (k % 2)) for k, angle in enumerate(angles)]
    rows = (f'{{ name = "h{k}", position_m = [{x:.4f}, {y:.4f}, {z:.4f}] }}' for k, (x, y, z) in enumerate(places))
    return f"hydrophone = [{', '.join(rows)}]"


def growth(once: float, twice: float, four_times: float) -> str:
    """The power p of times ``a + b n^p``, whose differences are in the ratio ``2^p``."""
    if four_times - once < LEAST_GROWTH_S:
        return "hardly"
    if min(twice - once, four_times - twice) < LEAST_GROWTH_S / 3:  # too little to tell a power from
        return "-"
    power = np.log2((four_times - twice) / (twice - once))
    if power <= 0.0:  # by chance: no study grows like that
        return "-"
    return f"n^{power:.1f} over {max(once - (twice - once) / (2**power - 1), 0):.1f} s"


def beside_by_hand() -> None:
    """What a user would write instead."""
    from by_hand import ROWS

    print("The same question by hand\n")
    markdown(("question", "pingfix", "by hand", "what both answer"), [ask() for ask in ROWS])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--package", type=Path, default=ROOT)
    parser.add_argument("commands", nargs="*", default=[*TARGETS_S, "simulate", "locate", "fuse", "hand"])
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        on_sites(asked.package.resolve(), folder, asked.commands)
        by_size(asked.package.resolve(), folder, asked.commands)
    if "hand" in asked.commands:
        beside_by_hand()


if __name__ == "__main__":
    main()
