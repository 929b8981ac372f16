"""The model of a run of pings: residuals and their derivatives by the source and by the errors all pings share."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, Pose
from acoustics.base.least_squares import inverse_factor, transposed
from acoustics.base.record import record
from acoustics.estimate.fuse.echo_places import EchoPlaces
from acoustics.estimate.fuse.echo_rows import CHANNELS, ROWS, EchoRows, echo_rows, place_by_echoes
from acoustics.estimate.fuse.place_errors import PlaceErrors, place_errors
from acoustics.estimate.fuse.run import EPOCH_SD_S, PingClock, PingRun, SourceArea, Track
from acoustics.estimate.fuse.stops import by_stop, stops_of
from acoustics.physics.direct_rays import direct_rays, with_times
from acoustics.physics.error_model import ErrorSizes, Sight, attitude_axes, sight_of_source
from acoustics.physics.refraction import SoundSpeedProfile

SOURCE = 3
# A source, or a depth known exactly, is not placed finer than this.
NEGLIGIBLE_M = 1e-4
_NEGLIGIBLE_PATH_M = 1e-5  # far below any measurement, and keeps exact delays from drowning everything else
# What an unobserved coordinate is known to beforehand;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_UNKNOWN_M = 1e5


@record
class FusionProblem:
    """Runs flattened, (r, ...). The state is the source's position, the errors that a run shares in the order of
    `error_model.SHARED`, each in units of its standard deviation: heading, log scale, sound speed, start (x, y, depth),
    the hydrophones' places, the channels' skew; what only echoes depend on; then a step of the walk along x and y for
    each ping; what undetected echoes do to each channel at each stop; and last, where arrival times count, the start
    and the interval of the pinger's clock. The last delay of a ping is then its arrival time, less the whole intervals
    since the first. With echoes the first two of a ping are the source's x and y by its echoes, or nothing."""

    delay: Floats  # (r, p, k), in metres of path at the ping's sound speed
    covariance: Floats  # (r, p, k, k) [m^2]
    heard: NDArray[np.bool_]  # (r, p)
    position: Floats  # (r, p, 3)
    rotation: Floats  # (r, p, 3, 3), from the body to the site by the navigation
    place_errors: PlaceErrors
    origin: Floats  # (r, 3)
    differences: Floats  # (p, k, n)
    hydrophones: Floats  # (n, 3)
    speed: Floats  # (p,)
    skew_sd: Floats  # (r,) [s], in the place of that in `errors`
    errors: ErrorSizes
    depth: Floats | None  # (r,)
    depth_sd: float
    area: SourceArea | None
    clock: PingClock | None
    count: Floats  # (r, p), intervals since the first arrival
    alternatives: Floats | None = None  # (r, p, m, k), what may have to be added to the delays, in metres of path
    misfit: Floats | None = None  # (r, p, m), what speaks against each apart from the delays
    profile: SoundSpeedProfile | None = None
    echo: EchoRows | None = None
    by_stop: Floats | None = None  # (r, p, k, s n), of the paths by the echoes of stops of more than one ping
    by_place: Floats | None = None  # (r, p, k, 2), of the paths by the place along x and y, where it is held
    whitener: Floats | None = None  # (r, p, k, k), of the covariance, where that is all that is new at each ping

    @cached_property
    def sizes(self) -> ErrorSizes:
        """Sizes of the errors, the channels' skew that of each run."""
        return replace(self.errors, skew_sd_s=self.skew_sd[:, None])

    @cached_property
    def source_information(self) -> Floats:
        """What is known of the source's place beforehand, (3, 3) [1/m^2]."""
        known = np.eye(SOURCE) * _UNKNOWN_M**-2
        if self.area is not None:
            known[:2, :2] += self.area.information
        if self.depth is not None:
            known[2, 2] += self.depth_sd**-2
        return known

    @property
    def rows(self) -> NDArray[np.int64]:
        """Number of delays of each ping, (p,), or of coordinates by its echoes."""
        rows = np.any(self.differences != 0, axis=-1).sum(axis=-1)
        return np.asarray(rows if self.echo is None else rows + ROWS * self.echo.at)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        n, p = len(self.hydrophones), self.position.shape[1]
        return SOURCE + 6 + 4 * n + 2 * p + self.site_unknowns + self.stop_unknowns + self.clock_unknowns

    @property
    def site_unknowns(self) -> int:
        """Number of unknowns that only echoes depend on."""
        return 0 if self.echo is None else int(self.echo.by.shape[-1]) - CHANNELS - 4 * len(self.hydrophones)

    @property
    def stop_unknowns(self) -> int:
        """Number of unknowns of the echoes at stops."""
        return 0 if self.by_stop is None else self.by_stop.shape[-1]

    @property
    def clock_unknowns(self) -> int:
        """Number of unknowns of the pinger's clock, the last ones."""
        return 0 if self.clock is None else 2

    @property
    def differences_alone(self) -> FusionProblem:
        """The same runs without their arrival times, for what tells where a ping alone comes from."""
        if self.clock is None:
            return self
        return replace(self._of_rows(slice(None, -1)), clock=None)

    @property
    def bearings(self) -> FusionProblem:
        """The same runs without what echoes tell."""
        if self.echo is None:
            return self
        return replace(self._of_rows(slice(ROWS, None)), echo=None)

    def _of_rows(self, rows: slice) -> FusionProblem:
        """Some of the delays of each ping."""
        return replace(
            self,
            delay=self.delay[..., rows],
            covariance=self.covariance[..., rows, rows],
            whitener=None,
            differences=self.differences[:, rows],
            alternatives=None if self.alternatives is None else self.alternatives[..., rows],
            by_place=None if self.by_place is None else self.by_place[..., rows, :],
            by_stop=None if self.by_stop is None else self.by_stop[..., rows, :],
        )

    def resolved(self, choice: NDArray[np.intp]) -> FusionProblem:
        """The same runs with the alternatives (r, p) of the pings taken for right."""
        if self.alternatives is None:
            return self
        offset = np.take_along_axis(self.alternatives, choice[..., None, None], axis=2)[:, :, 0]
        chosen = replace(self, delay=self.delay + offset, alternatives=None, misfit=None, whitener=None)
        if self.echo is None:
            return chosen
        echo, covariance = self.echo.chosen(choice), self.covariance.copy()
        covariance[..., :ROWS, :ROWS] = echo.noise[:, :, 0]
        return replace(chosen, covariance=covariance, echo=echo)

    @property
    def ambiguous(self) -> NDArray[np.bool_]:
        """Whether a ping of the run has more than one alternative, (r,)."""
        if self.misfit is None:
            return np.zeros(len(self.delay), dtype=bool)
        return np.any(np.isfinite(self.misfit).sum(axis=-1) > 1, axis=-1)

    def subset(self, runs: NDArray[np.intp]) -> FusionProblem:
        """Some of the runs, in the given order; they may repeat."""
        names = ("delay", "covariance", "heard", "position", "rotation", "origin", "skew_sd", "count")
        part: dict[str, Any] = {name: getattr(self, name)[runs] for name in names}
        part["place_errors"] = self.place_errors.subset(runs)
        optional = ("by_place", "by_stop", "whitener")
        part |= {name: value[runs] for name in optional if (value := getattr(self, name)) is not None}
        if self.alternatives is not None and self.misfit is not None:
            part |= {"alternatives": self.alternatives[runs], "misfit": self.misfit[runs]}
        if self.echo is not None:
            part["echo"] = self.echo.mapped(lambda values: values[runs])
        return replace(self, depth=None if self.depth is None else self.depth[runs], **part)


