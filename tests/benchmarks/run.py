"""Print the ratios that pingfix promises, each pair measured side by side in one run.

    python tests/benchmarks/run.py [WORD ...]

Alternates the two sides of each ratio, and prints median and spread (half the range) over the rounds, with the target
beside. Words pick rows by what their names hold. Needs the test extra. Not a test: timings on a busy machine are not
to fail a build.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import bisect, least_squares

from acoustics.accuracy.ambiguity.prediction import integer_ambiguity
from acoustics.accuracy.bounds import position_bound
from acoustics.estimate.position.fix import locate_source
from acoustics.estimate.tdoa.differences import Tdoa
from acoustics.physics.burst import burst_envelope
from acoustics.physics.tdoa import difference_matrix, spherical_time
from acoustics.propagate.render.draw import DrawnRecording, draw_recording
from acoustics.propagate.render.samples import render_pressure
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.execution.chunks import Running, Workers
from acoustics.study.map.study import map_pool

Row = tuple[float, float, str, str]  # median, spread, target, note
ROUNDS = 5
SPEED = 1480.0


def seconds(work: Callable[[], object], clock: Callable[[], float]) -> float:
    start = clock()
    work()
    return clock() - start


def ratio(
    slow: Callable[[], object],
    fast: Callable[[], object],
    scale: float = 1.0,
    clock: Callable[[], float] = time.process_time,
) -> tuple[float, float]:
    """Median and half range of time of `slow` over time of `fast`, times `scale`, over alternating rounds.

    The clock counts this process's own time on all cores, so that a busy machine does not blur the ratio.
    """
    values = [scale * seconds(slow, clock) / seconds(fast, clock) for _ in range(ROUNDS)]
    return float(np.median(values)), float(np.ptp(values) / 2)


def position_fixes() -> Row:
    """Batch of fixes against a loop over scipy's least_squares from the same information, answers compared."""
    rng = np.random.default_rng(1)
    batch, loop = 20_000, 100
    hydrophones = np.array([[0.35, -0.2, 0.1], [0.35, 0.2, 0.1], [-0.35, 0.2, 0.1], [-0.35, -0.2, 0.3], [0, 0, -0.2]])
    source = np.array([3.0, 1.0, 1.5]) + rng.normal(size=(batch, 3)) * 0.3
    difference = difference_matrix(len(hydrophones))
    delay = (spherical_time(hydrophones, source, SPEED) + 1e-8 * rng.normal(size=(batch, 5))) @ difference.T
    covariance = 1e-16 * difference @ difference.T
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))

    def by_scipy(jac: str = "2-point") -> np.ndarray:
        def residual(place: np.ndarray, k: int) -> np.ndarray:
            return whiten @ (difference @ spherical_time(hydrophones, place, SPEED) - delay[k])

        return np.array(
            [
                least_squares(residual, source[k], args=(k,), jac=jac, xtol=1e-14, ftol=1e-14, gtol=1e-14).x
                for k in range(loop)
            ]
        )

    def in_a_batch() -> np.ndarray:
        return locate_source(Tdoa(delay, covariance), hydrophones, SPEED).position_m

    # Timed with scipy's default derivative; compared with its finer one, whose answers are good to below a micrometre.
    apart = float(np.abs(by_scipy("3-point") - in_a_batch()[:loop]).max())
    return *ratio(by_scipy, in_a_batch, batch / loop), "over 300", f"answers {apart:.1e} m apart"


LEVEL = {"outline_m": [(0.0, 0.0), (9.0, 0.0), (9.0, 6.0), (0.0, 6.0)], "depth_m": 2.5}
SLOPING = {
    "outline_m": [(0.0, 0.0), (9.0, 0.0), (9.0, 6.0), (0.0, 6.0)],
    "floor_points_m": [(0.0, 0.0, 1.8), (9.0, 0.0, 3.2), (0.0, 6.0, 1.8)],
}


def outwards(corners: np.ndarray, into_the_water: np.ndarray) -> np.ndarray:
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[1])
    return corners[::-1] if normal @ into_the_water > 0 else corners


def recordings(pings: int, pool: dict[str, object], order: int) -> Row:
    """Theirs over ours; where the time of a single ping goes, by_hand.py says."""
    theirs, ours, note = rendered(pings, pool, order)
    return *ratio(theirs, ours), "over 3", note


