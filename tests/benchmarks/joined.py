"""Print how often the direction is right by the number of pings, at one place and at three headings there.

    python tests/benchmarks/joined.py [--runs 200] [--db 32] [--seed 1]

The array that `place` once found for Mallard Basin hears pings from 14 m away, rendered with their echoes as in
coverage.py; those of a run share mounting, skew, echoes and the errors of the instruments, and have noise of their own.
They are fused as `fuse` does. A direction is stated where one mode has 99 % of the weight, and is right within half of
what a cycle turns it by across the widest baseline. About two seconds a run.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
from coverage import pings_of
from directions import RECORDING, percent

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose, bearing_and_depression, wrap_angle
from acoustics.base.intervals import rate_interval
from acoustics.estimate.fuse import track_of_pings
from acoustics.io.ping import Ping
from acoustics.io.recording import choose_encoding
from acoustics.present.text.tables import table
from acoustics.scene.array import Array
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.fuse import RunErrors, errors_of_run, fuse_run
from acoustics.study.simulate import sidecar_of
from acoustics.study.validate.design import Trial, choose_design, draw_trial
from acoustics.study.validate.recording import trial_recording

# What `place` once found for four hydrophones on the hull of Mallard Basin: forward, starboard, down [m].
FOUND_M = ((0.45, 0.25, 0.0), (0.328, -0.1672, 0.0), (0.0281, -0.25, 0.0), (-0.1476, 0.25, 0.0))
RANGE_M, DECIDED = 14.0, 0.99
COUNTS = (1, 2, 4, 8)
TURNS = (2.0 * np.pi / 3.0, -2.0 * np.pi / 3.0)  # from the first heading
HEADER = ("pings", "runs", "right and stated, %", "wrong and stated, %", "undecided, %", "none, %", "first right, %")
RIGHT, WRONG, UNDECIDED, NONE = range(4)


def turned(scene: Scene, trial: Trial, turn: float) -> Trial:
    """The same trial under another heading."""
    heading, own = float(wrap_angle(trial.heading + turn)), scene.vehicle.pose
    there = Pose(np.array(trial.position_m), own.roll, own.pitch, heading).to_body([scene.pingers[0].position_m])[0]
    bearing, depression = bearing_and_depression(there - scene.array.positions_m.mean(axis=0))
    return replace(trial, heading=heading, bearing=float(bearing), depression=float(depression))


def heard(scene: Scene, trial: Trial, pings: int, rng: np.random.Generator) -> list[Ping]:
    """Pings of a trial, whose seed is of all that they share."""
    drawn = trial_recording(scene, scene.pingers[0], trial)
    notes = sidecar_of(drawn, choose_encoding(Path(RECORDING), scene.recorder.bits))
    return pings_of([(drawn, trial, notes)], rng, draws=pings)


def outcome(scene: Scene, pings: list[Ping], bearing: float, within: float) -> tuple[int, bool]:
    """What the fused pings say of the direction, whose true bearing at the first of them is given, and whether the
    likeliest is right."""
    track = track_of_pings(pings)
    fused = fuse_run(pings, track, errors_of_run(pings, scene, RunErrors()), scene)
    if not np.isfinite(fused.position_m).all():
        return NONE, False
    body = pings[0].pose.pose.to_body([fused.position_m])[0] - scene.array.positions_m.mean(axis=0)
    right = bool(abs(wrap_angle(bearing_and_depression(body)[0] - bearing)) < within)
    sure = fused.modes[0].weight if fused.modes else 1.0
    return (RIGHT if right else WRONG) if sure >= DECIDED else UNDECIDED, right


def row(name: str, found: list[tuple[int, bool]]) -> tuple[str, ...]:
    told = np.array([what for what, _ in found])
    shares = [percent(rate_interval(int(np.sum(told == what)), len(told))) for what in (RIGHT, WRONG, UNDECIDED, NONE)]
    return (name, str(len(told)), *shares, percent(rate_interval(sum(right for _, right in found), len(told))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--db", type=float, default=32.0, help="2E/N0 of the whole burst")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    base = load_scene(shipped("examples")["mallard-basin"])
    scene = base.model_copy(update={"array": Array.from_positions(np.array(FOUND_M))})
    pinger, places = scene.pingers[0], scene.array.positions_m
    widest = np.linalg.norm(places[:, None] - places, axis=-1).max()
    within = 0.5 * scene.sound_speed_m_s / pinger.frequency_hz / widest
    design = choose_design(
        scene, pinger, trials=options.runs, seed=options.seed, range_m=[RANGE_M], energy_ratio_db=[options.db],
        echoes=[True],
    )  # fmt: skip
    names = [f"{n} at one place" for n in COUNTS] + [f"{1 + len(TURNS)} at as many headings"]
    found: dict[str, list[tuple[int, bool]]] = {name: [] for name in names}
    for k in range(1, options.runs + 1):
        trial, rng = draw_trial(scene, pinger, design, k), np.random.default_rng([options.seed, k])
        pings = heard(scene, trial, max(COUNTS), rng)
        for name, n in zip(names, COUNTS, strict=False):
            found[name].append(outcome(scene, pings[:n], trial.bearing, within))
        try:
            others = [heard(scene, turned(scene, trial, turn), 1, rng)[0] for turn in TURNS]
        except ParameterError:  # a hydrophone would leave the water
            continue
        found[names[-1]].append(outcome(scene, pings[:1] + others, trial.bearing, within))
    print(f"{scene.title}, {RANGE_M:g} m, {options.db:g} dB, echoes; right within {np.rad2deg(within):.1f} deg\n")
    print(table(HEADER, [row(name, some) for name, some in found.items()]))


if __name__ == "__main__":
    main()
