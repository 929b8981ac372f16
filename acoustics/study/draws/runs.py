"""Simulated runs: pings heard from several poses, with the errors of delays and of dead reckoning."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, Pose
from acoustics.base.polygons import convex_hull
from acoustics.estimate.fuse import (
    FusedFix,
    PingClock,
    PingRun,
    SourceArea,
    Track,
    UndetectedEchoes,
    fuse_pings,
    stops_of,
    uniform_over,
)
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings, Listening, measure_blind_each, places_about
from acoustics.study.draws.errors import draw_errors
from acoustics.study.draws.integers import DrawnIntegers, drawn_integers

_PLACES_EACH = 2  # about each place of a run at which a ping is measured


@dataclass(frozen=True)
class Route:
    """True poses of a run: `n_pings` places, evenly along a straight leg from the vehicle's place.

    `leg_m` of 0 keeps the vehicle where it stands. `leg_deg` is the direction of travel, clockwise from +x of the
    site; the vehicle heads as the scenario says.
    """

    n_pings: int
    leg_m: float
    leg_deg: float


@dataclass(frozen=True)
class SimulatedRuns:
    """Runs of shape (n_runs,) as the vehicle would have them.

    `outlier`, (n_runs, n_pings): pings made wrong on purpose; `wrong_integer`: those with integers
    resolved wrongly. `path_m`, (n_pings, 3): where the vehicle truly was; `errors_of_places`, (n_runs, n_pings,
    8 + 4 n_hydrophones): what was drawn, in order and units of `EchoPlaces.by`, the pinger's depth taken as it is.
    """

    run: PingRun
    track: Track
    errors: ErrorSizes
    source_depth_m: Floats
    outlier: NDArray[np.bool_]
    wrong_integer: NDArray[np.bool_]
    path_m: Floats
    errors_of_places: Floats

    def some(self, rows: NDArray[np.intp]) -> SimulatedRuns:
        """Some of the runs, those past one pinger."""
        run = self.run
        return replace(
            self,
            run=replace(
                run,
                tdoa_s=np.where(run.heard[rows][..., None], run.tdoa_s[rows], np.nan),
                covariance_s2=run.covariance_s2[rows],
                arrival_s=None if run.arrival_s is None else run.arrival_s[rows],
                undetected=run.undetected and replace(run.undetected, lasting_share=run.undetected.lasting_share[rows]),
                alternatives_s=None if run.alternatives_s is None else run.alternatives_s[rows],
                alternative_misfit=None if run.alternative_misfit is None else run.alternative_misfit[rows],
            ),
            track=Track(**{f.name: getattr(self.track, f.name)[rows] for f in fields(Track)}),
            source_depth_m=self.source_depth_m[rows],
            outlier=self.outlier[rows],
            wrong_integer=self.wrong_integer[rows],
            errors_of_places=self.errors_of_places[rows],
        )


def water_outline(scene: Scene) -> Floats:
    """Corners (k, 2) [m] of where a pinger may be, of a convex polygon: estimators take no other.

    The convex hull of the pool's outline; else the map's extent; else the box of all places in the scenario, half as
    large again.
    """
    if scene.pool.outline_m is not None:
        return convex_hull(scene.pool.outline_m)
    if scene.study.map_extent_m is not None:
        low, high = np.array(scene.study.map_extent_m[:2]), np.array(scene.study.map_extent_m[2:])
    else:
        places = [p.position_m[:2] for p in scene.pingers] + [s.position_m[:2] for s in scene.stations]
        places.append(scene.vehicle.position_m[:2])
        low, high = np.min(places, axis=0), np.max(places, axis=0)
        grow = 0.25 * np.maximum(high - low, 10.0)
        low, high = low - grow, high + grow
    return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])


def source_area(scene: Scene) -> SourceArea:
    """A broad normal distribution with the mean and covariance of a place anywhere in the water."""
    return uniform_over(water_outline(scene))


def pinger_clock(pinger: Pinger) -> PingClock | None:
    """What is known of a pinger's clock; None where its `pri_sd_ppm` is not. An arrival may be out by half a cycle."""
    if pinger.pri_sd_ppm is None:
        return None
    jitter = float(np.hypot(pinger.start_jitter_s, 0.5 / pinger.frequency_hz))
    return PingClock(pinger.pri_s, 1e-6 * pinger.pri_sd_ppm * pinger.pri_s, jitter)


