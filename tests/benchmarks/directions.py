"""Print how often the stated 95 % bearing and position of a ping hold the truth, and its stated integers are right.

    python tests/benchmarks/directions.py [--scenes 220] [--first 0] [--seed 1]

Random scenes, six rendered pings each: shipped arrays as they are and scaled, random ones from 10 mm to 0.6 m, 20 to
55 dB, 2 to 40 m, echoes on in every other scene. Then arrays that `place` has found, each on its own site, at the range
and the level that the scenario has and 10 dB less; and how often time differences lie where they are stated, by the first echo. With 1,320 pings a share of 95 % is known to 1.2 %; about six minutes on one core.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import gammainc, ndtr, ndtri

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose, array_rank
from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.mixtures import credible_level
from acoustics.estimate.locate.direction import UNDECIDED
from acoustics.io.ping import Ping
from acoustics.io.recording import choose_encoding
from acoustics.physics.tdoa import difference_matrix
from acoustics.present.text.tables import table
from acoustics.scene.array import Array
from acoustics.scene.pool import Pool
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.locate import first_ping
from acoustics.study.simulate import sidecar_of
from acoustics.study.validate.design import Trial, choose_design, draw_trial
from acoustics.study.validate.recording import RECORDING, trial_recording

PINGS = 6
FAR, LITTLE = np.deg2rad(20.0), 0.01  # of a stray: so far off, with so little of its weight near the truth
FAMILIES = (
    "pair", "line-4", "corner-3", "square-half-wave", "tetra-4", "cube-8", "mixed-5", "hull-4", "scaled", "wide random",
    "small random",
)  # fmt: skip
# Found by `pingfix place examples/SITE.toml --hydrophones N --starts 2 --seed 1`, N as many as there are here:
# forward, starboard, down [m].
FOUND = {
    "mallard-basin": (
        (0.45, -0.25, 0.2164), (0.4273, 0.25, 0.2154), (0.0574, 0.2497, 0.2204), (-0.0838, -0.1519, 0.2225)
    ),
    "fennel-reservoir": (
        (0.45, -0.25, 0.0), (0.2805, 0.25, 0.3), (-0.2173, -0.25, 0.1752), (-0.417, 0.25, 0.0), (-0.4375, -0.25, 0.275)
    ),
    "quay-nine": ((0.45, 0.177, 0.2167), (0.4359, 0.1477, 0.2167), (0.4323, 0.2146, 0.2167), (0.3839, 0.1749, 0.2166)),
}  # fmt: skip
ECHO_CYCLES = (0.0, 0.5, 4.0, 8.0, np.inf)
WEAK_DB = 15.0
# Bins of the stated probability of the integers.
PROBABILITIES = (0.0, 0.5, 0.9, 0.99, 0.999, 1.0 - 1e-5, 1.0 + 1e-9)


@dataclass(frozen=True)
class Told:
    """What one ping stated, against the truth: `level` is the content of the region that just holds it."""

    ok: bool
    level: float = np.nan
    error_deg: float = np.nan
    probability: float = np.nan
    right: bool = False
    weight_of_truth: float = np.nan
    near_weight: float = np.nan
    reason: str = ""
    position_level: float = np.nan  # of the horizontal position's ellipse, where there is one
    stray_chance: float = np.nan  # of being a stray, as in `is_stray`, by what it stated itself
    delay_level: float = np.nan  # content of the region of the right integers' time differences that just holds them
    window_db: float = np.nan  # 2E/N0 in the window
    echo_cycles: float = np.inf  # of the first echo after the direct sound, the earliest of all channels


@cache
def site(name: str) -> Scene:
    return load_scene(shipped("examples")[name])


@cache
def shipped_array(name: str) -> Array:
    return load_array(shipped("arrays")[name])


def random_array(family: str, rng: np.random.Generator) -> Array:
    """An array of a family: a shipped one, one found for a site, one scaled up to 0.6 m, or random places in a box."""
    if family in shipped("arrays"):
        return shipped_array(family)
    if family in FOUND:
        return Array.from_positions(np.array(FOUND[family]))
    if family == "scaled":
        shape = shipped_array(rng.choice(["pair", "line-4", "square-half-wave", "tetra-4", "cube-8"]))
        places = shape.positions_m - shape.positions_m.mean(axis=0)
        size = np.linalg.norm(places[:, None] - places, axis=-1).max()
        return Array.from_positions(places * np.exp(rng.uniform(np.log(size), np.log(0.6))) / size)
    low, high = (0.01, 0.04) if family == "small random" else (0.04, 0.6)
    while True:
        box = np.exp(rng.uniform(np.log(low), np.log(high))) * np.array([1.0, 0.7, rng.choice([0.0, 0.4])])
        places = rng.uniform(-0.5, 0.5, (rng.integers(3, 9), 3)) * box
        apart = np.linalg.norm(places[:, None] - places, axis=-1) + np.eye(len(places))
        if apart.min() > 0.005 and array_rank(places) > 1:
            return Array.from_positions(places)


def random_scene(family: str, rng: np.random.Generator) -> tuple[Scene, float, float]:
    """A pool with a pinger and a vehicle with an array; with the range [m] and 2E/N0 [dB] of its pings."""
    base = site("mallard-basin")
    range_m = float(np.exp(rng.uniform(np.log(2.0), np.log(40.0))))
    length, width, depth = range_m * rng.uniform(1.2, 2.0) + 8.0, rng.uniform(10.0, 25.0), rng.uniform(1.6, 6.0)
    pool = Pool(outline_m=((0.0, 0.0), (length, 0.0), (length, width), (0.0, width)), depth_m=depth)
    pinger = base.pingers[0].model_copy(
        update={
            "position_m": (rng.uniform(1.0, 3.0), rng.uniform(0.2, 0.8) * width, rng.uniform(0.4, 0.95) * depth),
            "frequency_hz": round(rng.uniform(25e3, 40e3), -2),
            "length_s": rng.uniform(1e-3, 5e-3),
            "q": rng.uniform(4.0, 20.0),
        }
    )
    own = (length / 2, width / 2, rng.uniform(0.5, 0.7) * min(depth, 3.0))
    vehicle = base.vehicle.model_copy(update={"position_m": own})
    scene = base.model_copy(
        update={
            "pool": pool, "pingers": (pinger,), "stations": (), "array": random_array(family, rng), "vehicle": vehicle
        }
    )  # fmt: skip
    return scene, range_m, float(rng.uniform(20.0, 55.0))


def told_of(scene: Scene, range_m: float, energy_ratio_db: float, echoes: bool, pings: int, seed: int) -> list[Told]:
    """What `locate` tells of pings of a scene, each in a recording of its own; none where no place is in the water."""
    pinger = scene.pingers[0]
    try:
        design = choose_design(
            scene, pinger, trials=pings, seed=seed, range_m=[range_m], energy_ratio_db=[energy_ratio_db],
            echoes=[echoes],
        )  # fmt: skip
        trials = [draw_trial(scene, pinger, design, k) for k in range(1, pings + 1)]
        drawn = [trial_recording(scene, pinger, trial) for trial in trials]
    except ParameterError:
        return []
    told = []
    for trial, recording in zip(trials, drawn, strict=True):
        encoding = choose_encoding(Path(RECORDING), scene.recorder.bits)
        notes = sidecar_of(recording, encoding)
        ping = first_ping(recording, notes)
        times = recording.series[0].direct_delay_s
        late = (recording.series[0].first_echo_delay_s - times).min() * pinger.frequency_hz
        one = Told(False, reason="no ping") if ping is None else judged(ping, times, scene, trial)
        told.append(replace(one, echo_cycles=float(late)))
    return told


def judged(ping: Ping, arrival_s: np.ndarray, scene: Scene, trial: Trial) -> Told:
    bearing = trial.bearing
    if not ping.ok or not ping.candidates:
        return Told(False, reason=ping.reason)
    means, sds, weights = (
        np.array([getattr(c, name) for c in ping.candidates]) for name in ("bearing", "bearing_sd", "probability")
    )
    truth = delay_level = np.nan
    right = len(arrival_s) == len(ping.channels)
    if right:
        off = difference_matrix(len(arrival_s), ping.reference) @ arrival_s - ping.tdoa_s
        cycles = np.rint(off * ping.frequency_hz).astype(int)
        right = not cycles.any()
        noise = off - cycles / ping.frequency_hz
        square = float(noise @ np.linalg.solve(ping.single_covariance_s2, noise))
        delay_level = float(gammainc(len(noise) / 2, square / 2))  # of chi-square
        truth = sum(one.weight for one in ping.integers if one.cycles == tuple(cycles)) if ping.integers else truth
    return Told(
        True,
        credible_level(bearing, means, sds, weights),
        float(np.rad2deg(_error(bearing, means, weights))),
        ping.integer_probability,
        bool(right),
        float(truth),
        float(_mass_near(bearing, means, sds, weights)),
        ping.reason,
        _position_level(ping, scene, trial),
        0.0 if ping.reason == UNDECIDED else _stray_chance(means, sds, weights),
        delay_level,
        ping.energy_ratio_db,
    )


def _position_level(ping: Ping, scene: Scene, trial: Trial) -> float:
    """Content of the ellipse of the horizontal position that just holds the truth, in the body frame."""
    if ping.position_m is None or ping.position_covariance_m2 is None:
        return np.nan
    own = scene.vehicle.pose
    true = Pose(np.array(trial.position_m), own.roll, own.pitch, trial.heading).to_body([scene.pingers[0].position_m])
    off = (ping.position_m - true[0])[:2]
    return float(-np.expm1(-0.5 * off @ np.linalg.solve(ping.position_covariance_m2[:2, :2], off)))


def _mass_near(bearing: np.ndarray | float, means: np.ndarray, sds: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Share of the mixture within 5 degrees of bearings (...); what its weights lack to 1 may be anywhere."""
    off = np.angle(np.exp(1j * (means - np.asarray(bearing)[..., None])))
    mass = ndtr((off + np.deg2rad(5.0)) / sds) - ndtr((off - np.deg2rad(5.0)) / sds)
    return np.asarray(mass @ weights + max(1.0 - weights.sum(), 0.0) * 10.0 / 360.0)