def rendered(pings: int, pool: dict[str, object], order: int) -> tuple[Callable[[], Any], partial[Any], str]:
    """Pings with echoes at 4 hydrophones by pyroomacoustics and by pingfix, and a note of what both do.

    As many paths as its images, the same water; both sides begin with the geometry, give the same number of samples at
    the same rate, and add noise. Theirs follows all images up to an order, in compiled code, and filters in single
    precision; ours finds all up to a horizon, with the sound speed along each, in numpy.
    """
    import pyroomacoustics as pra

    rate, coefficient, every_s = 250e3, 0.9, 1.0
    length_s = 0.1 if pings == 1 else pings * every_s
    source = (4.0, 3.0, 1.0)
    face = {"reflection_coefficient": coefficient}
    pinger = {"position_m": source, "frequency_hz": 30e3, "length_s": 4e-3, "q": 8.0, "pri_s": length_s / pings}
    scene = Scene.model_validate(
        {
            "water": {"temperature_degc": 26.0},
            "pool": pool | {"walls": face, "floor": face},
            "pinger": [pinger],
            "array": {"hydrophone": [{"name": str(k), "position_m": (0.1 * k, 0.05 * k, 0.0)} for k in range(4)]},
            "recorder": {"sample_rate_hz": rate},
            "vehicle": {"position_m": (6.5, 2.0, 1.2)},
        }
    )
    places = scene.vehicle.pose.to_site(scene.array.positions_m)
    t = np.arange(int(5e-3 * rate)) / rate
    one = burst_envelope(t, frequency_hz=30e3, length_s=4e-3, q=8.0) * np.sin(2 * np.pi * 30e3 * t)
    absorbed = 1 - coefficient**2
    # There the corners run counter-clockwise seen from outside.
    corners = [outwards(face.vertices, face.normal).T for face in scene.pool.faces if face.vertices is not None]

    def theirs(sent: np.ndarray) -> Any:
        if scene.pool.is_rectangular:
            room = pra.ShoeBox((9.0, 6.0, 2.5), fs=int(rate), materials=pra.Material(absorbed), max_order=order)
        else:
            walls = [pra.wall_factory(np.ascontiguousarray(c), np.array([absorbed]), np.zeros(1)) for c in corners]
            room = pra.Room(walls, fs=int(rate), max_order=order)
        room.set_sound_speed(scene.sound_speed_m_s)
        room.add_source(source, signal=sent)
        room.add_microphone_array(places.T)
        room.simulate(snr=20.0)
        return room

    def draw(reverberation_s: float) -> DrawnRecording:
        return draw_recording(scene, seconds=length_s, seed=1, reverberation_s=reverberation_s)

    def paths(reverberation_s: float) -> int:
        return int(draw(reverberation_s).series[0].paths.valid.sum(axis=-1).min())

    def ours(draw: Callable[[], DrawnRecording]) -> None:
        for _ in render_pressure(draw()):
            pass

    alone = theirs(one)
    images, tail = alone.sources[0].images.shape[1], alone.mic_array.signals.shape[1] - len(one)
    sent = np.zeros(int(length_s * rate) - tail)
    for k in range(pings):
        first = int(k * length_s / pings * rate)
        sent[first : first + len(one)] = one[: len(sent) - first]
    enough = next(r for r in np.geomspace(1e-3, 0.1, 40) if paths(r) >= images)
    reverberation = bisect(lambda r: paths(r) - images + 0.5, enough / 1.2, enough, xtol=1e-6)
    note = f"{paths(reverberation)} paths against {images} images, {length_s:g} s, both with noise"
    return partial(theirs, sent), partial(ours, draw=partial(draw, reverberation)), note


def real_time() -> Row:
    """Seconds of a recording of 4 channels at 500 kHz over seconds to locate its pings, on one core."""
    from acoustics.estimate.locate.pipeline import LocateOptions, locate
    from acoustics.io.sidecar import read_sidecar
    from acoustics.io.streams import stream_recording
    from acoustics.study.simulate.recording import simulate_recording

    scene = load_scene(shipped("examples")["mallard-basin"])
    fast = scene.model_copy(update={"recorder": scene.recorder.model_copy(update={"sample_rate_hz": 500e3})})
    length_s, rates = 40.0, []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ping.wav"
        simulate_recording(fast, path, seed=1, seconds=length_s)
        sidecar = read_sidecar(path.with_suffix(".json"))
        for _ in range(4):
            found: list[object] = []
            rates.append(
                length_s
                / seconds(
                    lambda: found.extend(locate(stream_recording(path, sidecar), sidecar, LocateOptions())),  # noqa: B023
                    time.process_time,
                )
            )
    _, *rates = rates  # the first run loads what a long one has loaded once
    return float(np.median(rates)), float(np.ptp(rates) / 2), "over 20", f"{length_s:g} s, {len(found)} pings"


def help_text() -> Row:
    """`pingfix --help` against an empty click program, each in a new process."""
    empty = "import click\n@click.command()\ndef main(): pass\nmain()"
    ours = [sys.executable, "-m", "acoustics.cli.main", "--help"]

    def run(command: list[str]) -> Callable[[], object]:
        return lambda: [subprocess.run(command, capture_output=True, check=True) for _ in range(5)]

    both = ratio(run(ours), run([sys.executable, "-c", empty, "--help"]), clock=time.perf_counter)
    return *both, "under 2", ""


def mapped(trials: int, step_m: float = 0.23, jobs: int = 1) -> Callable[[], object]:
    scene = load_scene(shipped("examples")["mallard-basin"])
    running = Running(Workers(jobs))
    return lambda: map_pool(scene, scene.pingers[0], trials=trials, seed=1, step_m=step_m, running=running)


