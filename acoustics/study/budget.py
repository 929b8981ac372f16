"""Which error costs how much where the vehicle stands, and which one to improve first?

The rule for the latter: the largest contribution that the team can change. What that is worth is not assumed but
worked out: the bound again with that error's standard deviation halved.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from acoustics.accuracy.error_budget import ErrorBudget, systematic_shift
from acoustics.base.frames import Floats, direction_jacobian, wrap_angle
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.physics.refraction import bent_ray_angle
from acoustics.physics.tdoa import plane_wave_time, spherical_time
from acoustics.physics.timing_bounds import lag_rounding_variance
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.known_pool import known_pool_bound
from acoustics.study.ping_bounds import PingerSeen, ping_bounds, standard_deviations
from acoustics.study.ping_prediction import PingPrediction, predict_ping

RULE = "the largest contribution that the team can change"

# name in the model: (what it is called, key of the scenario that sets it, whether the team can change it)
_ERRORS = {
    "water_noise": ("noise of the water", "noise.ambient_density_db", False),
    "self_noise": ("noise of the vehicle", "noise.self_noise_density_db", True),
    "quantisation": ("quantisation", "recorder.gain_db, recorder.bits", True),
    "aperture_jitter": ("aperture jitter", "recorder.aperture_jitter_s", True),
    "skew": ("channel skew", "recorder.skew_sd_s, recorder.phase_sd_deg", True),
    "mounting": ("mounting", "array.hydrophone.tolerance_m", True),
    "sound_speed": ("sound speed", "water.temperature_tolerance_degc", True),
    "heading": ("heading", "vehicle.heading_sd_deg", True),
    "roll": ("roll", "vehicle.roll_sd_deg", True),
    "pitch": ("pitch", "vehicle.pitch_sd_deg", True),
    "pinger_depth": ("pinger's depth", "study.pinger_depth_sd_m", True),
    "vehicle_depth": ("vehicle's depth", "vehicle.depth_sd_m", True),
    "own_position": ("vehicle's x and y", "vehicle.position_sd_m", True),
}
_NEGLIGIBLE = 0.01  # of the bound: refraction below it is left out


@record
class Contribution:
    """One line of the budget.

    Attributes
    ----------
    name, key : str
        What it is, and the key of the scenario that sets it.
    kind : {"bound", "bias", "rounding"}
        "bound": part of the Cramer-Rao bound; these add in quadrature to the total. "bias": a fixed error of an
        estimator that neglects the effect, to first order. "rounding": what rounding each lag to a sample would add.
    changeable : bool
        Whether the team can change it.
    bearing_deg, depression_deg, position_m : float
        Contribution: of the bearing in the site frame, the depression, the horizontal position. Infinite where
        that is not observed, NaN where it does not apply.
    bearing_halved_deg, position_halved_m : float
        The total with this error halved; NaN for what is not in the total.
    """

    name: str
    key: str
    kind: str
    changeable: bool
    bearing_deg: float
    depression_deg: float
    position_m: float
    bearing_halved_deg: float
    position_halved_m: float


@record
class Budget(Result):
    """Contributions to the error of one ping's bearing and position.

    The totals are Cramer-Rao bounds with all errors of kind "bound" as nuisance parameters; infinite: not observed, or
    no better than a guess. They count the burst up to the first strong echo and take the carrier's integers as
    resolved. `predicted` is what the vehicle's own estimator will do, which knows neither.
    `position_to_first_wall_m` and `position_whole_burst_m` are bounds too, of who knows the pool and takes echoes as
    measurements: before the first echo from a wall, and by all of the burst.
    With the `_with_bias` ones the biases are added in quadrature. `improve_bearing` and `improve_position` are the
    contributions that the rule picks; None where nothing is observed or nothing is left to change.
    """

    title: str
    array: str
    pinger: str
    range_m: float
    site_bearing_deg: float
    site_depression_deg: float
    multipath_free_s: float
    energy_ratio_2e_n0: float
    predicted: PingPrediction
    wrong_cycle_limit: float
    bearing_deg: float
    depression_deg: float
    position_m: float
    bearing_with_bias_deg: float
    depression_with_bias_deg: float
    position_with_bias_m: float
    position_to_first_wall_m: float
    position_whole_burst_m: float
    contributions: tuple[Contribution, ...]
    rule: str
    improve_bearing: Contribution | None
    improve_position: Contribution | None


def study_budget(scene: Scene, pinger: Pinger) -> Budget:
    """Split the bounds of bearing and horizontal position from one ping into what each error contributes.

    Parameters
    ----------
    scene : Scene
        The vehicle at its pose.
    pinger : Pinger
        One of the scene's.

    Returns
    -------
    Budget
        What to improve first follows the rule: the largest contribution that the team can change.

    Raises
    ------
    ParameterError
        If the vehicle is at the pinger.

    Notes
    -----
    The bounds are those of `ping_bounds`. The direction is that from the vehicle's origin; the bias of the plane wave,
    that seen from the array's centre, so that the known shift between the two does not count as error.
    """
    found = ping_bounds(scene, pinger)
    place, bearing, position, totals = found.place, found.bearing, found.position, found.totals
    bounds = tuple(_seen(_line(name, bearing, position), totals) for name in _ERRORS)
    extras = _outside_the_bound(scene, place, bearing, position, totals)
    biases = np.array([[c.bearing_deg, c.depression_deg, c.position_m] for c in extras if c.kind == "bias"])
    known = known_pool_bound(scene, pinger)
    with_bias = np.sqrt(totals**2 + np.nansum(biases**2, axis=0))
    return Budget(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        range_m=place.range_m,
        site_bearing_deg=float(np.rad2deg(wrap_angle(place.bearing + np.deg2rad(scene.vehicle.heading_deg)))),
        site_depression_deg=float(np.rad2deg(place.depression)),
        multipath_free_s=found.window_s,
        energy_ratio_2e_n0=float(found.link.energy_ratio_2e_n0),
        predicted=predict_ping(scene, pinger),
        wrong_cycle_limit=scene.study.wrong_cycle_limit,
        bearing_deg=float(totals[0]),
        depression_deg=float(totals[1]),
        position_m=float(totals[2]),
        bearing_with_bias_deg=float(with_bias[0]),
        depression_with_bias_deg=float(with_bias[1]),
        position_with_bias_m=float(with_bias[2]),
        position_to_first_wall_m=known.to_first_wall_m,
        position_whole_burst_m=known.whole_burst_m,
        contributions=bounds + extras,
        rule=RULE,
        improve_bearing=_largest(bounds, "bearing_deg"),
        improve_position=_largest(bounds, "position_m"),
    )


def _line(name: str, bearing: ErrorBudget, position: ErrorBudget) -> Contribution:
    # Depth and own position are no part of the bearing: nothing to contribute, unless nothing is observed at all.
    none = np.where(np.isfinite(bearing.covariance), 0.0, bearing.covariance)
    label, key, changeable = _ERRORS[name]
    part = standard_deviations(bearing.parts.get(name, none), position.parts[name])
    halved = standard_deviations(bearing.halved.get(name, bearing.covariance), position.halved[name])
    b, d, p, b_halved, p_halved = (float(size) for size in [*part, halved[0], halved[2]])
    return Contribution(label, key, "bound", changeable, b, d, p, b_halved, p_halved)


def _seen(line: Contribution, totals: Floats) -> Contribution:
    """A line that is infinite where the total is."""
    lost: dict[str, Any] = {}
    for total, names in zip(
        totals,
        (("bearing_deg", "bearing_halved_deg"), ("depression_deg",), ("position_m", "position_halved_m")),
        strict=True,
    ):
        lost |= dict.fromkeys(names, float("inf")) if np.isinf(total) else {}
    return replace(line, **lost)


def _outside_the_bound(
    scene: Scene, place: PingerSeen, bearing: ErrorBudget, position: ErrorBudget, totals: Floats
) -> tuple[Contribution, ...]:
    """Biases of simpler models and the rounding of lags, through the same estimators.

    Refraction tilts the wave in the vertical plane of the ray, so it shifts the depression and not the bearing.
    """

    def line(name: str, key: str, kind: str, sizes: Floats) -> Contribution:
        b, d, p = np.where(np.isfinite(totals), sizes, totals)  # what is not observed has no bias either
        return Contribution(name, key, kind, kind != "bias", float(b), float(d), float(p), np.nan, np.nan)

    def shift(arrival_error_s: Floats) -> Floats:
        turn = np.rad2deg(systematic_shift(bearing.gain, arrival_error_s))
        return np.abs([*turn, np.hypot(*systematic_shift(position.gain, arrival_error_s)[:2])])

    hydrophones, speed = place.hydrophones_m, scene.sound_speed_m_s
    sight = place.source_m - hydrophones.mean(axis=0)
    curved = spherical_time(hydrophones, place.source_m, speed)
    flat = plane_wave_time(hydrophones, sight / np.linalg.norm(sight), speed)
    near = replace(line("plane wave assumed", "", "bias", shift(curved - flat)), position_m=np.nan)
    # A rounded lag's variance belongs half to each of its two arrivals.
    rounding = np.sqrt(lag_rounding_variance(scene.recorder.sample_rate_hz) / 2)
    each = np.array([shift(error) for error in rounding * np.eye(len(hydrophones))])
    rounded = line("lag rounded to a sample", "recorder.sample_rate_hz", "rounding", np.linalg.norm(each, axis=0))
    downwards = direction_jacobian(place.bearing, place.depression)[:, 1]
    tilt = -hydrophones @ downwards * _bend(scene, place.source_m) / speed
    bend = shift(tilt) * [0.0, 1.0, 1.0]
    if not np.any((bend > _NEGLIGIBLE * totals) & np.isfinite(totals)):
        return near, rounded
    return near, line("refraction neglected", "water.profile", "bias", bend), rounded


def _bend(scene: Scene, source: Floats) -> float:
    """Angle [rad] between the straight line to the pinger and the ray that arrives at the vehicle."""
    ends = np.sort(scene.vehicle.position_m[2] + np.array([0.0, source[2]]))
    if ends[1] - ends[0] < 1.0:  # nearly level: the gradient of the metre around
        ends = np.maximum(ends.mean() + np.array([-0.5, 0.5]), 0.0)
    gradient = np.diff(scene.water.sound_speed_m_s(ends)) / np.diff(ends)
    # The arc's radius is c / (g cos d), so the chord counts with its horizontal part.
    across = float(np.hypot(source[0], source[1]))
    return float(bent_ray_angle(across, sound_speed_m_s=scene.sound_speed_m_s, gradient_per_s=gradient[0]))


def _largest(lines: tuple[Contribution, ...], quantity: str) -> Contribution | None:
    """The rule: the largest contribution to a quantity that the team can change."""
    ours = [c for c in lines if c.changeable and 0 < getattr(c, quantity) < np.inf]
    return max(ours, key=lambda c: float(getattr(c, quantity)), default=None)
