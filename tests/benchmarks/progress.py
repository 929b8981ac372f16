"""Print when long commands first show how far they have come, and how right the time left is half-way.

    python tests/benchmarks/progress.py [--site NAME] [WORD ...]

Each command runs at its default size, on a terminal of its own. Beside what it took stand the moment of the first line,
and at half of that time what it said was left and what was; the ratio should be between a half and two. A machine that
becomes busy meanwhile blurs it. Words pick commands by what they hold.
"""

from __future__ import annotations

import argparse
import os
import pty
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from acoustics.present.text.tables import table

ROOT = Path(__file__).parents[2]
RUN = "import sys; from acoustics.cli.main import main; sys.argv[0] = 'pingfix'; main()"
COMMANDS = (
    "spacing {site}", "place {site}", "map {site}", "stations {site}", "waypoints {site}", "rehearse {site}",
    "validate {site}", "calibrate {site}", "report {site} --out {folder}/report.html",
    "simulate {site} {folder}/ping.wav --seconds 120", "locate {folder}/ping.wav", "spectrum {folder}/ping.wav",
)  # fmt: skip
_LEFT = re.compile(rb"([0-9]+) s left")


def watched(words: list[str]) -> list[tuple[float, bytes]]:
    """When a command on a terminal wrote what [s since its start], its end last, as an empty text."""
    ours, theirs = pty.openpty()
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    began = time.monotonic()
    run = subprocess.Popen(
        [sys.executable, "-c", RUN, *words], stdout=subprocess.DEVNULL, stderr=theirs, stdin=theirs, env=environment
    )
    os.close(theirs)
    written = []
    while True:
        try:
            text = os.read(ours, 4096)
        except OSError:  # nobody has the other end open
            break
        written.append((time.monotonic() - began, text))
    if run.wait() not in (0, 1):  # 1 is an answer: a limit missed, no position
        raise SystemExit(f"failed: pingfix {' '.join(words)}: {written[-1][1].decode()}")
    os.close(ours)
    return [*written, (time.monotonic() - began, b"")]


def row(command: str, written: list[tuple[float, bytes]]) -> tuple[str, ...]:
    """A command's row of the table."""
    whole = written[-1][0]
    first = next((at for at, text in written if b"%" in text), None)
    said = [(at, float(left[-1])) for at, text in written if (left := _LEFT.findall(text))]
    name = command.split()[0]
    shown = "none" if first is None else f"{first:.1f}"
    if not said:
        return name, f"{whole:.1f}", shown, "-", "-", "-"
    at, left = min(said, key=lambda one: abs(one[0] - 0.5 * whole))
    return name, f"{whole:.1f}", shown, f"{left:.0f}", f"{whole - at:.1f}", f"{left / max(whole - at, 1e-9):.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--site", default="mallard-basin")
    parser.add_argument("words", nargs="*")
    asked = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for command in COMMANDS:
            words = command.format(site=ROOT / "examples" / f"{asked.site}.toml", folder=folder).split()
            needed = "simulate" in command and any(word in ("locate", "spectrum") for word in asked.words)
            if not asked.words or needed or any(word in command for word in asked.words):
                rows.append(row(command, watched(words)))
    print(table(("command", "took s", "first line at s", "half-way: said s left", "were left s", "ratio"), rows))


if __name__ == "__main__":
    main()
