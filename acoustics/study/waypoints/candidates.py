"""Where the vehicle could stop and how it could head there, and what it would hear of each place of the pinger."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity import wrong_integer_probability
from acoustics.accuracy.link_budget import LinkBudget
from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.physics.error_model import ErrorSizes
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.multipath_free_window import multipath_free_pairs_s
from acoustics.scene.clearance import room_m, roomy
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import BlindPings, OwnArrivals, measure_blind, own_arrivals, pinger_clock
from acoustics.study.waypoints.information import Heard, hear
from acoustics.study.waypoints.prior import Prior, cell_centres, horizontal_extent_m
from acoustics.study.waypoints.search import Indices, Ways

_WAYPOINTS_ON_GRID = 80
_MOST_WAYPOINTS = 500
HEADINGS = 8
# An arrival that is not heard: its time is as good as unknown, and yet a number to count with [s].
_UNHEARD_SD_S = 1e-2
_PLACES_MEASURED, _WAYPOINTS_MEASURED = 5, 8  # at which pings are measured; each costs some milliseconds
PINGS_MEASURED = _PLACES_MEASURED * _WAYPOINTS_MEASURED
_PLACES_FOR_INTEGERS = 50  # each costs a millisecond or two at each waypoint


@record
class Candidates:
    """Waypoints with a heading each; place 0 of `ways` is the start.

    Attributes
    ----------
    pose : Pose
        Batch shape (n_candidates,). Those with index 0 modulo `HEADINGS` have the bow to the prior's centre.
    place : ndarray of int, shape (n_candidates,)
        Which place of `ways` each stands at.
    ways : Ways
        Distances between the places.
    """

    pose: Pose
    place: Indices
    ways: Ways


def grid_of_waypoints(scene: Scene, step_m: float | None) -> tuple[Floats, float]:
    """The start and a grid at its depth, shape (n, 3) [m], not yet checked, and the grid's step [m].

    Raises
    ------
    ParameterError
        If there are too many.
    """
    low, high = horizontal_extent_m(scene)
    step = float(np.sqrt(np.prod(high - low) / _WAYPOINTS_ON_GRID)) if step_m is None else step_m
    if np.prod(np.maximum(np.round((high - low) / step), 1)) > _MOST_WAYPOINTS:
        raise ParameterError(f"a step of {step:g} m gives more than {_MOST_WAYPOINTS:,} waypoints; take a longer one")
    start = np.array(scene.vehicle.position_m)
    x, y = cell_centres(low, high, step)
    grid = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), start[2])], axis=-1).reshape(-1, 3)
    return np.concatenate([start[None], grid]), step


def candidates_at(scene: Scene, prior: Prior, waypoints_m: Floats) -> Candidates:
    """Those of the waypoints, shape (n, 3) [m], where the vehicle may stop, each with headings all round.

    The whole array is wet at every heading; waypoints in keep-out zones, those within a metre of a wall or a
    station (where the water allows as much), those that no way leads to, and those nearer to a place of the pinger than
    the hull is long are left out.

    Raises
    ------
    ParameterError
        If there are none.
    """
    start = np.array(scene.vehicle.position_m)
    waypoints = waypoints_m[allowed(scene, prior, waypoints_m)]
    # The start is a place even where it is no waypoint.
    places = np.concatenate([start[None], waypoints])

    def swims(turns: Floats) -> NDArray[np.bool_]:
        return scene.pool.contains(np.column_stack([turns, np.full(len(turns), start[2])]))

    outline = None if scene.pool.is_convex or scene.pool.outline_m is None else np.array(scene.pool.outline_m)
    ways = Ways(places[:, :2], scene.keep_outs, swims, outline)
    reached = np.flatnonzero(np.isfinite(ways.distance_m[0, 1:]))
    if not reached.size:
        raise SceneError("no waypoint: nowhere on the grid is the whole array wet, in reach and out of keep-out zones")
    stops = waypoints[reached]
    pose = scene.vehicle.pose_at(np.repeat(stops, HEADINGS, axis=0), heading_choices(stops, prior).reshape(-1))
    return Candidates(pose, np.repeat(reached + 1, HEADINGS), ways)


def heading_choices(waypoints_m: Floats, prior: Prior) -> Floats:
    """Headings, shape (n_waypoints, HEADINGS) [rad], the first with the bow to the prior's centre."""
    off = prior.centre_m[:2] - waypoints_m[:, :2]
    return np.arctan2(off[:, 1], off[:, 0])[:, None] + np.arange(HEADINGS) * (2 * np.pi / HEADINGS)


