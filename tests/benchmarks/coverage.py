"""Print how often the stated 95 % bearing and position of a ping hold the truth, by array and energy ratio.

    python tests/benchmarks/coverage.py [--arrays pair,line-4] [--echoes off] [--pings 4000] [--seed 1]
                                        [--keep FILE] [--seconds 240]

Every scene is a pool, a place, a mounting and a skew of its own (as in directions.py), its ping rendered once without
noise and then sampled with two draws of it. Scenes of one burst are measured in one batch, and each ping then gets its
directions as `locate` makes them. Energy ratios are spread evenly from 15 to 50 dB for the whole burst. Detection, the
recorder's words and the level of the noise, which is given, are left out. Draws of a scene share its geometry and scenes
of a batch their burst, so an interval counts batches, not pings. Pings over 20 degrees off that state under 1 % within 5
degrees of the truth stand beside how many there should be by the pings' own statements.

What each ping stated is added to the file that is kept, a line a batch, and is not worked again: rows are continued by
as many short jobs as it takes. Rows take turns, so that all are as long when the seconds of processor time are over.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from directions import FOUND, RECORDING, Told, is_stray, judged, random_scene

from acoustics.base.errors import ParameterError
from acoustics.estimate.direction import FARTHEST_M, NEAREST_M
from acoustics.estimate.locate.direction import with_directions
from acoustics.estimate.locate.heard_ping import EventSegment, PingContext
from acoustics.estimate.locate.one_ping import MOST_ALTERNATIVES, nothing_yet, with_delays
from acoustics.estimate.tdoa import Segment, TdoaMeasurement, measure_tdoa, thinning_factor
from acoustics.io.ping import Ping
from acoustics.io.recording import choose_encoding
from acoustics.io.sidecar import Sidecar
from acoustics.present.text.tables import table
from acoustics.propagate.render import DrawnRecording
from acoustics.propagate.render.bursts import SampleTimes, ping_pressure
from acoustics.scene.scenario import shipped
from acoustics.study.simulate import sidecar_of
from acoustics.study.validate.design import Trial, choose_design, draw_trial
from acoustics.study.validate.recording import trial_recording

LEAD_CYCLES, TAIL_CYCLES, GUESS_CYCLES = 14.0, 10.0, 1.0
SCENES, DRAWS = 16, 2  # of a batch, and of the noise for each scene
ENERGY_RATIOS_DB = (15.0, 20.0, 30.0, 40.0, 50.0)
COLUMNS = tuple(zip(ENERGY_RATIOS_DB, ENERGY_RATIOS_DB[1:], strict=False))
HEADER = (
    "array", "echoes", "pings", "95 % region holds truth, %", *(f"{low:g} to {high:g} dB" for low, high in COLUMNS),
    "wrong integers %", "stated %", "over 20 deg, under 1 % near", "as stated", "position's region holds truth, %",
)  # fmt: skip
Drawn = tuple[DrawnRecording, Trial, Sidecar]


def batch_of_scenes(array: str, echoes: bool, seed: int, batch: int) -> list[Drawn]:
    """An array by name in random pools, each with one ping drawn; all pingers of a batch send the same burst."""
    rng = np.random.default_rng([seed, batch])
    found: list[Drawn] = []
    burst: dict[str, float] = {}
    while len(found) < SCENES:
        scene, range_m, _ = random_scene(array, rng)
        ratio_db = float(rng.uniform(ENERGY_RATIOS_DB[0], ENERGY_RATIOS_DB[-1]))
        burst = burst or {name: getattr(scene.pingers[0], name) for name in ("frequency_hz", "length_s", "q")}
        pinger = scene.pingers[0].model_copy(update=burst)
        scene = scene.model_copy(update={"pingers": (pinger,)})
        own_seed = int(rng.integers(2**31))
        try:
            design = choose_design(
                scene, pinger, trials=4, seed=own_seed, range_m=[range_m], energy_ratio_db=[ratio_db], echoes=[echoes]
            )
            trial = draw_trial(scene, pinger, design, 1 + int(rng.integers(4)))  # in any of the four sectors
            drawn = trial_recording(scene, pinger, trial)
        except ParameterError:  # no place at that range is in the water
            continue
        found.append((drawn, trial, sidecar_of(drawn, choose_encoding(Path(RECORDING), scene.recorder.bits))))
    return found


def pings_of(scenes: list[Drawn], rng: np.random.Generator, draws: int = DRAWS) -> list[Ping]:
    """The ping of each scene with each draw of the noise, as `locate` finds it."""
    first, notes = scenes[0][0], scenes[0][2]
    burst, array, recorder = first.series[0].pinger.burst, first.scene.array, first.scene.recorder
    rate = recorder.sample_rate_hz / thinning_factor(recorder.sample_rate_hz, burst)
    travel_s = float(np.ptp(array.positions_m, axis=0).sum()) / notes.sound_speed_m_s
    lead_s = LEAD_CYCLES / burst.frequency_hz + travel_s
    n_samples = int((lead_s + burst.length_s + TAIL_CYCLES / burst.frequency_hz + travel_s) * rate)
    clean = np.stack([_sampled(drawn, lead_s + rng.uniform() / rate, rate, n_samples) for drawn, *_ in scenes])
    energy_s, ratio_db = (
        float(burst.moments(np.inf).energy_s),
        np.array([trial.energy_ratio_db for _, trial, _ in scenes]),
    )
    peak_pa = [
        one.pinger.peak_pressure_pa * np.abs(one.paths.amplitude[:, 0]).mean()
        for one in (drawn.series[0] for drawn, *_ in scenes)
    ]
    density = np.repeat(np.square(peak_pa) * energy_s / 10 ** (ratio_db / 10), draws)
    noisy = np.repeat(clean, draws, axis=0)
    noisy += np.sqrt(density * rate / 2)[:, None, None] * rng.standard_normal(noisy.shape)
    measured = measure_tdoa(
        Segment(noisy, rate),
        burst,
        noise_density=np.repeat(density[:, None], len(array.positions_m), axis=1),
        onset_s=lead_s + rng.uniform(-GUESS_CYCLES, GUESS_CYCLES, len(noisy)) / burst.frequency_hz,
        hydrophones_m=array.positions_m,
        sound_speed_m_s=np.repeat([told.sound_speed_m_s for *_, told in scenes], draws),
        skew_sd_s=notes.skew_sd_s,
        element_sd_m=array.tolerances_m,
        sound_speed_sd_m_s=notes.sound_speed_sd_m_s,
        nearest_m=NEAREST_M,
        n_alternatives=MOST_ALTERNATIVES,
    )
    return [
        ping
        for k, scene in enumerate(scenes)
        for ping in _located([measured.of(draws * k + draw) for draw in range(draws)], scene)
    ]


def _sampled(drawn: DrawnRecording, begin_s: float, rate: float, n_samples: int) -> np.ndarray:
    """Pressure of a scene's ping without noise, shape (n_channels, n_samples), the direct sound at a given time [Pa]."""
    one, paths = drawn.series[0], drawn.series[0].paths
    times = SampleTimes(1 / rate, -drawn.skew_s)
    start_s = begin_s - one.direct_delay_s.min()
    first, analytic = ping_pressure(one.pinger, start_s, paths.delay_s, paths.amplitude, paths.valid, times)
    clean = np.zeros((len(drawn.skew_s), n_samples))
    low, high = max(first, 0), min(first + len(analytic), n_samples)
    clean[:, low:high] = analytic.real[low - first : high - first].T
    return clean