@record
class Linearised:
    """Residuals in standard deviations and derivatives of the model at a state: (r, p, k) and (r, p, k, size).

    `whitener`, (r, p, k, k), turns path differences [m] into standard deviations.
    """

    residual: Floats
    jacobian: Floats
    whitener: Floats


def fusion_problem(
    run: PingRun,
    track: Track,
    errors: ErrorSizes,
    *,
    depth_m: Floats | None,
    depth_sd_m: float,
    area: SourceArea | None,
) -> FusionProblem:
    """Lay out runs of batch shape (...) flat.

    Raises
    ------
    ParameterError
        For sizes of errors whose shape does not fit the run, or echoes without a depth of the source.
    """
    p, k = run.tdoa_s.shape[-2:]
    speed = np.asarray(run.sound_speed_m_s)
    batch, n = run.tdoa_s.shape[:-2], len(run.hydrophones_m)
    for name, shape in (("element_sd_m", (n,)), ("skew_sd_s", batch)):
        if np.shape(getattr(errors, name)) not in ((), shape):
            raise ParameterError(f"{name} has shape {np.shape(getattr(errors, name))}: expected () or {shape}")

    def rows(array: Floats, core: tuple[int, ...]) -> Floats:
        return np.broadcast_to(array, (*batch, *core)).reshape(-1, *core)

    delay, covariance, differences, count = run.with_arrivals()
    k = delay.shape[-1]
    position = rows(track.position_m, (p, 3))
    shown = Pose(track.position_m, track.roll, track.pitch, track.heading)
    problem = FusionProblem(
        delay=rows(delay * speed[:, None], (p, k)),
        covariance=rows(covariance * speed[:, None, None] ** 2, (p, k, k)) + _NEGLIGIBLE_PATH_M**2 * np.eye(k),
        heard=np.broadcast_to(run.heard, (*batch, p)).reshape(-1, p),
        position=position,
        rotation=rows(shown.rotation, (p, 3, 3)),
        place_errors=place_errors(errors, position, rows(np.asarray(track.distance_m), (p,))),
        origin=rows(np.asarray(track.origin_m), (3,)),
        differences=differences,
        hydrophones=run.hydrophones_m,
        speed=speed,
        skew_sd=rows(np.asarray(errors.skew_sd_s), ()),
        errors=errors,
        depth=None if depth_m is None else rows(depth_m, ()),
        depth_sd=max(depth_sd_m, NEGLIGIBLE_M),
        area=area,
        clock=run.clock if run.arrival_s is not None else None,
        count=rows(count, (p,)),
        **_with_alternatives(run, speed, k),
        profile=run.profile,
    )
    if run.undetected is not None:
        problem = _with_stops(problem, rows(run.undetected.lasting_share, (p,)), speed / run.undetected.frequency_hz)
    return problem if run.echoes is None else _with_echoes(problem, run.echoes, batch)


