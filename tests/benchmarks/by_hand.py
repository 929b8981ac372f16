"""What a user would write without pingfix, with numpy, scipy and pyroomacoustics: the same questions, timed beside it.

    python tests/benchmarks/by_hand.py

prints where the time of a recording of one ping goes, beside pyroomacoustics. ``times.py`` prints the table of all
questions. Each function below gives what it took, what pingfix took, and how far off both are.
"""

from __future__ import annotations

import tempfile
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from run import LEVEL, rendered
from scipy.io import wavfile
from scipy.optimize import least_squares
from scipy.signal import butter, correlate, sosfiltfilt

from acoustics.accuracy.bounds import position_bound
from acoustics.api.run import fuse
from acoustics.base.frames import Pose
from acoustics.physics.tdoa import difference_matrix
from acoustics.present.text.tables import table
from acoustics.propagate.render.bursts import burst_span_s
from acoustics.propagate.render.draw import DrawnRecording, draw_recording
from acoustics.propagate.render.samples import render_pressure
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.locate import first_ping, locate
from acoustics.study.simulate import sidecar_of_scene, with_vehicle_at
from acoustics.study.simulate.recording import simulate_recording

BASIN = load_scene(shipped("examples")["mallard-basin"])
WIDE = np.array([[0.35, -0.2, 0.1], [0.35, 0.2, 0.1], [-0.35, 0.2, 0.1], [-0.35, -0.2, 0.3], [0, 0, -0.2]])
Row = tuple[str, str, str, str]  # the question, pingfix, by hand, what both answer


def row(
    question: str, ours: Callable[[], object], by_hand: Callable[[], object], answers: str, share: float = 1
) -> Row:
    """Least processor time of three calls each, of more where they are short; by hand did only a share of the work, and
    its time is for all of it."""

    def least_s(work: Callable[[], object]) -> float:
        spent: list[float] = []
        while len(spent) < 3 or (sum(spent) < 0.5 and len(spent) < 60):
            start = time.process_time()
            work()
            spent.append(time.process_time() - start)
        return min(spent)

    return question, f"{least_s(ours):.3g} s", f"{least_s(by_hand) / share:.3g} s", answers


def bearings_by_correlation(file: Path, places_m: np.ndarray, sound_speed_m_s: float) -> np.ndarray:
    """Bearings [rad] of the pings of a recording: filter, threshold, cross-correlation, least squares."""
    rate, counts = wavfile.read(file)
    heard = sosfiltfilt(butter(4, [27e3, 33e3], "bandpass", fs=rate, output="sos"), counts.T.astype(float))
    loud = np.flatnonzero(np.abs(heard[0]) > 0.3 * np.abs(heard[0]).max())
    starts = loud[np.flatnonzero(np.diff(loud, prepend=-rate) > 0.5 * rate)]
    most = int(
        np.ceil(np.ptp(places_m, axis=0).max() * np.sqrt(2) / sound_speed_m_s * rate)
    )  # samples across the array
    bearings = []
    for start in starts:
        ping = heard[:, start - int(0.2e-3 * rate) : start + int(0.5e-3 * rate)]  # before most echoes
        middle, delays = ping.shape[1] - 1, []
        for channel in ping[1:]:
            product = correlate(channel, ping[0])
            k = middle - most + int(np.argmax(product[middle - most : middle + most + 1]))
            before, top, after = product[k - 1 : k + 2]
            delays.append((k - middle + 0.5 * (before - after) / (before - 2 * top + after)) / rate)
        slowness = np.linalg.lstsq(places_m[1:] - places_m[0], -np.array(delays), rcond=None)[0] * sound_speed_m_s
        bearings.append(np.arctan2(slowness[1], slowness[0]))
    return np.array(bearings)


def bearing() -> Row:
    """Recordings of 10 s on disk, each with errors of array and instruments of its own."""
    off, places, speed = [], BASIN.array.positions_m, BASIN.sound_speed_m_s
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(6):
            file = Path(folder, f"{seed}.wav")
            scene = with_vehicle_at(BASIN, heading_deg=60.0 * seed)
            simulate_recording(scene, file, seed=seed, seconds=10.0)
            source = scene.vehicle.pose.to_body(np.array([scene.pingers[0].position_m]))[0]
            ours = np.array([ping.candidates[0].bearing for ping in locate(file).pings if ping.ok])
            both = (ours, bearings_by_correlation(file, places, speed))
            off.append(
                [np.median(np.abs(np.angle(np.exp(1j * found) / (source[0] + 1j * source[1])))) for found in both]
            )
        mine, theirs = np.rad2deg(np.median(off, axis=0))
        answers = f"{mine:.1f} and {theirs:.1f} deg off in the median; by hand without deviation, faults, other pingers"
        by_hand = partial(bearings_by_correlation, file, places, speed)
        return row("bearings in a recording of 10 s", partial(locate, file), by_hand, answers)