def _located(measured: list[TdoaMeasurement], scene: Drawn) -> list[Ping]:
    """Directions of a scene's pings by their delays, as `locate` makes them."""
    drawn, _, notes = scene
    n = len(notes.channels)
    silence = EventSegment(np.zeros((n, 0)), np.zeros((n, 0)), 0, 0, notes.sample_rate_hz, np.zeros(n), 0.0)
    bare = replace(
        nothing_yet(1, notes.pingers[0], silence, PingContext(notes, "phase", None), ()),
        channels=tuple(channel.name for channel in notes.channels),
        hydrophones_m=drawn.scene.array.positions_m,
        tolerances_m=drawn.scene.array.tolerances_m,
    )
    pings = [with_delays(bare, one) for one in measured]
    directed = iter(with_directions([p for p in pings if p.ok], farthest_m=notes.farthest_m or FARTHEST_M))
    return [next(directed) if p.ok else p for p in pings]


def told_by(array: str, echoes: bool, seed: int, batch: int) -> dict[str, Any]:
    """What a batch of pings stated, one line of the file that is kept."""
    scenes = batch_of_scenes(array, echoes, seed, batch)
    pings = pings_of(scenes, np.random.default_rng([seed, batch, 1]))
    told = []
    for k, ping in enumerate(pings):
        drawn, trial, _ = scenes[k // DRAWS]
        its = asdict(judged(ping, drawn.series[0].direct_delay_s, drawn.scene, trial))
        told.append({"ratio_db": trial.energy_ratio_db} | its)
    return {"array": array, "echoes": echoes, "seed": seed, "batch": batch, "told": told}


def share(held: list[tuple[int, bool]]) -> str:
    """Share in percent of pings, each with its batch, with its 95 % interval by the scatter of batches."""
    if len({batch for batch, _ in held}) < 2:
        return "-"
    _, which = np.unique([batch for batch, _ in held], return_inverse=True)
    holds = np.array([inside for _, inside in held], dtype=float)
    mean = holds.mean()
    off = np.bincount(which, holds - mean)  # of a ratio of sums over batches (Cochran 1977, Sampling Techniques, ch. 6)
    spread = 1.96 * np.sqrt(np.sum(off**2) * len(off) / (len(off) - 1)) / len(holds)
    return f"{100 * mean:.1f} +- {100 * spread:.1f}"


def row(name: str, echoes: bool, kept: list[dict[str, Any]]) -> tuple[str, ...]:
    """One line of the table."""
    given = [(one["batch"], ping["ratio_db"], told_again(ping)) for one in kept for ping in one["told"] if ping["ok"]]
    if not given:
        return (name, "on" if echoes else "off", "0", *["-"] * (len(HEADER) - 3))
    flat = [t for *_, t in given]
    held = [(batch, db, t.level <= 0.95) for batch, db, t in given]
    placed = [(batch, t.position_level <= 0.95) for batch, _, t in given if np.isfinite(t.position_level)]
    return (
        name,
        "on" if echoes else "off",
        str(len(flat)),
        share([(batch, inside) for batch, _, inside in held]),
        *(share([(batch, inside) for batch, db, inside in held if low <= db < high]) for low, high in COLUMNS),
        f"{100 * np.mean([not t.right for t in flat]):.1f}",
        f"{100 * (1 - np.mean([t.probability for t in flat])):.1f}",
        str(sum(map(is_stray, flat))),
        f"{sum(t.stray_chance for t in flat):.1f}",
        f"{share(placed)} of {len(placed)}",
    )


def told_again(kept: dict[str, Any]) -> Told:
    return Told(**{name: value for name, value in kept.items() if name != "ratio_db"})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--arrays", default="", help="comma-separated; default: all shipped, and those found for sites")
    parser.add_argument("--echoes", choices=("off", "on", "both"), default="both")
    parser.add_argument("--pings", type=int, default=4000, help=f"of a row, in batches of {SCENES * DRAWS}")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="JSON lines that are read first and added to")
    parser.add_argument(
        "--seconds", type=float, default=np.inf, help="of processor time, after which no batch is begun"
    )
    options = parser.parse_args()
    names = options.arrays.split(",") if options.arrays else [*sorted(shipped("arrays")), *FOUND]
    cases = [
        (name, e) for name in names for e in {"off": (False,), "on": (True,), "both": (False, True)}[options.echoes]
    ]
    lines = options.keep.read_text().splitlines() if options.keep and options.keep.exists() else []
    done = {
        (one["array"], one["echoes"], one["batch"]): one
        for one in map(json.loads, lines)
        if one["seed"] == options.seed
    }
    for batch in range(-(-options.pings // (SCENES * DRAWS))):
        for case in cases:
            if (*case, batch) in done or time.process_time() > options.seconds:
                continue
            one = done[*case, batch] = told_by(*case, options.seed, batch)
            if options.keep:
                with options.keep.open("a") as kept:
                    kept.write(json.dumps(one) + "\n")
    of_case = {case: [one for (*its, _), one in done.items() if tuple(its) == case] for case in cases}
    print(table(HEADER, [row(*case, kept) for case, kept in of_case.items()]))
    for (name, echoes), kept in of_case.items():
        for batch, k, t in [(one["batch"], k, told_again(p)) for one in kept for k, p in enumerate(one["told"])]:
            if t.ok and is_stray(t):
                print(
                    f"over 20 deg off and under 1 % near: {name}, echoes {'on' if echoes else 'off'}, batch {batch}, "
                    f"ping {k}, {t.error_deg:.0f} deg, {100 * t.near_weight:.2g} %"
                )


if __name__ == "__main__":
    main()
