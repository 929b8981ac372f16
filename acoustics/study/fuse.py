"""One run of located pings, fused: the position, what each ping has to do with it, and the station."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from acoustics.base.frames import Floats, wrap_angle
from acoustics.base.record import record
from acoustics.base.regions import chi_square_p_value, error_ellipse
from acoustics.base.result import Result
from acoustics.estimate.fuse import (
    NONE_OF_THESE,
    RANGE_UNSEEN,
    ClockEvidence,
    FusedFix,
    PingClock,
    Sureness,
    Track,
    contradicts_bearings,
    error_sizes_of_pings,
    fuse_by_clock,
    fuse_pings,
    run_of_pings,
    station_posterior,
    sureness,
    usable_echoes,
    why_no_places,
    wrong_sketch_probability,
)
from acoustics.estimate.locate import WRONGLY_WIRED
from acoustics.io.ping import Ping
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.scene import Scene
from acoustics.study.draws import pinger_clock, source_area
from acoustics.study.stations import station_model

MISWIRED = (
    "pings were refused because channels are swapped or of the wrong polarity, and any that passed before are as "
    "wrong: see the flags of locate, and fuse none of that recording"
)
_DRIFT_SD_M_PER_ROOT_M, _LOG_SCALE_SD = 0.02, 0.01  # dead reckoning of which no scene speaks


@record
class RunErrors:
    """What is known of the errors of a run beyond its pings; None: by the scene's vehicle, else as `errors_of_run`.

    `dead_reckoned`: whether compass and log made the places one from the other, or each was measured by itself.
    """

    heading_bias_sd_deg: float | None = None
    drift_sd_m_per_root_m: float | None = None
    log_scale_sd: float | None = None
    sound_speed_sd_m_s: float | None = None
    dead_reckoned: bool | None = None


def errors_of_run(
    pings: Sequence[Ping], scene: Scene | None, given: RunErrors, *, navigated: bool = True
) -> ErrorSizes:
    """Sizes of the errors of a run of pings: those given, else the scene's, else those that stand in the pings.

    Without a scene all of the heading's error lasts, and dead reckoning is taken to stray by 0.02 m after 1 m, growing
    with the root, with the log's scale out by 1 %. Places that are not `navigated` but stand in the pings, as a crew
    noted them, are taken as measured each by itself, unless an error of dead reckoning is given.
    """
    vehicle = None if scene is None else scene.vehicle
    bias = None if given.heading_bias_sd_deg is None else math.radians(given.heading_bias_sd_deg)
    if bias is None and vehicle is not None and vehicle.heading_bias_sd_deg is not None:
        bias = vehicle.lasting_heading_sd
    drift, log_scale = given.drift_sd_m_per_root_m, given.log_scale_sd
    if drift is None:
        drift = _DRIFT_SD_M_PER_ROOT_M if vehicle is None else vehicle.drift_sd_m_per_root_m
    if log_scale is None:
        log_scale = _LOG_SCALE_SD if vehicle is None else vehicle.log_scale_sd
    dead_reckoned = given.dead_reckoned
    if dead_reckoned is None:
        dead_reckoned = navigated or given.drift_sd_m_per_root_m is not None or given.log_scale_sd is not None
    return error_sizes_of_pings(
        pings,
        heading_bias_sd=bias,
        drift_sd_m_per_root_m=drift,
        log_scale_sd=log_scale,
        dead_reckoned=dead_reckoned,
        sound_speed_sd_m_s=given.sound_speed_sd_m_s,
    )


@record
class FusedPing:
    """A ping of the run.

    `bearing_residual_deg`: its site bearing, of the candidates the nearest, less that from its pose to the position;
    `misfit`: how far it is from what the other inliers predict, root of chi-square over its degrees of freedom, so 1
    is usual; `status`: 'inlier', 'outlier' or 'not measured'. None where there is nothing to give.
    """

    ping: int
    time_s: float
    position_m: Floats
    heading_deg: float
    site_bearing_deg: float | None
    bearing_residual_deg: float | None
    misfit: float | None
    p_value: float | None
    weight: float
    status: str
    reason: str
    by_echoes: bool


@record
class EchoEvidence:
    """What became of the places by echoes: how many the position rests on, and why none where it rests on none.

    `wrong_sketch_probability`: that floor or walls are off the site sketch, by all pings together; None: none tells.
    """

    used: int
    reason: str
    wrong_sketch_probability: float | None


@record
class BearingLine:
    """What is left where the range is not observed: the source lies along a line from the last pose that heard a ping.

    `bearing_deg` is clockwise from +x of the site; the line is `half_width_deg` wide to each side and `half_width_m` at
    the middle of the region, and the source from `nearest_m` to `farthest_m` away, each at 95 %; the farthest is None
    where the pings set no limit.
    """

    from_m: Floats
    bearing_deg: float
    half_width_deg: float
    half_width_m: float
    nearest_m: float
    farthest_m: float | None


@record
class FusedMode:
    """A place that the integers of the pings leave, with its 95 % ellipse and its probability, predicted."""

    position_m: Floats
    semi_major_95_m: float
    semi_minor_95_m: float
    azimuth_deg: float
    weight: float


@record
class FusedRun(Result):
    """A fused position in the site frame, with everything a planner may ask about it.

    Standard deviations and the ellipse are predictions from the stated errors. `azimuth_deg` of the ellipse's
    longer axis is clockwise from +x. `line` stands where the range is not observed. `heading_bias_deg` is to be
    added to the heading shown. `dead_reckoned`: whether the places of the pings were taken as reckoned by compass
    and log, or as measured each by itself. `modes`, the most probable first, stand where the integers of the pings
    leave more places than one: the region is then all of their ellipses. `stations` and `probabilities` end with
    none of these, and are empty without a scenario. `clock` says what became of the arrival times, where the scene
    gives the pinger's `pri_sd_ppm`,
    and `echoes` what became of the places by echoes, where they were asked for.
    """

    pinger: str
    ok: bool
    reason: str
    position_m: Floats
    covariance_m2: Floats
    semi_major_95_m: float
    semi_minor_95_m: float
    azimuth_deg: float
    chi2: float
    dof: int
    p_value: float
    inliers: int
    outliers: int
    not_measured: int
    heading_bias_deg: float
    heading_bias_sd_deg: float
    dead_reckoned: bool
    alternative_m: Floats | None
    modes: tuple[FusedMode, ...]
    line: BearingLine | None
    pings: tuple[FusedPing, ...]
    stations: tuple[str, ...]
    probabilities: tuple[float, ...]
    decision: str
    needed: Sureness | None
    clock: ClockEvidence | None
    echoes: EchoEvidence | None


def fuse_run(
    pings: Sequence[Ping],
    track: Track,
    errors: ErrorSizes,
    scene: Scene | None,
    *,
    by_echoes: bool = False,
) -> FusedRun:
    """Fuse the pings of one pinger.

    Parameters
    ----------
    pings : sequence of Ping
        In order of time. Where numbers repeat, as those of several recordings do, the answer counts them.
    track : Track
        Their poses, shape (n_pings, ...).
    errors : ErrorSizes
        What array, water and navigation may get wrong.
    scene : Scene, optional
        For the outline of the water, in which the source is taken to be, the stations, and the profile of the sound
        speed, which bends the rays.
    by_echoes : bool
        Whether a place that `locate` found by a ping's echoes stands for its bearing. Where the places contradict what
        the bearings of all pings say, or all pings together that the site sketch is right, none does.

    Raises
    ------
    ParameterError
        If there is no ping, or they are not of one array.
    """
    pings = _numbered(pings)
    fix, placed, clock, echoes = _solution(pings, track, errors, scene, by_echoes=by_echoes)
    miswired = any(ping.reason == WRONGLY_WIRED for ping in pings)  # those before it was known passed
    heard = [i for i, ping in enumerate(pings) if placed[i] or (ping.ok and len(ping.tdoa_s))]
    somewhere = bool(np.isfinite(fix.position_m).all())
    ellipse = error_ellipse(np.nan_to_num(fix.covariance_m2[:2, :2]))
    rows = tuple(_row(ping, fix, track, i, placed[i]) for i, ping in enumerate(pings))
    statuses = [row.status for row in rows]
    stations, probabilities, needed = _stations(fix, scene)
    return FusedRun(
        pinger=pings[0].pinger,
        ok=bool(fix.ok) and not miswired,
        reason=MISWIRED if miswired else str(fix.reason),
        position_m=fix.position_m,
        covariance_m2=fix.covariance_m2,
        semi_major_95_m=float(ellipse.semi_major) if somewhere else np.inf,
        semi_minor_95_m=float(ellipse.semi_minor) if somewhere else np.inf,
        azimuth_deg=float(np.rad2deg(ellipse.azimuth)),
        chi2=float(fix.chi2),
        dof=int(fix.dof),
        p_value=float(fix.p_value),
        inliers=statuses.count("inlier"),
        outliers=statuses.count("outlier"),
        not_measured=statuses.count("not measured"),
        heading_bias_deg=float(np.rad2deg(fix.heading_bias)),
        heading_bias_sd_deg=float(np.rad2deg(fix.heading_bias_sd)),
        dead_reckoned=errors.dead_reckoned,
        alternative_m=fix.alternative_m if np.isfinite(fix.alternative_m).all() else None,
        modes=_modes(fix),
        line=_line(fix, track.position_m[heard[-1]]) if fix.reason == RANGE_UNSEEN and not miswired else None,
        pings=rows,
        stations=stations,
        probabilities=probabilities,
        decision=stations[int(np.argmax(probabilities))] if stations else "",
        needed=needed,
        clock=clock,
        echoes=echoes,
    )


class _Solution(NamedTuple):
    """The fix to go by, which pings count in it by their places by echoes, and what clock and echoes had to say."""

    fix: FusedFix
    placed: Sequence[bool]
    clock: ClockEvidence | None
    echoes: EchoEvidence | None


def _solution(
    pings: Sequence[Ping], track: Track, errors: ErrorSizes, scene: Scene | None, *, by_echoes: bool
) -> _Solution:
    # Before any fit: a sketch that the pings give up is not worth one.
    given_up = why_no_places(pings) if by_echoes else ""
    depth, depth_sd = _depth(pings, by_echoes and not given_up)
    area = None if scene is None else source_area(scene)
    profile = None if scene is None else scene.bending_profile
    clock = None if scene is None else _clock(scene, pings[0])

    def solved(by_echoes: bool) -> tuple[FusedFix, ClockEvidence | None]:
        def fused(clock: PingClock | None, off_clock: frozenset[int]) -> FusedFix:
            return fuse_pings(
                run_of_pings(pings, clock, off_clock, profile, by_echoes=by_echoes),
                track,
                errors,
                source_depth_m=depth,
                source_depth_sd_m=depth_sd,
                area=area,
            )

        return (fused(None, frozenset()), None) if clock is None else fuse_by_clock(fused, clock)

    fix, evidence = solved(False)
    by_bearings = _Solution(fix, [False] * len(pings), evidence, None)
    if not by_echoes:
        return by_bearings
    if given_up:
        return by_bearings._replace(echoes=_evidence(pings, 0, given_up))
    placed, its_evidence = solved(True)
    usable = [usable_echoes(ping) for ping in pings]
    used = int(np.sum(placed.inliers & np.array(usable)))
    if contradicts_bearings(fix, placed, track.position_m[-1]):
        reason = "they contradict the bearings, as with a wrong site sketch, and are left out"
        return by_bearings._replace(echoes=_evidence(pings, 0, reason))
    if not used:
        return by_bearings._replace(echoes=_evidence(pings, 0, "each contradicts the other pings"))
    return _Solution(placed, usable, its_evidence, _evidence(pings, used, ""))


def _numbered(pings: Sequence[Ping]) -> Sequence[Ping]:
    """Pings told apart by their numbers: those of several recordings, which repeat, become their places in the run."""
    if len({ping.ping for ping in pings}) == len(pings):
        return pings
    return [replace(ping, ping=k) for k, ping in enumerate(pings, 1)]


def _stations(fix: FusedFix, scene: Scene | None) -> tuple[tuple[str, ...], tuple[float, ...], Sureness | None]:
    """Names of the stations and of none of them, how probable each is, and what it takes to be sure."""
    if scene is None or not scene.stations:
        return (), (), None
    model = station_model(scene)
    places, spreads = fix.mode_m[:, :2], fix.mode_covariance_m2[:, :2, :2]
    probabilities = station_posterior(places, spreads, model, weight=fix.mode_weight)
    needed = None
    if np.isfinite(fix.position_m).all():
        needed = sureness(fix.position_m[:2], fix.covariance_m2[:2, :2], model, pings=int(fix.inliers.sum()))
    return (*(s.name for s in scene.stations), NONE_OF_THESE), tuple(probabilities.tolist()), needed


def _depth(pings: Sequence[Ping], by_echoes: bool) -> tuple[float | None, float]:
    """Depth of the pinger and its standard deviation [m] as the pings state them, else as echoes were searched with."""
    known = next((p for p in pings if p.depth_m is not None), None)
    if known is not None:
        return known.depth_m, known.depth_sd_m or 0.0
    fix = next((p.echoes for p in pings if by_echoes and usable_echoes(p)), None)
    return (None, 0.0) if fix is None else (fix.depth_m, fix.depth_sd_m)


def _evidence(pings: Sequence[Ping], used: int, reason: str) -> EchoEvidence:
    wrong = wrong_sketch_probability(pings)
    return EchoEvidence(used, reason, None if np.isnan(wrong) else wrong)


def _modes(fix: FusedFix) -> tuple[FusedMode, ...]:
    told = np.flatnonzero(fix.mode_weight > 0)
    if len(told) < 2:
        return ()
    ellipse = error_ellipse(fix.mode_covariance_m2[told, :2, :2])
    return tuple(
        FusedMode(
            position_m=fix.mode_m[k],
            semi_major_95_m=float(ellipse.semi_major[i]),
            semi_minor_95_m=float(ellipse.semi_minor[i]),
            azimuth_deg=float(np.rad2deg(ellipse.azimuth[i])),
            weight=float(fix.mode_weight[k]),
        )
        for i, k in enumerate(told)
    )


def _clock(scene: Scene, ping: Ping) -> PingClock | None:
    """The clock of the ping's pinger, where the scene says how steady it is."""
    return next((pinger_clock(pinger) for pinger in scene.pingers if pinger.name == ping.pinger), None)


