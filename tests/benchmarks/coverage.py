"""Print how often the stated 95 % bearing and position of a ping hold the truth, by array and energy ratio.

    python tests/benchmarks/coverage.py [--arrays pair,line-4] [--echoes off] [--pings 4000] [--draws 4] [--seed 1]

Every scene is a pool, a place, a mounting and a skew of its own (as in directions.py), its ping rendered once without
noise and then sampled with several draws of it; the estimator takes them in one batch, and each then gets its
directions as `locate` makes them. Energy ratios are spread evenly from 15 to 50 dB for the whole burst. Detection, the
recorder's words and the level of the noise, which is given, are left out. Draws of a scene share its geometry, so an
interval counts scenes, not pings. About 35 ms a ping.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
from directions import FOUND, RECORDING, Told, is_stray, judged, random_scene

from acoustics.base.errors import ParameterError
from acoustics.estimate.direction import FARTHEST_M, NEAREST_M
from acoustics.estimate.locate.direction import with_directions
from acoustics.estimate.locate.one_ping import MOST_ALTERNATIVES, EventSegment, PingContext, nothing_yet, with_delays
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
ENERGY_RATIOS_DB = (15.0, 20.0, 30.0, 40.0, 50.0)
COLUMNS = tuple(zip(ENERGY_RATIOS_DB, ENERGY_RATIOS_DB[1:], strict=False))
HEADER = (
    "array", "echoes", "pings", "95 % region holds truth, %", *(f"{low:g} to {high:g} dB" for low, high in COLUMNS),
    "wrong integers %", "stated %", "over 20 deg, under 1 % near %", "position's region holds truth, %",
)  # fmt: skip


def scenes(array: str, echoes: bool, seed: int) -> Iterator[tuple[DrawnRecording, Trial, Sidecar]]:
    """Scenes without end: an array by name in random pools, each with one ping drawn."""
    k = 0
    while True:
        k += 1
        rng = np.random.default_rng([seed, k])
        scene, range_m, _ = random_scene(array, rng)
        ratio_db = float(rng.uniform(ENERGY_RATIOS_DB[0], ENERGY_RATIOS_DB[-1]))
        pinger = scene.pingers[0]
        try:
            design = choose_design(
                scene, pinger, trials=1, seed=k, range_m=[range_m], energy_ratio_db=[ratio_db], echoes=[echoes]
            )
            trial = draw_trial(scene, pinger, design, 1)
            drawn = trial_recording(scene, pinger, trial)
        except ParameterError:  # no place at that range is in the water
            continue
        yield drawn, trial, sidecar_of(drawn, choose_encoding(Path(RECORDING), scene.recorder.bits))


def pings_of(drawn: DrawnRecording, trial: Trial, notes: Sidecar, draws: int, rng: np.random.Generator) -> list[Ping]:
    """The ping of a recording with each draw of the noise, as `locate` finds it."""
    one, burst = drawn.series[0], drawn.series[0].pinger.burst
    positions, paths, f = drawn.scene.array.positions_m, one.paths, burst.frequency_hz
    rate = drawn.scene.recorder.sample_rate_hz / thinning_factor(drawn.scene.recorder.sample_rate_hz, burst)
    travel_s = float(np.ptp(positions, axis=0).sum()) / notes.sound_speed_m_s
    lead_s = LEAD_CYCLES / f + travel_s
    clean = np.zeros((len(positions), int((lead_s + burst.length_s + TAIL_CYCLES / f + travel_s) * rate)))
    start_s = lead_s - one.direct_delay_s.min() + rng.uniform() / rate
    times = SampleTimes(1 / rate, -drawn.skew_s)
    first, analytic = ping_pressure(one.pinger, start_s, paths.delay_s, paths.amplitude, paths.valid, times)
    low, high = max(first, 0), min(first + len(analytic), clean.shape[-1])
    clean[:, low:high] = analytic.real[low - first : high - first].T
    peak_pa = one.pinger.peak_pressure_pa * np.abs(paths.amplitude[:, 0]).mean()
    density = peak_pa**2 * float(burst.moments(np.inf).energy_s) / 10 ** (trial.energy_ratio_db / 10)
    measured = measure_tdoa(
        Segment(clean + np.sqrt(density * rate / 2) * rng.standard_normal((draws, *clean.shape)), rate),
        burst,
        noise_density=density,
        onset_s=lead_s + rng.uniform(-GUESS_CYCLES, GUESS_CYCLES, draws) / f,
        hydrophones_m=positions,
        sound_speed_m_s=notes.sound_speed_m_s,
        skew_sd_s=notes.skew_sd_s,
        element_sd_m=drawn.scene.array.tolerances_m,
        sound_speed_sd_m_s=notes.sound_speed_sd_m_s,
        nearest_m=NEAREST_M,
        n_alternatives=MOST_ALTERNATIVES,
    )
    silence = EventSegment(clean[:, :0], clean[:, :0], 0, 0, rate, np.zeros(len(clean)), 0.0)
    context = PingContext(notes, "phase", None)
    bare = replace(
        nothing_yet(1, notes.pingers[0], silence, context, ()),
        channels=tuple(channel.name for channel in notes.channels),
        hydrophones_m=positions,
        tolerances_m=drawn.scene.array.tolerances_m,
    )
    pings = [with_delays(bare, draw(measured, k)) for k in range(draws)]
    told = iter(with_directions([p for p in pings if p.ok], farthest_m=notes.farthest_m or FARTHEST_M))
    return [next(told) if ping.ok else ping for ping in pings]


def draw(measured: TdoaMeasurement, k: int) -> TdoaMeasurement:
    """Ping k of a batch."""
    rest = {
        f.name: getattr(measured, f.name) for f in fields(measured) if f.name not in ("tdoa", "alternatives", "onsets")
    }
    tdoa, found = measured.tdoa, measured.alternatives
    return TdoaMeasurement(
        tdoa=replace(tdoa, tdoa_s=tdoa.tdoa_s[k], covariance_s2=tdoa.covariance_s2[k]),
        alternatives=found and type(found)(*(value[k] for value in vars(found).values())),
        onsets=None,
        **{name: value[k] for name, value in rest.items()},
    )


def share(held: list[list[bool]]) -> str:
    """Share of pings in percent, with its 95 % interval by the scatter of scenes."""
    some = [np.mean(scene) for scene in held if scene]
    if len(some) < 2:
        return "-"
    return f"{100 * np.mean(some):.1f} +- {196 * np.std(some, ddof=1) / np.sqrt(len(some)):.1f}"


def row(name: str, echoes: bool, told: list[tuple[float, list[Told]]]) -> tuple[str, ...]:
    """One line of the table, of the energy ratio and the draws of each scene."""
    given = [(db, [t for t in some if t.ok]) for db, some in told]
    held = [(db, [t.level <= 0.95 for t in some]) for db, some in given]
    flat = [t for _, some in given for t in some]
    placed = [[t.position_level <= 0.95 for t in some if np.isfinite(t.position_level)] for _, some in given]
    stray = np.mean([is_stray(t) for t in flat])
    return (
        name,
        "on" if echoes else "off",
        str(len(flat)),
        share([some for _, some in held]),
        *(share([some for db, some in held if low <= db < high]) for low, high in COLUMNS),
        f"{100 * np.mean([not t.right for t in flat]):.1f}",
        f"{100 * (1 - np.mean([t.probability for t in flat])):.1f}",
        f"{100 * stray:.2f}",
        f"{share(placed)} of {sum(map(len, placed))}",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--arrays", default="", help="comma-separated; default: all shipped, and those found for sites")
    parser.add_argument("--echoes", choices=("off", "on", "both"), default="both")
    parser.add_argument("--pings", type=int, default=4000)
    parser.add_argument("--draws", type=int, default=4, help="of the noise, for each scene")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows, strays = [], []
    for name in options.arrays.split(",") if options.arrays else [*sorted(shipped("arrays")), *FOUND]:
        for echoes in {"off": (False,), "on": (True,), "both": (False, True)}[options.echoes]:
            told = []
            for k, (drawn, trial, notes) in enumerate(scenes(name, echoes, options.seed)):
                rng = np.random.default_rng([options.seed, k, 1])
                pings = pings_of(drawn, trial, notes, options.draws, rng)
                times = drawn.series[0].direct_delay_s
                told.append((trial.energy_ratio_db, [judged(ping, times, drawn.scene, trial) for ping in pings]))
                if (k + 1) * options.draws >= options.pings:
                    break
            rows.append(row(name, echoes, told))
            strays += [(name, k, t) for k, (_, some) in enumerate(told) for t in some if is_stray(t)]
    print(table(HEADER, rows))
    for name, k, t in strays:
        print(
            f"over 20 deg off and under 1 % near: {name}, scene {k + 1}, {t.error_deg:.0f} deg, {100 * t.near_weight:.2g} %"
        )


if __name__ == "__main__":
    main()