def pool_map(trials: int) -> Row:
    """Seconds of this process for a map of the shipped pool of about 6,000 cells."""
    times = [seconds(mapped(trials), time.process_time) for _ in range(3)]
    target = "under 1" if trials == 0 else "seconds"
    return float(np.median(times)), float(np.ptp(times) / 2), target, "seconds, not a ratio"


def own_time(work: Callable[[], object], target: str) -> Row:
    """Seconds of this process for one call."""
    times = [seconds(work, time.process_time) for _ in range(ROUNDS)]
    return float(np.median(times)), float(np.ptp(times) / 2), target, "seconds, not a ratio"


def position_bounds() -> Row:
    """Bounds of a square array's position at 6,000 cells, with every error constant."""
    x, y = np.meshgrid(np.linspace(0, 25, 100), np.linspace(0, 12.5, 60), indexing="ij")
    cells = np.stack([x, y, np.full_like(x, 0.5)], axis=-1).reshape(-1, 1, 3)
    square = 0.012 * np.array([[1.0, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0]])
    bound = partial(
        position_bound, cells + square, [12.3, 6.2, 2.0], SPEED, arrival_variance_s2=np.full((6000, 4), 1e-14),
        source_depth_sd_m=0.1, sound_speed_sd_m_s=2.0, element_sd_m=1e-3, skew_sd_s=1e-7,
        attitude_sd=np.radians([1, 1, 3]), position_sd_m=[0.2, 0.2, 0.05],
    )  # fmt: skip
    return own_time(bound, "under 1")


def ambiguity_sweep(n: int) -> Row:
    """Wrong integers at 60 spacings and 8 directions of a flat array of n hydrophones."""
    array = np.random.default_rng(3).uniform(-0.5, 0.5, (n, 3)) * np.array([1, 1, 0])
    period = 1 / 30e3
    arrays = np.linspace(0.3, 8, 60)[:, None, None, None] * SPEED * period * array
    sweep = partial(
        integer_ambiguity, arrays, np.linspace(-3, 3, 8), 0.3, SPEED, frequency_hz=1 / period,
        carrier_variance_s2=(0.02 * period) ** 2, envelope_variance_s2=(0.5 * period) ** 2,
    )  # fmt: skip
    return own_time(sweep, "under 4")


def linear_in_trials() -> Row:
    """Four times the trials over the trials."""
    return *ratio(mapped(400, 0.7), mapped(100, 0.7)), "4", "648 cells, 400 fixes a cell over 100"


def two_processes(trials: int, step_m: float) -> Row:
    """The same simulated map by one process and by two, start of the processes included.

    By the clock two processes gain nothing where others hold the cores. The note therefore has the processor time too:
    what both processes and their parent took together, over what one process takes.
    """
    one, two = mapped(trials, step_m), mapped(trials, step_m, jobs=2)
    values, extra, alone = [], [], 0.0
    for _ in range(3):
        alone, work = time.process_time(), seconds(one, time.perf_counter)
        alone = time.process_time() - alone
        before = processor_time_s()
        values.append(work / seconds(two, time.perf_counter))
        extra.append((processor_time_s() - before) / alone)
    cores = len(os.sched_getaffinity(0))
    note = f"processor time {np.median(extra):.2f} of one's {alone:.0f} s; {cores} cores, load {os.getloadavg()[0]:.1f}"
    return float(np.median(values)), float(np.ptp(values) / 2), "over 1.8", note


def processor_time_s() -> float:
    """Of this process and of its children that have ended [s]."""
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(u.ru_utime + u.ru_stime for u in used)


ROWS: dict[str, Callable[[], Row]] = {
    "position fixes, batch over scipy loop": position_fixes,
    "recording of 1 ping in a box over pyroomacoustics": partial(recordings, 1, LEVEL, 8),
    "recording of 3 pings in a box over pyroomacoustics": partial(recordings, 3, LEVEL, 8),
    "recording of 10 pings in a box over pyroomacoustics": partial(recordings, 10, LEVEL, 8),
    "recording of 1 ping over a slope over pyroomacoustics": partial(recordings, 1, SLOPING, 10),
    "locate, times real time, 4 channels at 500 kHz": real_time,
    "pingfix --help over an empty click program": help_text,
    "map of 5,832 cells, bounds [s]": partial(pool_map, 0),
    "map of 5,832 cells, 200 fixes a cell [s]": partial(pool_map, 200),
    "position bounds at 6,000 cells [s]": position_bounds,
    "integer ambiguity, 60 spacings, 8 hydrophones [s]": partial(ambiguity_sweep, 8),
    "fixes, four times the trials over the trials": linear_in_trials,
    "simulated map, one process over two": partial(two_processes, 400, 0.5),
    "two processes, long study": partial(two_processes, 6000, 0.5),
}


def main(words: list[str]) -> None:
    warnings.simplefilter("ignore")
    print(f"{'what':54} {'median':>9} {'spread':>8}  {'target':10} note")
    for name, measure in ROWS.items():
        if not words or any(word in name for word in words):
            median, spread, target, note = measure()
            print(f"{name:54} {median:9.2f} {spread:8.2f}  {target:10} {note}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