def _with_stops(problem: FusionProblem, share: Floats, wavelength_m: Floats) -> FusionProblem:
    """Runs of which pings heard at one place share so much of their covariance, (r, p): at one place the same echoes
    disturb phases and build-ups of all pings.

    What speaks against an alternative counts by how many pings' worth it is where `share` is the correlation between
    any two (Kish 1965, Survey Sampling, section 5.4).
    """
    hydrophones = problem.position[:, :, None] + problem.hydrophones @ transposed(problem.rotation)
    stops = stops_of(hydrophones, problem.heard, wavelength_m)
    if not stops.coherence.any():
        return problem
    lasting = share[..., None] * stops.coherence
    told_again = (stops.pings - 1) * lasting.sum(axis=-1)
    k = problem.delay.shape[-1] - (problem.clock is not None)  # an arrival time tells too little to be disturbed
    effect = np.zeros((*problem.delay.shape, lasting.shape[-1] * len(problem.hydrophones)))
    effect[:, :, :k] = by_stop(problem.covariance[..., :k, :k], problem.differences[:, :k], lasting)
    own = problem.covariance - effect @ transposed(effect) + _NEGLIGIBLE_PATH_M**2 * np.eye(problem.delay.shape[-1])
    return replace(
        problem,
        covariance=own,
        by_stop=effect,
        misfit=None if problem.misfit is None else problem.misfit / (1.0 + told_again)[..., None],
    )


def _with_echoes(problem: FusionProblem, echoes: EchoPlaces, batch: tuple[int, ...]) -> FusionProblem:
    """Runs with the likeliest places by echoes before the delays of each ping, and with the other modes."""
    if problem.depth is None:
        raise ParameterError("places by echoes rest on the source's depth: source_depth_m is missing")
    echo = echo_rows(echoes, problem.errors, problem.depth_sd, batch)
    (r, p, m), k, n = echo.misfit.shape, problem.delay.shape[-1], len(problem.hydrophones)
    covariance = np.zeros((r, p, ROWS + k, ROWS + k))
    covariance[..., :ROWS, :ROWS], covariance[..., ROWS:, ROWS:] = echo.noise[:, :, 0], problem.covariance
    part: dict[str, Any] = {}
    most = max(m, 1 if problem.misfit is None else problem.misfit.shape[-1])
    if most > 1:
        offset, misfit = np.zeros((r, p, most, ROWS + k)), np.full((r, p, most), np.inf)
        misfit[..., 0] = np.where(problem.heard, 0.0, np.inf)
        if problem.alternatives is not None and problem.misfit is not None:
            offset[:, :, : problem.misfit.shape[-1], ROWS:] = problem.alternatives
            misfit[:, :, : problem.misfit.shape[-1]] = problem.misfit
        misfit[:, echo.at] = np.inf
        offset[:, echo.at, :m, :ROWS] = (echo.place - echo.place[:, :, :1])[:, echo.at]
        misfit[:, echo.at, :m] = echo.misfit[:, echo.at]
        part = {"alternatives": offset, "misfit": misfit}
    return replace(
        problem,
        delay=np.concatenate([echo.place[:, :, 0], problem.delay], axis=-1),
        covariance=covariance,
        differences=np.concatenate([np.zeros((p, ROWS, n)), problem.differences], axis=1),
        by_stop=None if problem.by_stop is None else np.pad(problem.by_stop, ((0, 0), (0, 0), (ROWS, 0), (0, 0))),
        echo=echo,
        **part,
    )


