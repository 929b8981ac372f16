"""Direction and position of a ping from its delays, and whether the channels are wired as noted."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from acoustics.base.frames import (
    Floats,
    Pose,
    bearing_and_depression,
    direction,
    direction_jacobian,
    principal_axes,
)
from acoustics.estimate.direction import (
    MISFIT_P,
    Bearing,
    DepressionPrior,
    WiringTest,
    estimate_bearing,
    over_the_cone,
    suspected_wiring,
    wiring_test,
    wirings,
)
from acoustics.estimate.position import Fix, locate_source
from acoustics.estimate.tdoa import Tdoa, tdoa_of
from acoustics.io.ping import MISFIT, Candidate, Ping

_PINGS_REMEMBERED = 8
_PLANE_SD = 2.0
_LEAST_PROBABILITY = 0.01  # of a direction that is worth telling
_DOUBTFUL = 0.05  # of a second direction from which on no position is made of the first
_RANGES_TRIED_M = np.geomspace(1.0, 200.0, 12)  # before a misfit is blamed on more than a curved wave
WRONGLY_WIRED = "channels are swapped or of the wrong polarity: see the flags"
TWO_FIT = "a second direction fits nearly as well: no position is made of the first"
TOO_FLAT = "the direction may lie in the plane of the array: range is not observed"


@dataclass
class WiringMemory:
    """How well each wiring fitted the last pings in a row that did not fit as given, and with which channels."""

    channels: tuple[str, ...] = ()
    tests: list[WiringTest] = field(default_factory=list)


def with_direction(ping: Ping, memory: WiringMemory) -> Ping:
    """A ping that has delays, with its directions and, where observed, its position.

    `memory` is kept from ping to ping: only several pings in a row tell that channels are swapped or inverted.
    """
    fix, position, covariance = _position(ping)
    # The direction is that from the array's centre, near or far: about the origin it would jump with the model.
    centre = ping.hydrophones_m.mean(axis=0)
    reach = float(np.linalg.norm(position - centre)) if bool(fix.ok) else None
    found = estimate_bearing(
        tdoa_of(ping),
        ping.hydrophones_m - centre,
        ping.sound_speed_m_s,
        range_m=reach,
        sound_speed_sd_m_s=ping.sound_speed_sd_m_s,
        element_sd_m=ping.tolerances_m,
    )
    if found.observes == "line":
        found = over_the_cone(found, _depression_prior(ping, centre))
    p_value = float(found.p_value)
    if reach is None and p_value < MISFIT_P:
        p_value = _best_fit_of_a_sphere(ping, centre)
    misfit = p_value < MISFIT_P
    ping = _wiring_checked(ping, p_value, memory)
    candidates = _candidates(found)
    turned = np.array([direction(c.bearing, c.depression) for c in candidates]).reshape(-1, 3)
    site = bearing_and_depression(turned @ ping.pose.pose.rotation.T)[0]
    ok = ping.ok and bool(found.ok) and not misfit
    flat = found.observes == "plane" and _may_lie_in_plane(found, ping.hydrophones_m)
    doubtful = found.observes == "volume" and float(found.probability[1]) > _DOUBTFUL
    place = position if bool(fix.ok) and ok and not (flat or doubtful) else None
    return replace(
        ping,
        ok=ok,
        reason=ping.reason or (MISFIT if misfit else str(found.reason)),
        candidates=candidates,
        p_value=p_value,
        position_m=place,
        position_covariance_m2=covariance if place is not None else None,
        position_reason=MISFIT
        if misfit
        else TOO_FLAT
        if flat and bool(fix.ok)
        else TWO_FIT
        if doubtful and bool(fix.ok)
        else str(fix.reason),
        site_bearing=tuple(site.tolist()),
        site_position_m=None if place is None else ping.pose.pose.to_site(place[None])[0],
    )


def _depression_prior(ping: Ping, centre: Floats) -> DepressionPrior:
    """What the depths of pinger and vehicle tell of the depression; the vehicle's is known where its pose has one."""
    pose = ping.pose
    down = Pose(np.zeros(3), pose.roll, pose.pitch, 0.0).rotation[2]
    if pose.position_m[2] <= 0:
        return DepressionPrior(down)
    own = pose.position_m[2] + float(centre @ down)
    if ping.depth_m is None:
        return DepressionPrior(down, own_depth_m=own)
    return DepressionPrior(down, ping.depth_m - own, float(np.hypot(ping.depth_sd_m or 0.0, pose.depth_sd_m)))