def _line(fix: FusedFix, last_m: Floats) -> BearingLine:
    away = (fix.position_m - last_m)[:2]
    across = np.array([-away[1], away[0]]) / np.hypot(*away)
    width = float(np.sqrt(-2.0 * np.log(0.05) * across @ fix.covariance_m2[:2, :2] @ across))
    nearest, farthest = fix.reach_m.tolist()
    return BearingLine(
        from_m=last_m,
        bearing_deg=float(np.rad2deg(np.arctan2(away[1], away[0]))),
        half_width_deg=float(np.rad2deg(np.arctan2(width, np.hypot(*away)))),
        half_width_m=width,
        nearest_m=nearest,
        farthest_m=farthest if np.isfinite(farthest) else None,
    )


def _row(ping: Ping, fix: FusedFix, track: Track, i: int, by_echoes: bool) -> FusedPing:
    position, heading = track.position_m[i], float(np.asarray(track.heading)[i])
    measured = by_echoes or (ping.ok and len(ping.tdoa_s) > 0)
    checked = measured and int(fix.ping_dof[i]) > 0
    bearing, off = _bearing(ping, heading, fix.position_m - position)
    inliers = bool(fix.inliers[i])
    unchecked = "no other ping checks it" if measured and not checked else ""
    return FusedPing(
        ping=ping.ping,
        time_s=ping.time_s,
        position_m=position,
        heading_deg=float(np.rad2deg(heading)),
        site_bearing_deg=bearing,
        bearing_residual_deg=off,
        misfit=float(np.sqrt(fix.ping_chi2[i] / fix.ping_dof[i])) if checked else None,
        p_value=float(chi_square_p_value(fix.ping_chi2[i], int(fix.ping_dof[i]))) if checked else None,
        weight=1.0 if inliers else 0.0,
        status="inlier" if inliers else "outlier" if measured else "not measured",
        reason=ping.reason if not measured else unchecked,
        by_echoes=by_echoes,
    )


def _bearing(ping: Ping, heading: float, toward: Floats) -> tuple[float | None, float | None]:
    """Site bearing of the candidate nearest to a direction, and how far it is from it [deg]."""
    if not ping.candidates or not np.isfinite(toward).all():
        return None, None
    # The body bearing turned by the heading of the pose that is used: the navigation's may differ from the ping's own.
    turn = heading - ping.pose.heading
    site = np.array(ping.site_bearing) + turn
    off = wrap_angle(site - np.arctan2(toward[1], toward[0]))
    nearest = int(np.argmin(np.abs(off)))
    return float(np.rad2deg(wrap_angle(site[nearest]))), float(np.rad2deg(off[nearest]))