def route_positions(scene: Scene, route: Route) -> Floats:
    """True places of the vehicle, (n_pings, 3) [m].

    Raises
    ------
    ParameterError
        If the run leaves the water.
    """
    if route.n_pings < 1 or route.leg_m < 0:
        raise ParameterError(f"n_pings={route.n_pings}, leg_m={route.leg_m}: expected at least 1, and 0 or more")
    angle = np.deg2rad(route.leg_deg)
    along = np.linspace(0.0, route.leg_m, route.n_pings)[:, None]
    places = np.array(scene.vehicle.position_m) + along * [np.cos(angle), np.sin(angle), 0.0]
    pose = scene.vehicle.pose
    hydrophones = Pose(places, pose.roll, pose.pitch, pose.heading).to_site(scene.array.positions_m)
    dry = ~np.all(scene.pool.contains(hydrophones), axis=-1)
    if dry.any():
        reached = float(along[max(int(np.argmax(dry)) - 1, 0), 0])
        raise ParameterError(f"the run leaves the water after {reached:.1f} m: shorten the leg or turn the route")
    return places


def simulate_runs(
    scene: Scene,
    pinger: Pinger,
    places_m: Floats,
    *,
    n_runs: int,
    rng: np.random.Generator,
    wrong_share: float = 0.0,
    integers: Literal["resolved", "given"] = "resolved",
    clock: PingClock | None = None,
    measured: BlindPings | None = None,
) -> SimulatedRuns:
    """Draw runs over the same true places, each with its own errors.

    Parameters
    ----------
    scene : Scene
        For array, water, noise and the sizes of all errors.
    pinger : Pinger
        The source.
    places_m : ndarray, shape (n_pings, 3)
        True places of the vehicle [m]; its attitude is the scenario's.
    n_runs : int
        How many.
    rng : Generator
        Source of randomness.
    wrong_share : float
        Probability that a ping is of something else: half of them of another place in the water, as of another
        pinger; half of an echo off a wall (off the surface where there are no walls).
    integers : {"resolved", "given"}
        Whether the vehicle resolves the carrier's integer ambiguity itself, now and then wrongly, or is given the
        right integers.
    clock : PingClock, optional
        With it the vehicle takes arrival times for evidence too: the pinger sounds at each place once, by a clock drawn
        from this.
    measured : BlindPings, optional
        Of the pinger along the run, as from `measure_along`; measured here by default.

    Raises
    ------
    ParameterError
        If the pinger cannot be heard anywhere along the run.
    """
    pose, sizes, p, n = scene.vehicle.pose, error_sizes_of(scene, pinger), len(places_m), len(scene.array.hydrophones)
    source, shape = np.array(pinger.position_m), (n_runs, p)
    pings = measure_along(scene, [pinger], [places_m])[0] if measured is None else measured
    answered = pings.answered
    heard = answered.any(axis=-1)
    if not heard.any():
        raise ParameterError(f"{pinger.name}: too weak, or hidden, to be measured anywhere along the run")
    variance, cycle_variance, lasting = (
        np.where(
            heard,
            np.sum(np.where(answered, v, 0.0), -1) / np.maximum(answered.sum(-1), 1),
            np.inf,
        )
        for v in (pings.carrier_variance_s2, pings.cycle_variance_s2, pings.lasting_variance_s2)
    )
    stated = variance + lasting
    legs = np.linalg.norm(np.diff(places_m, axis=0, prepend=places_m[:1]), axis=-1)
    drawn = draw_errors(sizes, legs, n, n_runs=n_runs, rng=rng)
    outlier = rng.random(shape) < wrong_share
    sources = np.where(outlier[..., None], _elsewhere(scene, source, shape, rng), source)
    # The scenario's attitude is what the instruments show; the truth differs from it by their errors.
    shown = np.array([pose.roll, pose.pitch, pose.heading], dtype=float)
    bent = scene.bending_profile
    times = drawn.arrival_times(scene.array.positions_m, places_m, shown, sources, scene.sound_speed_m_s, bent)
    noise = rng.normal(size=(*shape, n)) * np.sqrt(np.where(heard, variance, 0.0))[:, None]
    row, beside = _beside(scene, pinger, places_m, n_runs, rng)
    by_carrier, by_envelope = (shift[row, beside] for shift in (pings.carrier_shift_s, pings.envelope_shift_s))
    times, noise = times + by_envelope, noise + by_carrier - by_envelope
    told = answered[row, beside]
    depth = source[2] + rng.normal(size=n_runs) * scene.study.pinger_depth_sd_m
    differences = difference_matrix(n)
    off = np.zeros((*shape, n - 1), dtype=np.int64)
    further: dict[str, Any] = {}
    if integers == "resolved":
        found = drawn_integers(
            times[:, heard],
            noise[:, heard],
            carrier_variance_s2=stated[heard],
            cycle_variance_s2=cycle_variance[heard],
            shared_variance_s2=sizes.skew_sd_s**2 + (scene.array.tolerances_m / scene.sound_speed_m_s) ** 2,
            hydrophones_m=scene.array.positions_m,
            sound_speed_m_s=scene.sound_speed_m_s,
            sound_speed_sd_m_s=sizes.sound_speed_sd_m_s,
            frequency_hz=pinger.frequency_hz,
            rng=rng,
        )
        off[:, heard] = found.off
        further = _alternatives(found, np.asarray(heard), pinger.frequency_hz)
    delays = (times + noise) @ differences.T + off / pinger.frequency_hz
    arrival = None
    if clock is not None:
        interval = clock.pri_s + rng.normal(size=(n_runs, 1)) * clock.pri_sd_s
        arrival = rng.random((n_runs, 1)) + np.arange(p) * interval + (times + noise)[..., 0]
        arrival = arrival + rng.normal(size=shape) * clock.jitter_sd_s
    shown_m = drawn.shown_positions(places_m)
    return SimulatedRuns(
        run=PingRun(
            np.where(told[..., None], delays, np.nan),
            np.where(heard, stated, 1.0)[:, None, None] * (differences @ differences.T),
            scene.array.positions_m,
            differences,
            scene.sound_speed_m_s,
            arrival_s=arrival,
            clock=clock,
            profile=bent,
            undetected=UndetectedEchoes(
                np.broadcast_to(np.divide(lasting, stated, out=np.zeros(p), where=heard), shape), pinger.frequency_hz
            ),
            **further,
        ),
        track=Track(shown_m, *shown),
        errors=sizes,
        source_depth_m=depth,
        outlier=outlier & told,
        wrong_integer=np.asarray(told & off.any(axis=-1)),
        path_m=places_m,
        errors_of_places=drawn.of_places(places_m - shown_m, sizes),
    )


