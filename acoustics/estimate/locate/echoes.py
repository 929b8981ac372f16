"""The place of a ping by its echoes, where the crew has a site sketch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.site import PoolShape
from acoustics.estimate.echoes import DirectBearing, SearchRegion, SiteKnowledge, locate_by_echoes
from acoustics.estimate.tdoa import Segment
from acoustics.io.echo_fix import EchoFix
from acoustics.io.ping import Ping
from acoustics.io.site_sketch import SiteSketch, faces_sd, site_faces
from acoustics.physics.burst import Burst
from acoustics.physics.image_receivers import TooManyImages

# Of a pinger of unknown depth, as a share of the water's: a uniform one has 1 / sqrt(12) about the middle.
_UNKNOWN_DEPTH_SHARE, _UNKNOWN_DEPTH_SD_SHARE = 0.5, 0.29
_LEAST_DEPTH_SD_M = 0.01  # nobody sounds a depth more finely
_SAME_BEARING = np.deg2rad(1.0)  # candidates nearer together start one search
# What a vehicle that keeps its place by the notes may drift from ping to ping: a guess, and only a region to look in.
_DRIFT_SD_M = 0.3


def with_echoes(
    ping: Ping, segment: Segment, noise_density: Floats, burst: Burst, site: SiteSketch, last: EchoFix | None = None
) -> Ping:
    """The ping with its place by echoes, or why there is none.

    Parameters
    ----------
    ping : Ping
        What its direct sound told; without a bearing the whole circle is searched.
    segment : Segment
        Samples of the ping's channels [Pa].
    noise_density : ndarray, shape (n_channels,)
        One-sided [Pa^2/Hz].
    burst : Burst
        By the pinger's data sheet.
    site : SiteSketch
        What the crew knows of the water.
    last : EchoFix, optional
        The pinger's place by an earlier ping: it is looked for there first.
    """
    pool = site.pool
    if not pool.is_convex:
        return replace(ping, echoes=EchoFix(False, "echoes are used of convex pools with one floor only"))
    depth, depth_sd = _depth(ping, pool)
    if not np.isfinite(depth):
        return replace(ping, echoes=EchoFix(False, "neither the pinger's depth nor a floor is known"))
    faces = site_faces(pool)
    known = SiteKnowledge(
        faces,
        faces_sd(pool, faces),
        ping.hydrophones_m,
        ping.tolerances_m,
        ping.skew_sd_s,
        ping.pose,
        ping.sound_speed_m_s,
        ping.sound_speed_sd_m_s,
        burst,
        depth,
        depth_sd,
    )
    if np.any(faces.normals @ known.middle_m < faces.offsets_m):
        return replace(ping, echoes=EchoFix(False, "by its pose the array is out of the water of the site sketch"))
    start = float(np.asarray(segment.start_s))
    try:
        fix = locate_by_echoes(
            segment,
            known,
            noise_density=noise_density,
            onset_s=ping.time_s - start,
            bearings=_bearings(ping),
            places_m=np.array([s.position_m for s in site.stations]).reshape(-1, 3),
            region=None if last is None else _about(last, known),
        )
    except TooManyImages as why:  # in a film of water echoes are beyond counting
        return replace(ping, echoes=EchoFix(False, str(why)))
    return replace(ping, echoes=fix)


def _about(last: EchoFix, known: SiteKnowledge) -> SearchRegion:
    """Where the pinger is by an earlier ping, the own place at either known as well as at the other."""
    mode = last.modes[0]
    own = 2.0 * float(known.own_sd[0]) ** 2 + _DRIFT_SD_M**2
    return SearchRegion(mode.position_m[:2], mode.covariance_m2[:2, :2] + own * np.eye(2))


def _depth(ping: Ping, pool: PoolShape) -> tuple[float, float]:
    """What is known of the pinger's depth and its standard deviation [m]."""
    if ping.depth_m is not None and ping.depth_sd_m is not None:
        return ping.depth_m, max(ping.depth_sd_m, _LEAST_DEPTH_SD_M)
    water = float(pool.floor_depth_m(np.array(pool.middle_m)))
    return _UNKNOWN_DEPTH_SHARE * water, _UNKNOWN_DEPTH_SD_SHARE * water


def _bearings(ping: Ping) -> tuple[DirectBearing, ...]:
    """Bearings of the candidates, mirror images of one bearing once."""
    found: list[DirectBearing] = []
    for c in ping.candidates if ping.ok else ():
        if np.isfinite(c.bearing_sd) and all(abs(c.bearing - b.bearing) > _SAME_BEARING for b in found):
            found.append(DirectBearing(c.bearing, c.bearing_sd))
    return tuple(found)
