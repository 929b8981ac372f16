"""Prints how long after its last sample a ping has its fused line, through both pipes, and what memory that takes.

Run as ``python tests/benchmarks/live.py --pings 60``; it lasts as long as the pings sound, as nothing but real time
tells a delay. With ``--seconds 3600`` it first sends an hour of samples as fast as they are taken, and prints the
memory of both programs over it; and before that, the memory of `simulate` and of `locate` over a recording of as long,
which takes 4 MB of disk a second. Delays are for a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import json
import queue
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np

from acoustics.physics.burst import Burst
from acoustics.physics.tdoa import spherical_time
from acoustics.scene.scenario import load_scene, shipped

PIECE_S = 0.005  # a recorder gives its samples in such pieces
ARRIVES_S = 0.4


def samples_of_pings(scenario: Path, seed: int) -> tuple[np.ndarray, float, float, float]:
    """Raw samples of one interval with a ping in it, (n, n_channels); rate, when the ping ends, and the interval [s]."""
    scene = load_scene(scenario)
    pinger, rate = scene.pingers[0], scene.recorder.sample_rate_hz
    rng, burst = np.random.default_rng(seed), Burst(pinger.frequency_hz, pinger.length_s, pinger.q, pinger.sweep_hz)
    places = scene.vehicle.pose.to_site(scene.array.positions_m)
    arrives = ARRIVES_S + spherical_time(places, np.array(pinger.position_m), scene.sound_speed_m_s)
    t = np.arange(int(pinger.pri_s * rate))[:, None] / rate - arrives
    sound = np.real(burst.complex_envelope(t) * np.exp(1j * burst.carrier * np.maximum(t, 0.0)))
    volts = 8000.0 * sound + 30.0 * rng.standard_normal(sound.shape)
    return np.round(volts).astype("<i2"), rate, float(arrives.max()) + pinger.length_s, pinger.pri_s


def started(scenario: Path) -> tuple[subprocess.Popen[bytes], subprocess.Popen[bytes]]:
    """`locate` and `fuse`, joined by a pipe."""
    pingfix = [sys.executable, "-m", "acoustics.cli.main"]
    locate = subprocess.Popen(
        [*pingfix, "locate", "-", "--raw", "int16", "--scenario", str(scenario)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    fuse = subprocess.Popen(
        [*pingfix, "fuse", "-", "--scenario", str(scenario)], stdin=locate.stdout, stdout=subprocess.PIPE
    )
    return locate, fuse


def resident_mb(process: subprocess.Popen[bytes]) -> float:
    """Memory of a running program [MB]."""
    status = Path(f"/proc/{process.pid}/status").read_text()
    return float(status.split("VmRSS:")[1].split()[0]) / 1024


def follow(process: subprocess.Popen[bytes]) -> queue.Queue[tuple[float, dict]]:
    """Lines of a program with when they came."""
    lines: queue.Queue[tuple[float, dict]] = queue.Queue()

    def read() -> None:
        for line in process.stdout:
            lines.put((time.monotonic(), json.loads(line)))

    threading.Thread(target=read, daemon=True).start()
    return lines


def latencies_s(scenario: Path, pings: int, seed: int) -> tuple[np.ndarray, tuple[float, float]]:
    """From the last sample of each ping in the pipe to its line [s], and memory of both programs at the end [MB]."""
    interval, rate, ends, pri_s = samples_of_pings(scenario, seed)
    locate, fuse = started(scenario)
    lines = follow(fuse)
    piece = int(PIECE_S * rate)
    at_end = -(-int(ends * rate) // piece)
    written = []
    time.sleep(5.0)  # both have started
    began = time.monotonic()
    for k in range(pings):
        for j, start in enumerate(range(0, len(interval), piece)):
            wait = began + k * pri_s + min((j + 1) * PIECE_S, pri_s) - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            locate.stdin.write(interval[start : start + piece].tobytes())
            locate.stdin.flush()
            if j + 1 == at_end:
                written.append(time.monotonic())
    memory = resident_mb(locate), resident_mb(fuse)
    locate.stdin.close()
    fuse.wait()
    came = []
    while not lines.empty():
        at, answer = lines.get()
        if answer["event"] == "ping":
            came.append(at)
    return np.array(came[: len(written)]) - np.array(written[: len(came)]), memory


def memory_over(scenario: Path, seconds: float, seed: int) -> list[tuple[float, float, float]]:
    """Samples as fast as they are taken: seconds sent, and memory of `locate` and of `fuse` [MB]."""
    interval, rate, _, pri_s = samples_of_pings(scenario, seed)
    locate, fuse = started(scenario)
    follow(fuse)
    found = []
    count = int(seconds / pri_s)
    for k in range(count):
        locate.stdin.write(interval.tobytes())
        if k in (count // 20, count // 4, count // 2, count - 1):
            found.append(((k + 1) * pri_s, resident_mb(locate), resident_mb(fuse)))
    locate.stdin.close()
    fuse.wait()
    return found


def memory_of_files(scenario: Path, seconds: float) -> None:
    """Print the memory of `simulate`, and of `locate` over what it made, by shares of their runs."""
    with tempfile.TemporaryDirectory() as folder:
        recording = f"{folder}/long.wav"
        for command in (["simulate", str(scenario), recording, "--seconds", str(seconds)], ["locate", recording]):
            start, found = time.monotonic(), []
            program = subprocess.Popen(
                [sys.executable, "-m", "acoustics.cli.main", *command], stdout=subprocess.DEVNULL
            )
            while program.poll() is None:
                with suppress(OSError, IndexError):  # it has just ended
                    found.append(resident_mb(program))
                time.sleep(0.1)
            if program.returncode:
                sys.exit(f"{command[0]} was refused")
            rate = seconds / (time.monotonic() - start)
            for share in (0.25, 0.5, 0.75, 1.0):
                largest = max(found[: max(int(share * len(found)), 1)])
                print(f"{command[0]}, {100 * share:3.0f} % of its run: at most {largest:.0f} MB by then", flush=True)
            print(f"{command[0]}: {rate:.0f} times real time, start included", flush=True)


def main() -> None:
    """Measure, and print a line for each figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", type=Path, default=shipped("examples")["quay-nine"])
    parser.add_argument("--pings", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=0.0, help="of samples, for memory")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    if given.seconds:
        memory_of_files(given.scenario, given.seconds)
        start = time.monotonic()
        for at, locate, fuse in memory_over(given.scenario, given.seconds, given.seed):
            print(f"after {at:6.0f} s of samples: locate {locate:.0f} MB, fuse {fuse:.0f} MB")
        print(f"{given.seconds / (time.monotonic() - start):.0f} times real time, start included")
    late, memory = latencies_s(given.scenario, given.pings, given.seed)
    p50, p95 = 1e3 * np.percentile(late, [50, 95])
    print(f"{len(late)} pings of {given.pings}: line after p50 {p50:.0f} ms, p95 {p95:.0f} ms (measured)")
    print(f"memory at the end: locate {memory[0]:.0f} MB, fuse {memory[1]:.0f} MB")


if __name__ == "__main__":
    main()