def _beside(
    scene: Scene, pinger: Pinger, places_m: Floats, n_runs: int, rng: np.random.Generator
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """At which of the measured places, row and number, (n_runs, n_pings), each run hears its pings.

    Each run passes somewhat beside the others, where echoes add in other phases; pings of one stop are heard at one.
    """
    p, pose = len(places_m), scene.vehicle.pose
    hydrophones = Pose(places_m, pose.roll, pose.pitch, pose.heading).to_site(scene.array.positions_m)
    wavelength = np.full(p, scene.sound_speed_m_s / pinger.frequency_hz)
    stops = stops_of(hydrophones[None], np.ones((1, p), dtype=bool), wavelength)
    first, count = stops.first[0], stops.pings[0]
    row = first + np.floor(rng.random((n_runs, p))[:, first] * count).astype(np.intp)
    return row, rng.integers(_PLACES_EACH, size=(n_runs, p))[:, first]


def _alternatives(found: DrawnIntegers, heard: NDArray[np.bool_], frequency_hz: float) -> dict[str, Any]:
    """What the integers of the pings leave open, as `PingRun` takes it; nothing where they leave nothing."""
    r, _, m, k = found.alternatives.shape
    if m == 1:
        return {}
    offset, misfit = np.zeros((r, len(heard), m, k)), np.full((r, len(heard), m), np.inf)
    offset[:, heard], misfit[:, heard] = found.alternatives / frequency_hz, found.misfit
    return {"alternatives_s": offset, "alternative_misfit": misfit}


def measure_along(scene: Scene, pingers: Sequence[Pinger], places_m: Sequence[Floats]) -> list[BlindPings]:
    """What the vehicle's estimator measures of pingers that differ by their own place alone, each at its places (n, 3)
    [m]: of each pings of shape (n, 2), two about each place.

    The same for all runs over these places. Pings that not all hydrophones hear directly count as not measured.
    """
    own, listening = scene.vehicle.pose, []
    for pinger, along_m in zip(pingers, places_m, strict=True):
        rng = np.random.default_rng(scene.study.seed)
        places = places_about(scene, np.repeat(along_m, _PLACES_EACH, axis=0), rng)
        pose = Pose(places, own.roll, own.pitch, np.full(len(places), own.heading))
        listening.append(Listening(pinger.position_m, pose, rng))
    pings = measure_blind_each(scene, pingers[0], listening, undetected=True)
    return [
        replace(some, answered=some.answered & some.heard.all(axis=-1)).some(
            np.arange(len(some.answered)).reshape(-1, _PLACES_EACH)
        )
        for some in pings
    ]


def join_runs(parts: Sequence[SimulatedRuns]) -> SimulatedRuns:
    """Runs of one vehicle past different pingers, one part after the other; all of as many pings."""

    def joined(values: Iterable[ArrayLike]) -> Any:
        return np.concatenate([np.asarray(value) for value in values])

    run = parts[0].run
    most = max(p.run.alternatives_s.shape[2] if p.run.alternatives_s is not None else 1 for p in parts)
    offset, misfit = zip(*(_padded(p.run, most) for p in parts), strict=True)
    return SimulatedRuns(
        run=replace(
            run,
            tdoa_s=joined(np.where(p.run.heard[..., None], p.run.tdoa_s, np.nan) for p in parts),
            covariance_s2=joined(p.run.covariance_s2 for p in parts),
            undetected=run.undetected
            and replace(
                run.undetected, lasting_share=joined(p.run.undetected.lasting_share for p in parts if p.run.undetected)
            ),
            alternatives_s=None if most == 1 else joined(offset),
            alternative_misfit=None if most == 1 else joined(misfit),
        ),
        track=Track(**{f.name: joined(getattr(p.track, f.name) for p in parts) for f in fields(Track)}),
        # The skew depends on the pinger's frequency.
        errors=replace(
            parts[0].errors,
            skew_sd_s=joined(np.broadcast_to(p.errors.skew_sd_s, len(p.source_depth_m)) for p in parts),
        ),
        source_depth_m=joined(p.source_depth_m for p in parts),
        outlier=joined(p.outlier for p in parts),
        wrong_integer=joined(p.wrong_integer for p in parts),
        path_m=parts[0].path_m,
        errors_of_places=joined(p.errors_of_places for p in parts),
    )


def _padded(run: PingRun, most: int) -> tuple[Floats, Floats]:
    """Alternatives of the pings of runs, and their misfits, with room for so many."""
    *shape, k = run.tdoa_s.shape
    offset, misfit = np.zeros((*shape, most, k)), np.full((*shape, most), np.inf)
    misfit[..., 0] = 0.0
    if run.alternatives_s is not None and run.alternative_misfit is not None:
        m = run.alternatives_s.shape[-2]
        offset[..., :m, :], misfit[..., :m] = run.alternatives_s, run.alternative_misfit
    return offset, misfit


def _elsewhere(scene: Scene, source: Floats, shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Places, (*shape, 3), that a wrong ping seems to come from."""
    corners = water_outline(scene)
    anywhere = rng.uniform(corners.min(axis=0), corners.max(axis=0), size=(*shape, 2))
    other = np.concatenate([anywhere, np.full((*shape, 1), source[2])], axis=-1)
    walls = [f for f in scene.pool.faces if f.name.startswith("wall")] or list(scene.pool.faces)
    if not walls:
        return other
    images = np.array([source - 2.0 * ((source - f.point) @ f.normal) * f.normal for f in walls])
    echo = images[rng.integers(len(images), size=shape)]
    return np.where((rng.random(shape) < 0.5)[..., None], other, echo)


def fuse_simulated(scene: Scene, runs: SimulatedRuns, *, area: SourceArea | None) -> FusedFix:
    """The vehicle's own fusion of simulated runs."""
    return fuse_pings(
        runs.run,
        runs.track,
        runs.errors,
        source_depth_m=runs.source_depth_m,
        source_depth_sd_m=scene.study.pinger_depth_sd_m,
        area=area,
    )