def _error(bearing: np.ndarray | float, means: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Distance [rad] of bearings (...) from the nearest of the directions that are told first."""
    error = np.abs(np.angle(np.exp(1j * (means - np.asarray(bearing)[..., None]))))
    return np.asarray(np.where(weights >= 0.5 * weights.max(), error, np.inf).min(axis=-1))


def _stray_chance(means: np.ndarray, sds: np.ndarray, weights: np.ndarray) -> float:
    """Probability by the mixture itself that the truth is where it would make the ping a stray."""

    def stray(points: np.ndarray) -> np.ndarray:
        return (_error(points, means, weights) > FAR) & (_mass_near(points, means, sds, weights) < LITTLE)

    quantiles = ndtri((np.arange(200) + 0.5) / 200)
    own = stray(means[:, None] + sds[:, None] * quantiles).mean(axis=-1)
    around = stray(np.linspace(-np.pi, np.pi, 360, endpoint=False)).mean()
    return float(weights @ own + max(1.0 - weights.sum(), 0.0) * around)


def is_stray(t: Told) -> bool:
    """Whether a ping is far off and says that it cannot be, and not that it is worth no decision."""
    return t.error_deg > np.rad2deg(FAR) and t.near_weight < LITTLE and t.reason != UNDECIDED


def percent(share: Interval) -> str:
    return f"{100 * share.value:.1f} ({100 * share.low:.1f} to {100 * share.high:.1f})"


def row(name: str, told: list[Told]) -> tuple[str, ...]:
    given = [t for t in told if t.ok]
    if not given:
        return (name, str(len(told)), "0", *["-"] * 7)
    inside = sum(t.level <= 0.95 for t in given)
    stray = sum(map(is_stray, given))
    placed = [t.position_level for t in given if np.isfinite(t.position_level)]
    return (
        name,
        str(len(told)),
        str(len(given)),
        percent(rate_interval(inside, len(given))),
        f"{100 * np.mean([t.level <= 0.5 for t in given]):.0f}",
        f"{np.median([t.error_deg for t in given]):.2f}",
        f"{100 * np.mean([not t.right for t in given]):.1f}",
        f"{100 * (1 - np.mean([t.probability for t in given])):.1f}",
        f"{100 * stray / len(given):.1f}",
        percent(rate_interval(sum(level <= 0.95 for level in placed), len(placed))) + f" of {len(placed)}"
        if placed
        else "-",
    )


HEADER = (
    "arrays", "pings", "given", "95 % region holds truth, %", "50 %", "median error deg", "wrong integers %",
    "stated %", "over 20 deg, under 1 % near %", "position's 95 % region holds truth, %",
)  # fmt: skip


def calibration(told: list[Told]) -> str:
    """Share of right integers by their stated probability."""
    given = [t for t in told if t.ok and np.isfinite(t.probability)]
    rows = []
    for low, high in zip(PROBABILITIES, PROBABILITIES[1:], strict=False):
        bin_ = [t for t in given if low <= t.probability < high]
        if bin_:
            mean = np.mean([t.probability for t in bin_])
            rows.append((
                f"{low:.5g} to {min(high, 1.0):.5g}", str(len(bin_)), f"{100 * mean:.2f}",
                percent(rate_interval(sum(t.right for t in bin_), len(bin_))),
            ))  # fmt: skip
    return table(("stated probability of the integers", "pings", "mean stated %", "right, %"), rows)


def by_first_echo(told: list[Told]) -> str:
    """How often the time differences of the right integers lie in their 95 % region, by when the first echo comes."""
    given = [t for t in told if t.ok and np.isfinite(t.delay_level)]
    weak = [t for t in given if t.window_db < WEAK_DB]
    kinds = {
        f"{low:g} to {high:g} cycles": (low, high) for low, high in zip(ECHO_CYCLES, ECHO_CYCLES[1:], strict=False)
    }
    groups = {name: [t for t in given if low <= t.echo_cycles < high] for name, (low, high) in kinds.items()}
    groups |= {f"2E/N0 in the window under {WEAK_DB:g} dB": weak, "all": given}
    return table(
        ("first echo", "pings", "in the 95 % region, %", "outside that of 99.9 %, %"),
        [
            (
                name,
                str(len(some)),
                percent(rate_interval(sum(t.delay_level <= 0.95 for t in some), len(some))),
                f"{100 * np.mean([t.delay_level > 0.999 for t in some]):.1f}",
            )
            for name, some in groups.items()
            if some
        ],
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=220)
    parser.add_argument("--first", type=int, default=0, help="scene to begin with")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=int, default=240, help="pings of each found array at each level")
    options = parser.parse_args()
    told: dict[tuple[str, bool], list[Told]] = {}
    for k in range(options.first, options.first + options.scenes):
        rng = np.random.default_rng([options.seed, k])
        family, echoes = FAMILIES[k % len(FAMILIES)], k // len(FAMILIES) % 2 == 1
        scene, range_m, ratio_db = random_scene(family, rng)
        told.setdefault((family, echoes), []).extend(told_of(scene, range_m, ratio_db, echoes, PINGS, k))
    everything = [t for some in told.values() for t in some]
    print(f"{options.scenes} random scenes, {PINGS} pings each, seed {options.seed}\n")
    rows = [row(f, [t for e in (False, True) for t in told.get((f, e), [])]) for f in FAMILIES]
    for echoes in (False, True):
        rows.append(
            row(f"all, echoes {'on' if echoes else 'off'}", [t for (_, e), s in told.items() if e == echoes for t in s])
        )
    print(table(HEADER, [*rows, row("all", everything)]))
    print()
    print(calibration(everything))
    for echoes in (True, False):
        print(f"\ntime differences, echoes {'on' if echoes else 'off'}\n")
        print(by_first_echo([t for (_, e), some in told.items() if e == echoes for t in some]))
    if options.found:
        print()
        print(table(HEADER, [line for site in FOUND for line in found_rows(site, options.found)]))


def found_rows(name: str, pings: int) -> list[tuple[str, ...]]:
    """The array that was found for a site there, at the scenario's own level and 10 dB less."""
    base = site(name)
    scene, pinger = base.model_copy(update={"array": random_array(name, np.random.default_rng())}), base.pingers[0]
    design = choose_design(scene, pinger, trials=1, seed=1)
    range_m, own_db = design.range_m[-1], design.energy_ratio_db[1]
    return [
        row(
            f"found, {name}, {range_m:g} m, {db:.0f} dB, echoes {'on' if echoes else 'off'}",
            told_of(scene, range_m, db, echoes, pings, 5),
        )
        for db in (own_db, own_db - 10.0)
        for echoes in (False, True)
    ]


if __name__ == "__main__":
    main()
