"""What echoes do to the bearing at chosen cells of a map: rendered pings, with and without echoes, through `locate`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from acoustics.base.frames import Floats, bearing_and_depression
from acoustics.base.intervals import Interval, rms_interval
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.execution import Arrays
from acoustics.study.map.cells import Cells

# What renders and locates is loaded where pings are: `check` asks for the cells of a map alone.
if TYPE_CHECKING:
    from acoustics.io.sidecar import Sidecar
    from acoustics.propagate.render import DrawnRecording
    from acoustics.study.validate import Answer, Trial

_ECHO_CELLS = 6
_PINGS_AT_ONCE = 6
_TOLERANCES = 5.0  # the hydrophones stay wet if their places are off by so many standard deviations


def usual_echo_cells(trials: int) -> int:
    """At how many cells pings are rendered unless told otherwise; none where nothing is simulated."""
    return _ECHO_CELLS if trials else 0


@record
class EchoPlace:
    """Pings rendered at one cell. Simulations, but for the bound; None where fewer than two pings were answered.

    `x_m`, `y_m`: of what stands in the cell. `bound_deg`: of the bearing from the bow by the multipath-free window,
    mounting, skew and sound speed included. `bias_deg`: what echoes add to the bearing of one and the same ping, on
    average, so that errors of mounting, skew and noise that are there without them cancel. `rms_deg`: of the bearing
    error with echoes, wrong cycles included; `without_rms_deg`: of the same pings without them. `refused` and
    `without_refused`: shares of pings without a bearing. `wrong_integer`: share of the bearings with echoes. `fixes`:
    share of pings with a position. `range_bias_m`: what echoes add to the position's horizontal distance, where a ping
    has one either way.
    """

    x_m: float
    y_m: float
    heading_deg: float
    pings: int
    bound_deg: float
    bias_deg: Interval | None
    rms_deg: Interval | None
    without_rms_deg: Interval | None
    refused: float
    without_refused: float
    wrong_integer: float
    fixes: float
    range_bias_m: Interval | None


@record
class EchoChunk:
    """A few pings of one cell, which stands at x and y [m], each with and without echoes."""

    scene: Scene
    pinger: Pinger
    place_m: tuple[float, float]
    trials: tuple[Trial, ...]


def echo_places(scene: Scene, cells: Cells, heading: Floats, heard: NDArray[np.bool_], count: int) -> NDArray[np.intp]:
    """Wet cells, by index, spread evenly over those where the pinger is heard: nearest to the centres of as many parts.

    Parts by k-means (Lloyd 1982). Cells where a hydrophone out of its place could leave the water are not taken.
    """
    if count == 0:
        return np.arange(0)
    from scipy.cluster.vq import kmeans2  # slow to load

    places = cells.places_m[cells.wet]
    waypoints = places if cells.over == "vehicle" else np.broadcast_to(scene.vehicle.position_m, places.shape)
    hydrophones = scene.vehicle.pose_at(waypoints, heading).to_site(scene.array.positions_m)
    margin = _TOLERANCES * float(scene.array.tolerances_m.max())
    usable = np.flatnonzero(heard & scene.pool.contains(hydrophones, margin).all(axis=-1))
    if usable.size <= count:
        return usable
    level = places[usable, :2]
    first = level[np.unique(np.linspace(0, usable.size - 1, count).astype(int))]
    centres = kmeans2(level, first, minit="matrix", iter=30)[0]
    nearest = np.linalg.norm(level[:, None] - centres, axis=-1).argmin(axis=0)
    return usable[np.unique(nearest)]


def echo_chunks(
    scene: Scene, pinger: Pinger, cells: Cells, heading: Floats, chosen: NDArray[np.intp], *, pings: int, seed: int
) -> list[EchoChunk]:
    """Pings at the chosen cells, with the vehicle's heading in each, shape (n_wet,) [rad]; each has its own seed."""
    chunks = []
    for k, cell in enumerate(chosen.tolist()):
        place = tuple(cells.places_m[cells.wet][cell].tolist())
        source = pinger if cells.over == "vehicle" else pinger.model_copy(update={"position_m": place})
        waypoint = place if cells.over == "vehicle" else scene.vehicle.position_m
        trials = [_trial(scene, source, waypoint, float(heading[cell]), (seed, k, n)) for n in range(pings)]
        chunks += [
            EchoChunk(scene, source, place[:2], tuple(trials[start : start + _PINGS_AT_ONCE]))
            for start in range(0, pings, _PINGS_AT_ONCE)
        ]
    return chunks


