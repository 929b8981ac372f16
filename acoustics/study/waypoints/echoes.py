"""Places by echoes at waypoints: what they tell beside the delays, and how often the estimator finds one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from acoustics.accuracy.echo_bound import EchoPlaceErrors, echo_place_errors
from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse import usable_echoes
from acoustics.io.echo_fix import FAR_M
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import scale_of_variances
from acoustics.study.execution import Arrays, Running, run_chunks
from acoustics.study.waypoints.information import Heard
from acoustics.study.waypoints.prior import Prior

_UNTOLD_M2 = 1e6  # of a place that is not told: as good as unknown, and yet a number to count with
_CHANNELS = 8  # errors before those of the channels, see `EchoPlaceErrors`
_DEPTH, _OWN, _ATTITUDE, _HEADING, _SPEED = 0, slice(1, 4), slice(4, 7), 6, 7


@record
class PlacesFound:
    """What the estimator by echoes made of rendered pings at some waypoints.

    `pings`: how many; `usable`: share of them with a place that may be used and is within 1 m. `variance_scale`: how
    much larger than those of their bound the variances of these were.
    """

    pings: int
    usable: Interval
    variance_scale: float


@record
class _Ping:
    scene: Scene
    pinger: Pinger
    seed: np.random.SeedSequence

    def errors(self) -> EchoPlaceErrors:
        """Of its place, at the bound."""
        here, heading = np.array([self.scene.vehicle.position_m]), np.array([self.scene.vehicle.pose.heading])
        return echo_place_errors(self.scene, self.pinger, here, heading, np.array([self.pinger.position_m]))


def found_places(
    scene: Scene,
    pinger: Pinger,
    prior: Prior,
    pose: Pose,
    *,
    pings: int,
    seed: int,
    running: Running,
    progress: Callable[[int, int], None],
) -> PlacesFound:
    """How often the estimator by echoes finds a place in rendered pings, and how far that is off.

    Each is heard at one of the waypoints, batch shape (n,), drawn at random, from one of the prior's places.
    """
    rng, own = np.random.default_rng([seed, pings]), np.random.SeedSequence([seed, pings])
    at = rng.integers(len(np.asarray(pose.position_m)), size=pings)
    source = rng.choice(len(prior.weights), size=pings, p=prior.weights)
    tasks = []
    for k, s, child in zip(at, source, own.spawn(pings), strict=True):
        place, heading = np.asarray(pose.position_m)[k], float(np.rad2deg(np.asarray(pose.heading)[k]))
        vehicle = scene.vehicle.model_copy(
            update={"position_m": tuple(place.tolist()), "heading_deg": (heading + 180.0) % 360.0 - 180.0}
        )
        there = pinger.model_copy(update={"position_m": tuple(prior.places_m[s].tolist())})
        tasks.append(_Ping(scene.model_copy(update={"vehicle": vehicle}), there, child))
    results = run_chunks(_found, tasks, running=Running(running.workers), progress=progress)
    away = np.array([result["away_m"] for result in results], dtype=float)
    right = np.flatnonzero(np.linalg.norm(away, axis=-1) <= FAR_M)
    errors = [tasks[k].errors() for k in right]
    scale = scale_of_variances(errors, away[right])
    return PlacesFound(pings, rate_interval(len(right), pings), scale)


def _found(ping: _Ping) -> Arrays:
    from acoustics.study.rendered_run import rendered_run  # here, for few runs render anything

    source, here = np.array(ping.pinger.position_m), np.array([ping.scene.vehicle.position_m])
    heard = rendered_run(ping.scene, ping.pinger, here, np.random.default_rng(ping.seed))
    fixes = [one.echoes for one in heard if one.echoes is not None and usable_echoes(one)]
    return {"away_m": (fixes[0].modes[0].position_m - source)[:2] if fixes else np.full(2, np.inf)}


def errors_at(scene: Scene, pinger: Pinger, prior: Prior, pose: Pose, variance_scale: float = 1.0) -> EchoPlaceErrors:
    """Errors of places at waypoints, batch shape (n,), from each place of the prior; shape (n, n_places, ...).

    Under the first of several headings at one place: it hardly matters.
    """
    position = np.asarray(pose.position_m)
    places, first, which = np.unique(position, axis=0, return_index=True, return_inverse=True)
    n, m = len(places), len(prior.weights)
    found = echo_place_errors(
        scene,
        pinger,
        np.repeat(places, m, axis=0),
        np.repeat(np.broadcast_to(pose.heading, len(position))[first], m),
        np.tile(prior.places_m, (n, 1)),
    )
    rows = which.ravel()
    return EchoPlaceErrors(
        found.covariance_m2.reshape(n, m, 2, 2)[rows],
        found.by.reshape(n, m, *found.by.shape[1:])[rows],
        found.sd,
        variance_scale,
    )


def with_place_rows(
    heard: Heard, places: EchoPlaceErrors, errors: ErrorSizes, travelled_m: Floats, share: float
) -> Heard:
    """What is heard at waypoints where a share of them has a place in the stead of the delays.

    Either counts by its share of the pings: its covariance is divided by that. Places stand first, in metres.

    Parameters
    ----------
    heard : Heard
        Of shape (n, n_places, ...).
    places : EchoPlaceErrors
        Same batch.
    errors : ErrorSizes
        Of the run.
    travelled_m : ndarray, shape (n, 3)
        Horizontal way since the start of the run [m].
    share : float
        Of waypoints that have a place, above 0 and below 1.
    """
    by, told = places.by, places.told[..., None, None]
    n_site = by.shape[-1] - (heard.shared.shape[-1] - 6) - _CHANNELS
    channels, site = np.split(by[..., _CHANNELS:], [by.shape[-1] - _CHANNELS - n_site], axis=-1)
    way = np.broadcast_to(travelled_m[:, None], (*by.shape[:2], 3))
    turned = np.stack([-way[..., 1], way[..., 0], 0.0 * way[..., 0]], axis=-1)
    own_m = by[..., _OWN]
    heading = by[..., _HEADING] + np.einsum("...ij,...j->...i", own_m, turned)
    columns = [
        heading[..., None] * errors.heading_bias_sd,
        np.einsum("...ij,...j->...i", own_m, way)[..., None] * errors.log_scale_sd,
        by[..., _SPEED, None] * errors.sound_speed_sd_m_s,
        own_m * errors.start_sd_m,
        channels,
        site,
    ]
    jitter = by[..., _ATTITUDE] * errors.attitude_sd
    noise = np.where(told, places.noise_m2 + jitter @ transposed(jitter), _UNTOLD_M2 * np.eye(2))
    by_place = np.broadcast_to(np.eye(2, 3), (*by.shape[:2], 2, 3)).copy()
    by_place[..., 2] = by[..., _DEPTH]
    delays, m = heard.by_source.shape[-2], heard.by_source.shape[-2] + 2
    own = np.zeros((*by.shape[:2], m, m))
    own[..., :2, :2], own[..., 2:, 2:] = noise / share, heard.own / (1.0 - share)
    return Heard(
        np.concatenate([by_place, heard.by_source], axis=-2),
        np.concatenate(
            [
                np.concatenate(columns, axis=-1),
                np.concatenate([heard.shared, np.zeros((*by.shape[:2], delays, n_site))], axis=-1),
            ],
            axis=-2,
        ),
        own,
        heard.variance_s2,
        heard.clock,
        np.concatenate([own_m[..., :2], -heard.by_source[..., :2]], axis=-2),
    )