def bounds_by_loop(vehicles_m: np.ndarray, source_m: np.ndarray, speed_m_s: float, sd: dict[str, float]) -> list[float]:
    """Bound of the horizontal position [m] at each cell: numeric derivatives, Fisher information, inverse."""
    found = []
    for vehicle in vehicles_m:
        at = np.append(source_m, speed_m_s)

        def arrivals(at: np.ndarray, vehicle: np.ndarray = vehicle) -> np.ndarray:
            return np.linalg.norm(vehicle + WIDE - at[:3], axis=1) / at[3]

        steps = np.diag([1e-5, 1e-5, 1e-5, 1e-3])
        slope = np.array([(arrivals(at + step) - arrivals(at - step)) / (2 * step.sum()) for step in steps]).T
        slope -= slope.mean(axis=0)  # when the ping was sent is unknown
        prior = np.diag([0, 0, sd["depth"] ** -2, sd["speed"] ** -2])
        covariance = np.linalg.inv(slope.T @ slope / sd["arrival"] ** 2 + prior)
        found.append(float(np.sqrt(covariance[0, 0] + covariance[1, 1])))
    return found


def bounds() -> Row:
    """Bounds of the position at 6,000 cells, by hand at 300 of them."""
    x, y = np.meshgrid(np.linspace(0, 25, 100), np.linspace(0, 12.5, 60), indexing="ij")
    cells = np.stack([x, y, np.full_like(x, 0.5)], axis=-1).reshape(-1, 3)
    source, few, sd = np.array([12.3, 6.2, 2.0]), cells[::20], {"arrival": 1e-7, "depth": 0.1, "speed": 2.0}
    by_hand = partial(bounds_by_loop, few, source, BASIN.sound_speed_m_s, sd)
    batch = partial(
        position_bound, cells[:, None] + WIDE, source, BASIN.sound_speed_m_s,
        arrival_variance_s2=np.full((len(cells), len(WIDE)), sd["arrival"] ** 2), source_depth_sd_m=sd["depth"],
        sound_speed_sd_m_s=sd["speed"],
    )  # fmt: skip
    apart = np.abs(batch().horizontal_rms_m[::20] / by_hand() - 1).max()
    return row(
        "bounds of the position at 6,000 cells", batch, by_hand, f"apart by {apart:.0e} at most", len(few) / len(cells)
    )


def fused_by_least_squares(pings: list, start_m: np.ndarray) -> np.ndarray:
    """One position [m] and one heading error of all pings, each weighed by its deviations."""
    weights = [np.linalg.inv(np.linalg.cholesky(ping.tdoa_covariance_s2)) for ping in pings]

    def residuals(at: np.ndarray) -> np.ndarray:
        rows = [np.array([at[3] / np.radians(2.0), (at[2] - 2.4) / 0.2])]
        for ping, weight in zip(pings, weights, strict=True):
            pose = Pose(np.array(ping.pose.position_m), ping.pose.roll, ping.pose.pitch, ping.pose.heading + at[3])
            times = np.linalg.norm(pose.to_site(ping.hydrophones_m) - at[:3], axis=1) / ping.sound_speed_m_s
            rows.append(weight @ (ping.tdoa_s - difference_matrix(len(times), ping.reference) @ times))
        return np.concatenate(rows)

    return least_squares(residuals, np.append(start_m, 0.0)).x


def fused() -> Row:
    """Eight pings on the way past the pinger, rendered with echoes and located."""
    pinger, pings = np.array(BASIN.pingers[0].position_m), []
    for k, x in enumerate(np.linspace(5.0, 15.0, 8)):
        moved = with_vehicle_at(BASIN, position_m=(float(x), 3.0, 0.8), heading_deg=20.0)
        ping = first_ping(draw_recording(moved, seconds=2.0, seed=k), sidecar_of_scene(moved))
        if ping is not None and ping.ok:
            pings.append(ping)
    ours, by_hand = (
        partial(fuse, pings, scene=BASIN),
        partial(fused_by_least_squares, pings, np.array([12.0, 6.0, 2.0])),
    )
    off = [np.linalg.norm(found - pinger[:2]) for found in (ours().position_m[:2], by_hand()[:2])]
    answers = (
        f"{off[0]:.2f} and {off[1]:.2f} m off in the one run timed; by hand without outliers, other integers, stations"
    )
    return row(f"one position from {len(pings)} pings", ours, by_hand, answers)


def rendering() -> Row:
    """A ping with as many echoes on both sides."""
    theirs, ours, note = rendered(1, LEVEL, 8)
    return row("a recording of one ping with echoes", ours, theirs, f"{note}; by hand: pyroomacoustics")


