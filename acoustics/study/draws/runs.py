"""Simulated runs: pings heard from several poses, with the errors of delays and of dead reckoning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.fuse import PingClock, PingRun, Track, UndetectedEchoes, stops_of
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.tdoa import difference_matrix
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.beforehand import water_outline
from acoustics.study.draws.blind import BlindPings, Listening, measure_blind_each, places_about
from acoustics.study.draws.errors import DrawnErrors, draw_errors
from acoustics.study.draws.integers import DrawnIntegers, drawn_integers
from acoustics.study.draws.simulated_runs import SimulatedRuns

_PLACES_EACH = 2  # about each place of a run at which a ping is measured
_FINELY = 1001  # places along a leg, to say where it leaves the water


@record
class Route:
    """True poses of a run: `n_pings` places, evenly along a straight leg from the vehicle's place.

    `leg_m` of 0 keeps the vehicle where it stands. `leg_deg` is the direction of travel, clockwise from +x of the
    site; the vehicle heads as the scenario says.
    """

    n_pings: int
    leg_m: float
    leg_deg: float


def route_positions(scene: Scene, route: Route) -> Floats:
    """True places of the vehicle, (n_pings, 3) [m].

    Raises
    ------
    ParameterError
        If the run leaves the water.
    """
    if route.n_pings < 1 or route.leg_m < 0:
        raise ParameterError(f"n_pings={route.n_pings}, leg_m={route.leg_m}: expected at least 1, and 0 or more")
    places = _places_along(scene, route, route.n_pings)
    if _in_water(scene, places).all():
        return places
    finely = _in_water(scene, _places_along(scene, route, _FINELY))
    # A gap in the water that no such step meets lies before the end of the leg all the same.
    reached = route.leg_m * max(int(np.argmin(finely)) - 1, 0) / (_FINELY - 1)
    raise SceneError(f"the run leaves the water after {reached:.1f} m: shorten the leg or turn the route")


def _places_along(scene: Scene, route: Route, n: int) -> Floats:
    angle = np.deg2rad(route.leg_deg)
    along = np.linspace(0.0, route.leg_m, n)[:, None]
    return np.asarray(scene.vehicle.position_m + along * [np.cos(angle), np.sin(angle), 0.0])


def _in_water(scene: Scene, places_m: Floats) -> NDArray[np.bool_]:
    """Where all hydrophones are, shape (n,)."""
    hydrophones = scene.vehicle.pose_at(places_m).to_site(scene.array.positions_m)
    return np.asarray(np.all(scene.pool.contains(hydrophones), axis=-1))


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
    sizes, source, shape = error_sizes_of(scene, pinger), np.array(pinger.position_m), (n_runs, len(places_m))
    pings = measure_along(scene, [pinger], [places_m])[0] if measured is None else measured
    noise = _PingNoise.of(pings)
    if not noise.heard.any():
        raise SceneError(f"{pinger.name}: too weak, or hidden, to be measured anywhere along the run")
    legs = np.linalg.norm(np.diff(places_m, axis=0, prepend=places_m[:1]), axis=-1)
    drawn = draw_errors(sizes, legs, len(scene.array.hydrophones), n_runs=n_runs, rng=rng)
    outlier = rng.random(shape) < wrong_share
    sources = np.where(outlier[..., None], _elsewhere(scene, source, shape, rng), source)
    heard = _hear(scene, pinger, places_m, sources, drawn, pings, noise, rng)
    depth = source[2] + rng.normal(size=n_runs) * scene.study.pinger_depth_sd_m
    off, alternatives = np.zeros((*shape, len(scene.array.hydrophones) - 1), dtype=np.int64), dict[str, Any]()
    if integers == "resolved":
        off, alternatives = _resolve(scene, pinger, sizes, heard, noise, rng)
    differences = difference_matrix(len(scene.array.hydrophones))
    delays = heard.measured_s @ differences.T + off / pinger.frequency_hz
    shown_m = drawn.shown_positions(places_m)
    return SimulatedRuns(
        run=PingRun(
            np.where(heard.told[..., None], delays, np.nan),
            np.where(noise.heard, noise.stated_s2, 1.0)[:, None, None] * (differences @ differences.T),
            scene.array.positions_m,
            differences,
            scene.sound_speed_m_s,
            arrival_s=None if clock is None else _arrivals_by_clock(clock, heard.measured_s[..., 0], rng),
            clock=clock,
            profile=scene.bending_profile,
            undetected=UndetectedEchoes(np.broadcast_to(noise.lasting_share, shape), pinger.frequency_hz),
            **alternatives,
        ),
        track=Track(shown_m, *_shown_angles(scene)),
        errors=sizes,
        source_depth_m=depth,
        outlier=outlier & heard.told,
        wrong_integer=np.asarray(heard.told & off.any(axis=-1)),
        path_m=places_m,
        errors_of_places=drawn.of_places(places_m - shown_m, sizes),
    )


@record
class _PingNoise:
    """Variances of an arrival by ping [s^2], means over where each is measured, and whether it is heard at all, (p,).

    By the carrier's noise, by the envelope as it counts in the choice of an integer, and for echoes that last; infinite
    where nothing is heard.
    """

    carrier_s2: Floats
    cycle_s2: Floats
    lasting_s2: Floats
    heard: NDArray[np.bool_]

    @classmethod
    def of(cls, pings: BlindPings) -> _PingNoise:
        """Of pings (p, n_places)."""
        answered, heard = pings.answered, pings.answered.any(axis=-1)
        count = np.maximum(answered.sum(axis=-1), 1)
        carrier, cycle, lasting = (
            np.where(heard, np.sum(np.where(answered, variance, 0.0), axis=-1) / count, np.inf)
            for variance in (pings.carrier_variance_s2, pings.cycle_variance_s2, pings.lasting_variance_s2)
        )
        return cls(carrier, cycle, lasting, np.asarray(heard))

    @property
    def stated_s2(self) -> Floats:
        """As the estimator states it."""
        return self.carrier_s2 + self.lasting_s2

    @property
    def lasting_share(self) -> Floats:
        """Of what is stated; 0 where nothing is heard."""
        return np.divide(self.lasting_s2, self.stated_s2, out=np.zeros(len(self.heard)), where=self.heard)


@record
class _Heard:
    """Arrival times (n_runs, p, n) [s] by the envelope, what noise and echoes add to them by the carrier, and of which
    pings the estimator tells at all, (n_runs, p)."""

    times_s: Floats
    noise_s: Floats
    told: NDArray[np.bool_]

    @property
    def measured_s(self) -> Floats:
        """By the carrier."""
        return self.times_s + self.noise_s


def _shown_angles(scene: Scene) -> Floats:
    """Roll, pitch and heading [rad]: the scenario's is what the instruments show, and the truth differs from it."""
    pose = scene.vehicle.pose
    return np.array([pose.roll, pose.pitch, pose.heading], dtype=float)