def allowed(scene: Scene, prior: Prior, waypoints_m: Floats) -> NDArray[np.bool_]:
    """Whether the vehicle may stop at waypoints, shape (n_waypoints, 3) [m]."""
    pose = scene.vehicle.pose_at(waypoints_m[:, None], heading_choices(waypoints_m, prior))
    wet = scene.pool.contains(pose.to_site(scene.array.positions_m)).all(axis=(-2, -1))
    apart = np.linalg.norm(waypoints_m[:, None] - prior.places_m, axis=-1).min(axis=-1)
    # Where the pinger truly is, is not known: its places alone count, and the stations that stand in the water.
    room = room_m(scene, waypoints_m, pingers=False)
    fit = wet & (room >= 0) & (apart >= scene.vehicle.hull_m[0])
    fit[fit] = roomy(room[fit])
    return np.asarray(fit)


def learned_arrivals(scene: Scene, pinger: Pinger, prior: Prior, waypoints_m: Floats) -> OwnArrivals:
    """How the vehicle's own estimator times arrivals, from pings at a few waypoints, (n, 3) [m], from a few places.

    The same for all waypoints of a study, by the seed of the scene's.
    """
    rng = np.random.default_rng(scene.study.seed)
    few = np.sort(rng.permutation(len(prior.weights))[:_PLACES_MEASURED])
    at = np.sort(rng.permutation(len(waypoints_m))[:_WAYPOINTS_MEASURED])
    pose = scene.vehicle.pose_at(waypoints_m[at], rng.uniform(-np.pi, np.pi, len(at)))
    pings = [
        measure_blind(scene, pinger.model_copy(update={"position_m": tuple(place)}), pose, rng)
        for place in prior.places_m[few].tolist()
    ]
    range_m, window_s = _seen(scene, pinger, prior.places_m[few], pose)
    return own_arrivals(scene, pinger, BlindPings.joined(pings), range_m.T.ravel(), window_s.T.ravel())


def links(
    scene: Scene, pinger: Pinger, prior: Prior, pose: Pose, arrivals: OwnArrivals, *, pings: int = 1
) -> LinkBudget:
    """Of pings heard at waypoints from each place, shape (n_waypoints, n_places), as the vehicle's estimator hears."""
    return arrivals.link(scene, pinger, *_seen(scene, pinger, prior.places_m, pose), pings=pings)


def _seen(scene: Scene, pinger: Pinger, places_m: Floats, pose: Pose) -> tuple[Floats, Floats]:
    """Distances [m] and multipath-free windows [s] of places from waypoints, shape (n_waypoints, n_places)."""
    hydrophones = pose.to_site(scene.array.positions_m)
    window = multipath_free_pairs_s(
        scene,
        hydrophones,
        places_m,
        frequency_hz=pinger.frequency_hz,
        horizon_s=pinger.length_s,
        threshold_db=scene.study.multipath_threshold_db,
        hull=Hull.of(scene, pose),
    )
    return np.linalg.norm(hydrophones.mean(axis=-2)[:, None] - places_m, axis=-1), window


def listen(
    scene: Scene, pinger: Pinger, prior: Prior, pose: Pose, errors: ErrorSizes, pings: int, arrivals: OwnArrivals
) -> Heard:
    """What pings heard at waypoints, batch shape (n_waypoints,), tell of a pinger at each place; shape (n_waypoints,
    n_places)."""
    variance = links(scene, pinger, prior, pose, arrivals, pings=pings).carrier_variance_s2
    clock = pinger_clock(pinger)
    each = Pose(np.asarray(pose.position_m)[:, None], pose.roll, pose.pitch, np.asarray(pose.heading)[:, None])
    return hear(
        scene.array.positions_m,
        each,
        prior.places_m,
        np.minimum(variance, _UNHEARD_SD_S**2),
        np.array(scene.vehicle.position_m),
        errors,
        scene.sound_speed_m_s,
        clock=None if clock is None else replace(clock, jitter_sd_s=clock.jitter_sd_s / np.sqrt(pings)),
        profile=scene.bending_profile,
    )


def wrong_integer_share(scene: Scene, pinger: Pinger, prior: Prior, pose: Pose, arrivals: OwnArrivals) -> float:
    """Predicted share of pings at waypoints whose integers are resolved wrongly, over a prior with many places thinned
    out; NaN where none can be predicted."""
    some = slice(None, None, -(-len(prior.weights) // _PLACES_FOR_INTEGERS))
    thinned = replace(prior, places_m=prior.places_m[some], weights=prior.weights[some] / prior.weights[some].sum())
    level = Pose(np.zeros(3), pose.roll, pose.pitch, 0.0)
    ahead = Pose(pose.position_m, 0.0, 0.0, pose.heading)
    wrong = wrong_integer_probability(
        scene,
        pinger,
        level.to_site(scene.array.positions_m),
        ahead.to_body(thinned.places_m),
        links(scene, pinger, thinned, pose, arrivals),
    )
    return float(wrong.mean(axis=0) @ thinned.weights)