def _best_fit_of_a_sphere(ping: Ping, centre: Floats) -> float:
    """Largest p-value of a spherical wave over ranges: near a wide array a plane wave misfits without a fault."""
    delays = tdoa_of(ping)
    shape = (len(_RANGES_TRIED_M), 1)
    found = estimate_bearing(
        Tdoa(np.tile(delays.tdoa_s, shape), delays.covariance_s2, delays.reference),
        ping.hydrophones_m - centre,
        ping.sound_speed_m_s,
        range_m=_RANGES_TRIED_M,
        sound_speed_sd_m_s=ping.sound_speed_sd_m_s,
        element_sd_m=ping.tolerances_m,
    )
    return float(np.max(found.p_value))


def _wiring_checked(ping: Ping, p_value: float, memory: WiringMemory) -> Ping:
    """Mark the ping if another wiring of the channels fits the last few pings and the given one does not."""
    fits = p_value > MISFIT_P or ping.method == "onset"
    if fits or memory.channels != ping.channels:
        memory.tests, memory.channels = [], ping.channels
    if fits:
        return ping
    tried = wirings(ping.channels)
    test = wiring_test(
        tdoa_of(ping), ping.hydrophones_m, ping.tolerances_m, ping.sound_speed_m_s, ping.frequency_hz, tried
    )
    memory.tests = [*memory.tests, *([] if test is None else [test])][-_PINGS_REMEMBERED:]
    suspects = suspected_wiring(memory.tests, tried)
    if not suspects:
        return ping
    words = "the delays do not fit the array, but they do if " + ", or ".join(suspects)
    return replace(ping, ok=False, reason=WRONGLY_WIRED, flags=(*ping.flags, words))


def _candidates(found: Bearing) -> tuple[Candidate, ...]:
    if not np.isfinite(found.bearing).all():
        return ()
    sd = np.sqrt(np.diagonal(found.covariance, axis1=-2, axis2=-1))
    # On a line the depression is not observed.
    spread = np.where(np.arange(2) == 1, np.inf, sd) if found.observes == "line" else sd
    share = np.zeros(2) if found.depression_share is None else found.depression_share
    return tuple(
        Candidate(float(b), float(d), float(s[0]), float(s[1]), float(p), float(of_depression))
        for b, d, s, p, of_depression in zip(
            found.bearing, found.depression, spread, found.probability, share, strict=True
        )
        if p >= _LEAST_PROBABILITY
    )


def _may_lie_in_plane(found: Bearing, hydrophones_m: Floats) -> bool:
    """Whether the angle out of the array's plane is within two standard deviations of none.

    What a plane array measures is the cosine of that angle, so near the plane the angle itself is far from normal,
    and a position by it and by the pinger's depth would be far off and seem sure.
    """
    normal = principal_axes(hydrophones_m)[2]
    bearing, depression = float(found.bearing[0]), float(found.depression[0])
    sine = float(np.clip(abs(direction(bearing, depression) @ normal), 0.0, 1.0))
    slope = normal @ direction_jacobian(bearing, depression)
    cosine = np.sqrt(1.0 - sine**2)
    sine_sd = float(np.sqrt(slope @ found.covariance[0] @ slope))
    return bool((1.0 - cosine) * cosine < _PLANE_SD * sine * sine_sd) or sine < 1e-9


def _position(ping: Ping) -> tuple[Fix, Floats, Floats]:
    """Fix in the frame that stands level in the vehicle, and position and covariance turned into the body frame.

    The pinger's depth aids it where the vehicle's own depth is known, that is, where its pose has one.
    """
    pose = ping.pose
    level = Pose(np.zeros(3), pose.roll, pose.pitch, 0.0).rotation
    aided = ping.depth_m is not None and pose.position_m[2] > 0
    depth = (ping.depth_m or 0.0) - pose.position_m[2] if aided else None
    fix = locate_source(
        tdoa_of(ping),
        ping.hydrophones_m @ level.T,
        ping.sound_speed_m_s,
        source_depth_m=depth,
        source_depth_sd_m=float(np.hypot(ping.depth_sd_m or 0.0, pose.depth_sd_m)) if aided else None,
        sound_speed_sd_m_s=ping.sound_speed_sd_m_s,
        element_sd_m=ping.tolerances_m,
        attitude_sd=np.array([pose.roll_sd, pose.pitch_sd, 0.0]) if aided else np.zeros(3),
        pivot_m=np.zeros(3),
    )
    return fix, fix.position_m @ level, level.T @ fix.covariance_m2 @ level