def _trial(
    scene: Scene, pinger: Pinger, waypoint: tuple[float, float, float], heading: float, seed: tuple[int, ...]
) -> Trial:
    from acoustics.study.validate import Trial

    seen = scene.vehicle.pose_at(np.array(waypoint), heading).to_body([pinger.position_m])[0]
    sight = seen - scene.array.positions_m.mean(axis=0)
    bearing, depression = bearing_and_depression(sight)
    return Trial(
        number=seed[-1] + 1,
        sector="ahead",
        range_m=float(np.linalg.norm(sight)),
        energy_ratio_db=np.nan,
        echoes=True,
        source_level_db=pinger.source_level_db,
        position_m=waypoint,
        heading=heading,
        bearing=float(bearing),
        depression=float(depression),
        recording_seed=int.from_bytes(
            np.random.SeedSequence(seed, spawn_key=(1,)).generate_state(4).tobytes(), "little"
        ),
    )


def heard_of_chunk(chunk: EchoChunk) -> Arrays:
    """Bearing errors [rad] of a chunk's pings with and without echoes, NaN without a bearing, and what else is scored.

    Each is rendered twice with the same draws of everything but the echoes.
    """
    from acoustics.study.simulate import sidecar_of
    from acoustics.study.validate import ANSWERED, compare, trial_recordings

    recordings, trials = [], []
    drawn = trial_recordings(chunk.scene, chunk.pinger, chunk.trials)
    for trial, one in zip(chunk.trials, drawn, strict=True):
        sidecar = sidecar_of(one, "wav32")
        trials += [trial, replace(trial, echoes=False)]
        recordings += [(one, sidecar), (one.without_echoes(), sidecar)]
    answers = _located(recordings)
    scored = compare(chunk.scene, chunk.pinger, trials, answers)
    level = chunk.scene.vehicle.level_pose
    places = [np.full(3, np.nan) if a.position_m is None else np.array(a.position_m) for a in answers]
    distance = np.hypot(*level.to_site(np.array(places))[:, :2].T)
    return {
        "error": scored["error"][::2],
        "without": scored["error"][1::2],
        "answered": scored["outcome"][::2] == ANSWERED,
        "without_answered": scored["outcome"][1::2] == ANSWERED,
        "wrong_integer": scored["wrong_integer"][::2],
        "fix": np.isfinite(distance[::2]),
        "farther_m": distance[::2] - distance[1::2],
        "bound": scored["bound"][::2],
    }


def _located(recordings: Sequence[tuple[DrawnRecording, Sidecar]]) -> list[Answer]:
    """What is made of the samples of recordings of one ping each, with their sidecars."""
    from acoustics.estimate.locate import first_pings
    from acoustics.study.locate import stream_of
    from acoustics.study.validate import Answer, answer_of_ping

    pings = first_pings((stream_of(drawn), sidecar) for drawn, sidecar in recordings)
    return [Answer(refused="no ping was found") if ping is None else answer_of_ping(ping) for ping in pings]


def gather_echoes(chunks: Sequence[EchoChunk], results: Sequence[Arrays], *, seed: int) -> tuple[EchoPlace, ...]:
    """One summary a cell of all its pings."""
    rng = np.random.default_rng(seed)
    found = []
    for _, group in groupby(zip(chunks, results, strict=True), key=lambda pair: pair[0].place_m):
        pairs = list(group)
        chunk = pairs[0][0]
        told = {name: np.concatenate([result[name] for _, result in pairs]) for name in pairs[0][1]}
        found.append(_summary(chunk, told, rng))
    return tuple(found)


def _summary(chunk: EchoChunk, told: Arrays, rng: np.random.Generator) -> EchoPlace:
    errors, echo_free = (np.rad2deg(np.asarray(told[name], dtype=float)) for name in ("error", "without"))
    error, without, added = (v[np.isfinite(v)] for v in (errors, echo_free, (errors - echo_free + 180) % 360 - 180))
    farther = np.asarray(told["farther_m"], dtype=float)
    answered = told["answered"]
    return EchoPlace(
        x_m=chunk.place_m[0],
        y_m=chunk.place_m[1],
        heading_deg=float(np.rad2deg(chunk.trials[0].heading)),
        pings=len(answered),
        bound_deg=float(np.rad2deg(told["bound"][0])),
        bias_deg=_mean_interval(added),
        rms_deg=rms_interval(error, rng) if error.size > 1 else None,
        without_rms_deg=rms_interval(without, rng) if without.size > 1 else None,
        refused=float(1 - answered.mean()),
        without_refused=float(1 - told["without_answered"].mean()),
        wrong_integer=float(told["wrong_integer"][answered].mean()) if answered.any() else 0.0,
        fixes=float(told["fix"].mean()),
        range_bias_m=_mean_interval(farther[np.isfinite(farther)]),
    )


def _mean_interval(values: Floats) -> Interval | None:
    """Mean with its 95 % interval by Student's t; None of fewer than two."""
    if values.size < 2:
        return None
    mean = float(values.mean())
    reach = float(stdtrit(values.size - 1, 0.975) * values.std(ddof=1) / np.sqrt(values.size))
    return Interval(mean, mean - reach, mean + reach)
