"""What one ping tells where the vehicle stands: the link, the budgets of errors, and the Cramer-Rao bounds in total."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.accuracy.error_budget import ErrorBudget, bearing_model, error_budget, position_model
from acoustics.accuracy.link_budget import LinkBudget, link_budget
from acoustics.base.frames import Floats, Pose, bearing_and_depression
from acoustics.base.intervals import BEARING_GUESS_SD, DEPRESSION_GUESS_SD, unless_guessed
from acoustics.base.record import record
from acoustics.physics.direct_rays import DirectRays, direct_rays
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@record
class PingerSeen:
    """Hydrophones (n, 3) and pinger (3,) in the frame that stands level in the vehicle and heads with it."""

    hydrophones_m: Floats
    source_m: Floats
    bearing: float
    depression: float
    range_m: float


@record
class PingBounds:
    """Cramer-Rao bounds from one ping, the cycle resolved, with every error as a nuisance parameter.

    Attributes
    ----------
    place : PingerSeen
        Where hydrophones and pinger are.
    window_s : float
        The multipath-free window at the vehicle's origin.
    link : LinkBudget
        Of the sound inside that window.
    bearing, position : ErrorBudget
        Of bearing and depression [rad], and of x, y and z [m].
    totals : ndarray, shape (3,)
        Standard deviations of bearing and depression [deg] and of the horizontal position [m]; infinite: not
        observed, or no better than a guess.
    """

    place: PingerSeen
    window_s: float
    link: LinkBudget
    bearing: ErrorBudget
    position: ErrorBudget
    totals: Floats


def ping_bounds(scene: Scene, pinger: Pinger) -> PingBounds:
    """What one ping allows where the vehicle stands.

    Parameters
    ----------
    scene : Scene
        The vehicle at its pose.
    pinger : Pinger
        One of the scene's.

    Returns
    -------
    PingBounds

    Raises
    ------
    ParameterError
        If the vehicle is at the pinger.

    Notes
    -----
    The same bounds as in `map_pool`, with the vehicle's own position as well: the cycle is resolved, and echoes
    shorten the part of the burst that counts. The direction is that from the vehicle's origin.
    """
    place = _seen_from_the_vehicle(scene, pinger)
    window = multipath_free_windows(scene, pinger, np.array([scene.vehicle.position_m]))[0]
    link = link_budget(scene, pinger, place.range_m, window_s=window)
    bent = scene.bending_profile
    profile = None if bent is None else bent.below(scene.vehicle.position_m[2])
    rays = None if profile is None else direct_rays(profile, place.hydrophones_m.mean(axis=0), place.source_m)
    bearing, position = _bounds_in_parts(scene, pinger, place, link, profile, rays)
    totals = standard_deviations(bearing.covariance, position.covariance)
    if rays is not None and not rays.reached:
        totals[2] = np.inf  # in a shadow zone no fix is given
    # What a guess would do as well is not observed.
    totals = unless_guessed(totals, [*np.rad2deg([BEARING_GUESS_SD, DEPRESSION_GUESS_SD]), scene.pool.extent_m])
    return PingBounds(place, float(window), link, bearing, position, totals)


def standard_deviations(bearing: Floats, position: Floats) -> Floats:
    """Standard deviations of bearing and depression [deg] and of the horizontal position [m] from covariances."""
    variances = np.array([bearing[0, 0], bearing[1, 1], position[0, 0] + position[1, 1]])
    return np.sqrt(variances) * [180 / np.pi, 180 / np.pi, 1.0]


def _seen_from_the_vehicle(scene: Scene, pinger: Pinger) -> PingerSeen:
    pose = scene.vehicle.pose
    hydrophones = scene.vehicle.level_pose.to_site(scene.array.positions_m)
    source = Pose(pose.position_m, 0.0, 0.0, pose.heading).to_body(np.array([pinger.position_m]))[0]
    bearing, depression = bearing_and_depression(source)
    return PingerSeen(hydrophones, source, float(bearing), float(depression), float(np.linalg.norm(source)))


def _bounds_in_parts(
    scene: Scene,
    pinger: Pinger,
    place: PingerSeen,
    link: LinkBudget,
    profile: SoundSpeedProfile | None,
    rays: DirectRays | None,
) -> tuple[ErrorBudget, ErrorBudget]:
    """Budgets of (bearing, depression) and of (x, y, z); the bounds tell what is observed."""
    direction = (place.hydrophones_m, place.bearing, place.depression, scene.sound_speed_m_s)
    position, own_sd = (place.hydrophones_m, place.source_m, scene.sound_speed_m_s), scene.vehicle.position_sd_m
    depths = {"pinger_depth": scene.study.pinger_depth_sd_m, "vehicle_depth": scene.vehicle.depth_sd_m}
    shared: dict[str, Any] = {"sound_speed_sd_m_s": scene.sound_speed_sd_m_s, "attitude_sd": scene.vehicle.attitude_sd}
    whole = shared | {
        "arrival_variance_s2": link.carrier_variance_s2,
        "element_sd_m": scene.array.tolerances_m,
        "skew_sd_s": scene.recorder.timing_sd_s(pinger.frequency_hz),
    }
    split = shared | {"arrival_sd_s": _arrival_errors(scene, pinger, link)}
    direction_bound = bearing_bound(*direction, **whole)
    bound = position_bound(
        *position,
        source_depth_sd_m=math.hypot(*depths.values()),
        pivot_m=np.zeros(3),
        position_sd_m=(own_sd, own_sd, 0.0),
        profile=profile,
        **whole,
    )
    return (
        error_budget(bearing_model(*direction, **split), direction_bound.observable),
        error_budget(
            position_model(*position, depth_sd_m=depths, own_position_sd_m=own_sd, rays=rays, **split),
            bound.observable,
        ),
    )


def _arrival_errors(scene: Scene, pinger: Pinger, link: LinkBudget) -> dict[str, Floats | float]:
    """Standard deviations [s] of one arrival by cause; the variance from noise goes by its share of the density."""
    jitter = scene.recorder.aperture_jitter_s
    # Without energy nothing is observed, and the figure is not used.
    heard = float(link.carrier_variance_s2) if np.isfinite(link.carrier_variance_s2) else jitter**2
    quiet = scene.noise.model_copy(update={"self_noise_density_db": None})
    levels = [quiet.density_db(pinger.frequency_hz), scene.noise.density_db(pinger.frequency_hz)]
    shares = np.diff(10 ** ((np.array([-np.inf, *levels, link.noise_density_db]) - link.noise_density_db) / 10))
    water, own, steps = np.sqrt(np.maximum(shares, 0.0) * (heard - jitter**2))
    return {
        "water_noise": water,
        "self_noise": own,
        "quantisation": steps,
        "aperture_jitter": jitter,
        "skew": scene.recorder.timing_sd_s(pinger.frequency_hz),
        "mounting": scene.array.tolerances_m / scene.sound_speed_m_s,
    }
