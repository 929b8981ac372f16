"""Prints the memory and processor time of rendering an hour and locating its pings, joined by a pipe, with no file between.

Run as ``python tests/benchmarks/piped.py --seconds 3600 --sample-rate-hz 500e3``: the samples that `simulate` would
write go as they are rendered into ``pingfix locate -``, as fast as both work. A line for each twentieth of the
recording.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path

from acoustics.propagate.render import draw_recording, render
from acoustics.scene.scenario import load_scene, shipped

LINES = 20
RENDER = "import sys; sys.path.insert(0, sys.argv[1]); from piped import send; send(sys.argv[2], float(sys.argv[3]))"


def send(scenario: str, seconds: float) -> None:
    """Write the samples of a recording to standard output, 16 bits each."""
    for block in render(draw_recording(load_scene(Path(scenario)), seconds=seconds, seed=1)):
        sys.stdout.buffer.write(block.astype("<i2").tobytes())


def cost(process: subprocess.Popen[bytes]) -> tuple[float, float]:
    """Resident memory [MB] and processor time so far [s] of a running program."""
    status = Path(f"/proc/{process.pid}/status").read_text()
    times = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    ticks = int(times[11]) + int(times[12])
    return float(status.split("VmRSS:")[1].split()[0]) / 1024, ticks / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Run both, and print a line now and then."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", type=Path, default=shipped("examples")["mallard-basin"])
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--sample-rate-hz", type=float, default=500e3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        scenario, pings = Path(folder, "fast.toml"), Path(folder, "pings.jsonl")
        rate = f"sample_rate_hz = {given.sample_rate_hz!r}"
        scenario.write_text(re.sub(r"sample_rate_hz = \S+", rate, given.scenario.read_text()))
        renders = subprocess.Popen(
            [sys.executable, "-c", RENDER, str(Path(__file__).parent), str(scenario), str(given.seconds)],
            stdout=subprocess.PIPE,
        )
        locates = subprocess.Popen(
            [sys.executable, "-m", "acoustics.cli.main", "locate", "-", "--raw", "int16", "--json"]
            + ["--scenario", str(scenario), "--out", str(pings)],
            stdin=renders.stdout,
            stdout=subprocess.DEVNULL,
        )
        n_channels = len(load_scene(scenario).array.hydrophones)
        print(f"{given.seconds:g} s, {n_channels} channels at {given.sample_rate_hz / 1e3:g} kHz", flush=True)
        watch(renders, locates, given.seconds * given.sample_rate_hz * n_channels * 2, given.seconds)
        print(f"{len(pings.read_text().splitlines())} pings located")


def watch(renders: subprocess.Popen[bytes], locates: subprocess.Popen[bytes], n_bytes: float, seconds: float) -> None:
    """A line for each part of the recording that has gone into the pipe, until both have ended."""
    shown, began = 0, time.monotonic()
    while renders.poll() is None:
        with suppress(OSError, IndexError):  # one has just ended
            sent = int(Path(f"/proc/{renders.pid}/io").read_text().split("wchar:")[1].split()[0])
            if sent >= shown / LINES * n_bytes:
                (render_mb, render_s), (locate_mb, locate_s) = cost(renders), cost(locates)
                print(
                    f"{sent / n_bytes * seconds:6.0f} s: renders {render_mb:.0f} MB, {render_s:.0f} s of processor time; "
                    f"locates {locate_mb:.0f} MB, {locate_s:.0f} s; after {time.monotonic() - began:.0f} s",
                    flush=True,
                )
                shown += 1
        time.sleep(0.2)
    if renders.returncode or locates.wait():
        sys.exit("one of the two failed")


if __name__ == "__main__":
    main()