def _with_alternatives(run: PingRun, speed: Floats, k: int) -> dict[str, Any]:
    """Alternatives and misfits of the runs laid out flat, for pings of k delays; nothing where no ping has any."""
    if run.alternatives_s is None or run.alternative_misfit is None:
        return {}
    # Each ping's against its first, as that of an outlier, which has integers of its own, is.
    first = run.alternative_misfit[..., :1]
    against = run.alternative_misfit - np.where(np.isfinite(first), first, 0.0)
    misfit = np.where(run.heard[..., None], against, np.inf)
    if not (np.isfinite(misfit[..., 1:]).any() or run.alternatives_s[..., 0, :].any()):
        return {}
    offset = run.alternatives_s * speed[:, None, None]
    without = k - offset.shape[-1]  # an arrival time has no alternative
    offset = np.concatenate([offset, np.zeros((*offset.shape[:-1], without))], axis=-1)
    p, m = misfit.shape[-2:]
    return {"alternatives": offset.reshape(-1, p, m, k), "misfit": misfit.reshape(-1, p, m)}


def _placed(problem: FusionProblem, state: Floats, steps: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Positions but for the walk (r, p, 3), the walk along x and y (r, p, 2), rotations (r, p, 3, 3) and turned tracks
    (r, p, 3) that a state implies."""
    errors = problem.errors
    bias = errors.heading_bias_sd * state[:, 3, None]
    lead = (problem.position - problem.origin[:, None]) * [1.0, 1.0, 0.0]
    turned = lead * (1.0 + errors.log_scale_sd * state[:, 4])[:, None, None]
    if errors.dead_reckoned:
        turned = _about_z(turned, bias)
    position = problem.position - lead + turned + (state[:, 6:9] * errors.start_sd_m)[:, None]
    walk = steps.reshape(*position.shape[:2], 2) * problem.place_errors.step_sd_m[..., None]
    rotation = transposed(_about_z(transposed(problem.rotation), bias[..., None]))
    return position, problem.place_errors.carried @ walk, rotation, turned


def _about_z(vectors: Floats, angle: Floats) -> Floats:
    """Vectors (..., 3) turned by angles (...) from x towards y."""
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.stack([x * cosine - y * sine, x * sine + y * cosine, z], axis=-1)


def linearise(problem: FusionProblem, state: Floats) -> Linearised:
    """Residuals and derivatives at states of shape (r, size).

    What is new at each ping, noise and attitude, weighs the residuals; what the pings share is in the state. Attitude
    and walk count by where the source is: a cost in which their sizes are to stay takes them from `weighed`.
    """
    errors, (r, p, _), n = problem.errors, problem.position.shape, len(problem.hydrophones)
    sight, position, walked, rotation, turned = _seen(problem, state)
    held = problem.whitener
    whitener = inverse_factor(_own_covariance(problem, sight, rotation)) if held is None else held
    heard = problem.heard[..., None]
    white = np.where(heard[..., None], whitener, 0.0)
    paths = problem.differences * problem.speed[:, None, None]  # differences of path at the assumed sound speed
    sums = white @ paths
    jacobian = np.empty((r, p, sums.shape[-2], problem.size))
    unclocked = jacobian[..., : problem.size - problem.clock_unknowns]
    shared, stop = SOURCE + 6 + 4 * n, unclocked.shape[-1] - problem.stop_unknowns
    walk = stop - 2 * p
    jacobian[..., :SOURCE] = by_source = sums @ sight.by_source
    by_place = -by_source if problem.by_place is None else white @ problem.by_place
    jacobian[..., SOURCE:shared] = sight.shared_effects(problem.sizes, rotation, turned, sums)
    jacobian[..., shared:walk] = 0.0  # what only echoes depend on
    drift = problem.place_errors.step_sd_m[:, None] * problem.place_errors.carried
    steps = unclocked[..., walk:stop].reshape(*sums.shape[:-1], p, 2)
    for axis in range(2):
        np.multiply(drift[:, :, None], by_place[..., axis, None], out=steps[..., axis])

    skew = state[:, shared - n : shared]
    times = sight.time_s + (problem.skew_sd[:, None] * skew)[:, None]
    residual = problem.delay - np.einsum("pkn,rpn->rpk", paths, times)
    if problem.by_place is not None:
        residual -= np.einsum("rpki,rpi->rpk", problem.by_place, walked)
    if problem.by_stop is not None:
        unclocked[..., stop:] = white @ problem.by_stop
        residual -= np.einsum("rpku,ru->rpk", problem.by_stop, state[:, stop : unclocked.shape[-1]])
    if problem.echo is not None:
        moved = position - problem.position
        place, by_state = place_by_echoes(problem.echo, errors, state[:, :stop], moved, turned, drift)
        residual[..., :ROWS] -= place
        unclocked[..., :stop] += white[..., :ROWS] @ by_state  # those pings have no delays
    if problem.clock is not None:
        last = problem.speed * np.any(problem.differences[:, -1] != 0, axis=-1)
        ticks = np.stack([np.full((r, p), EPOCH_SD_S), problem.clock.pri_sd_s * problem.count], axis=-1)
        ticks = ticks * last[:, None]
        residual[..., -1] -= np.einsum("rps,rs->rp", ticks, state[:, -2:])
        jacobian[..., -2:] = white[..., -1:] * ticks[:, :, None]
    return Linearised(np.einsum("rpkl,rpl->rpk", white, residual), jacobian, whitener)


def _seen(problem: FusionProblem, state: Floats) -> tuple[Sight, Floats, Floats, Floats, Floats]:
    """The source as states let the hydrophones see it, with what `_placed` gives, the positions with the walk.

    Where what the place does is held, it is seen from where the walk does not lead.
    """
    errors, (r, p, _), n = problem.errors, problem.position.shape, len(problem.hydrophones)
    mounting, own = np.split(state[:, SOURCE + 6 :], [3 * n], axis=-1)
    moved = problem.hydrophones + mounting.reshape(r, n, 3) * np.broadcast_to(errors.element_sd_m, n)[:, None]
    walk = n + problem.site_unknowns
    unwalked, walked, rotation, turned = _placed(problem, state, own[:, walk : walk + 2 * p])
    position = unwalked.copy()
    position[..., :2] += walked
    eye = position if problem.by_place is None else unwalked
    places = eye[:, :, None] + moved[:, None] @ transposed(rotation)
    source = np.broadcast_to(state[:, None, :3], (r, p, 3))
    speed = problem.speed + errors.sound_speed_sd_m_s * state[:, 5, None]  # (r, p)
    rays = None
    if problem.profile is not None:
        middle = places.mean(axis=-2)
        rays = direct_rays(problem.profile, middle, source, search=False)
        if problem.clock is not None:
            rays = with_times(problem.profile, middle, rays)
    sight = sight_of_source(places, source, speed, eye, rays)
    return sight, position, walked, rotation, turned


def _own_covariance(problem: FusionProblem, sight: Sight, rotation: Floats) -> Floats:
    """Of what is new at each ping, (r, p, k, k) [m^2]: noise and the attitude's errors."""
    if not problem.errors.attitude_sd.any():
        return problem.covariance
    wobble = sight.by_attitude(attitude_axes(rotation)) * problem.errors.attitude_sd
    wobbled = (problem.differences * problem.speed[:, None, None]) @ wobble
    return np.asarray(problem.covariance + wobbled @ transposed(wobbled))


def weighed(problem: FusionProblem, state: Floats) -> FusionProblem:
    """The same runs, the errors of attitude and walk of the size that they have for the source of a state.

    The attitude moves the delays of a source well below the vehicle more than those of one afar, and a step of the walk
    turns a near one more than a far one. Squares over a covariance that follows the source are no likelihood: every
    ping would draw the source to where its errors may be larger or, the walk being fitted, to where smaller steps
    explain them. Sizes that stay leave estimating equations without bias, whatever the size of the errors really is
    (Carroll and Ruppert 1988, Transformation and Weighting in Regression, chapter 2). The walk, small beside the
    distance, then counts to first order.
    """
    sight, _, _, rotation, _ = _seen(problem, state)
    covariance = _own_covariance(problem, sight, rotation)
    return replace(
        problem,
        covariance=covariance,
        whitener=inverse_factor(covariance),
        errors=replace(problem.errors, attitude_sd=np.zeros(3)),
        by_place=-(problem.differences * problem.speed[:, None, None]) @ sight.by_source[..., :2],
    )