def parts_of_a_recording(rounds: int = 100) -> list[tuple[str, ...]]:
    """Where the time of a recording of one ping goes: each part by itself, in turn with the whole and with theirs.

    The least of all rounds, of processor time. What no program can do without is timed in numpy's fewest calls: random
    numbers; of each path at each hydrophone a length, the loss along it, a phase, two decays, and where among the
    samples it begins and ends; of each sample two running sums, a decay, a carrier. The same recording without echoes
    shows that all else is calls, of which one path needs as many as all do.
    """
    theirs, ours, _ = rendered(1, LEVEL, 8)
    drawn = ours.keywords["draw"]()
    length_s = drawn.n_samples / drawn.scene.recorder.sample_rate_hz
    alone = partial(draw_recording, drawn.scene, seconds=length_s, seed=1, echoes=False)
    paths, (n_samples, n_channels) = drawn.series[0].paths.valid.size, sounding(drawn)
    numbers = drawn.n_samples * n_channels
    works: dict[str, tuple[int, Callable[[], object]]] = {
        "pingfix": (1, ours),
        "pyroomacoustics": (1, theirs),
        "random numbers": (numbers, partial(draw_noise, drawn)),
        "paths, at each hydrophone": (paths, partial(work_on_paths, drawn)),
        "samples of the ping": (n_samples * n_channels, partial(work_on_samples, drawn)),
        "without echoes": (1, lambda: list(render_pressure(alone()))),
        "its samples": (1, partial(work_on_samples, alone())),
    }
    least = dict.fromkeys(works, np.inf)
    for _ in range(rounds):
        for name, (_, work) in works.items():
            start = time.process_time()
            work()
            least[name] = min(least[name], time.process_time() - start)
    floor = ("random numbers", "paths, at each hydrophone", "samples of the ping")
    rest = least["pingfix"] - sum(least[name] for name in floor)
    alone_s = least["without echoes"] - least["random numbers"] - least["its samples"]
    rows = [
        (name, f"{works[name][0]:,}", f"{1e9 * least[name] / works[name][0]:.3g} ns", least[name]) for name in floor
    ]
    rows += [("all else", "", "", rest), ("(a single path, all but noise and samples)", "", "", alone_s)]
    rows += [("pingfix", "", "", least["pingfix"]), ("pyroomacoustics", "", "", least["pyroomacoustics"])]
    return [(*row, f"{1e3 * spent:.2f}", f"{spent / least['pingfix']:.0%}") for *row, spent in rows]


def sounding(drawn: DrawnRecording) -> tuple[int, int]:
    """For how many samples the ping sounds, and in how many channels."""
    one = drawn.series[0]
    return int((np.ptp(one.paths.delay_s) + burst_span_s(one.pinger)) / drawn.times.interval_s), len(drawn.skew_s)


def draw_noise(drawn: DrawnRecording) -> object:
    quickest = np.random.Generator(np.random.SFC64(1))
    return quickest.standard_normal((drawn.n_samples, len(drawn.skew_s)), dtype=np.float32)


def work_on_paths(drawn: DrawnRecording) -> object:
    """Of each path at each hydrophone, once: what depends on both."""
    paths, (n, n_channels) = drawn.series[0].paths, sounding(drawn)
    away = paths.delay_s
    way = np.sqrt(away * away + away * away + away * away)
    gain = paths.amplitude[0] * (np.exp(-1e-3 * way) / way)
    phase = 2 * np.pi * drawn.series[0].pinger.frequency_hz * way
    phasor = np.empty(way.shape, dtype=complex)
    np.cos(phase, out=phasor.real)
    np.sin(phase, out=phasor.imag)
    phasor *= gain
    summed = np.zeros((2, n * n_channels), dtype=complex)
    for _ in range(2):  # its beginning and its end
        at = (np.ceil(way * (n / way.max())).astype(np.int64) % n).ravel()
        np.add.at(summed[0], at, phasor.ravel())
        np.add.at(summed[1], at, (phasor * np.exp(-way)).ravel())
    return summed


def work_on_samples(drawn: DrawnRecording) -> object:
    """Of each sample of the ping in each channel, once: two running sums, a decay, a carrier, and the noise's place."""
    n, n_channels = sounding(drawn)
    steady, dying = np.zeros((2, 16, n_channels * (n // 16 + 1)), dtype=complex)
    for row in range(1, 16):
        steady[row] += steady[row - 1]
        dying[row] += dying[row - 1]
    dying *= 1 + 0j
    steady -= dying
    steady *= 1j
    return np.ascontiguousarray(steady.real.T) + 0.0


ROWS = (bearing, bounds, fused, rendering)

if __name__ == "__main__":
    warnings.simplefilter("ignore")
    print(table(("part of a recording of one ping", "how many", "each", "ms", "of ours"), parts_of_a_recording()))