def _hear(
    scene: Scene,
    pinger: Pinger,
    places_m: Floats,
    sources_m: Floats,
    drawn: DrawnErrors,
    pings: BlindPings,
    noise: _PingNoise,
    rng: np.random.Generator,
) -> _Heard:
    """Pings from sources (n_runs, p, 3) at places (p, 3) [m], as the vehicle's estimator measures them."""
    times = drawn.arrival_times(
        scene.array.positions_m,
        places_m,
        _shown_angles(scene),
        sources_m,
        scene.sound_speed_m_s,
        scene.bending_profile,
    )
    random = rng.normal(size=times.shape) * np.sqrt(np.where(noise.heard, noise.carrier_s2, 0.0))[:, None]
    row, beside = _beside(scene, pinger, places_m, len(sources_m), rng)
    by_carrier, by_envelope = (shift[row, beside] for shift in (pings.carrier_shift_s, pings.envelope_shift_s))
    return _Heard(times + by_envelope, random + by_carrier - by_envelope, pings.answered[row, beside])


def _resolve(
    scene: Scene, pinger: Pinger, sizes: ErrorSizes, heard: _Heard, noise: _PingNoise, rng: np.random.Generator
) -> tuple[NDArray[np.int64], dict[str, Any]]:
    """Periods by which the resolved delays are off, (n_runs, p, n - 1), and what the integers leave open."""
    some = noise.heard
    found = drawn_integers(
        heard.times_s[:, some],
        heard.noise_s[:, some],
        carrier_variance_s2=noise.stated_s2[some],
        cycle_variance_s2=noise.cycle_s2[some],
        shared_variance_s2=sizes.channel_variance_s2(scene.sound_speed_m_s),
        hydrophones_m=scene.array.positions_m,
        sound_speed_m_s=scene.sound_speed_m_s,
        sound_speed_sd_m_s=sizes.sound_speed_sd_m_s,
        frequency_hz=pinger.frequency_hz,
        rng=rng,
    )
    off = np.zeros((*heard.told.shape, found.off.shape[-1]), dtype=np.int64)
    off[:, some] = found.off
    return off, _alternatives(found, some, pinger.frequency_hz)


def _arrivals_by_clock(clock: PingClock, travelled_s: Floats, rng: np.random.Generator) -> Floats:
    """When pings arrive that take so long, (n_runs, p) [s], sounded by a clock of each run."""
    n_runs, p = travelled_s.shape
    interval = clock.pri_s + rng.normal(size=(n_runs, 1)) * clock.pri_sd_s
    arrival = rng.random((n_runs, 1)) + np.arange(p) * interval + travelled_s
    return arrival + rng.normal(size=(n_runs, p)) * clock.jitter_sd_s


def _beside(
    scene: Scene, pinger: Pinger, places_m: Floats, n_runs: int, rng: np.random.Generator
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """At which of the measured places, row and number, (n_runs, n_pings), each run hears its pings.

    Each run passes somewhat beside the others, where echoes add in other phases; pings of one stop are heard at one.
    """
    p = len(places_m)
    hydrophones = scene.vehicle.pose_at(places_m).to_site(scene.array.positions_m)
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
    heading, listening = scene.vehicle.pose.heading, []
    for pinger, along_m in zip(pingers, places_m, strict=True):
        rng = np.random.default_rng(scene.study.seed)
        places = places_about(scene, np.repeat(along_m, _PLACES_EACH, axis=0), rng)
        pose = scene.vehicle.pose_at(places, np.full(len(places), heading))
        listening.append(Listening(pinger.position_m, pose, rng))
    pings = measure_blind_each(scene, pingers[0], listening)
    return [
        replace(some, answered=some.answered & some.heard.all(axis=-1)).some(
            np.arange(len(some.answered)).reshape(-1, _PLACES_EACH)
        )
        for some in pings
    ]


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
