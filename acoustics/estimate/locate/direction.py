"""Directions and positions of pings from their delays."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace

import numpy as np

from acoustics.base.frames import (
    Floats,
    Pose,
    bearing_and_depression,
    direction,
    direction_jacobian,
    principal_axes,
)
from acoustics.base.record import record
from acoustics.estimate.direction import (
    FARTHEST_M,
    MISFIT_P,
    NEAREST_M,
    DepressionPrior,
    DirectionMixture,
    DirectionQuestion,
    MergedDirection,
    direction_mixtures,
    merged_directions,
)
from acoustics.estimate.position import Fix, locate_source, mixed
from acoustics.estimate.tdoa import Tdoa, tdoa_of
from acoustics.io.ping import MISFIT, Candidate, IntegerAlternative, Ping
from acoustics.physics.refraction import SoundSpeedProfile

_PLANE_SD = 3.0
_LEAST_PROBABILITY = 1e-3  # of a direction that is worth telling
_LEAST_WEIGHT, _MOST_INTEGERS = 1e-3, 16  # of vectors of integers that are listed
# Of all directions: those of integers that are not listed may be any.
_DOUBTFUL = 0.05  # of all but the first from which on no position is made of that
_DECIDED = 0.5  # of the first direction, its mirror image included: under it no decision should rest on it
TWO_FIT = "a second direction fits nearly as well: no position is made of the first"
MANY_FIT = "more integers fit than are listed: no position is made of the first direction"
UNDECIDED = "no direction is worth a decision by itself: the likeliest has less than half of the weight"
EITHER_SIDE = "a line of hydrophones observes no side: the mirror image fits as well, and no position is made of either"
TOO_FLAT = "the direction may lie in the plane of the array: range is not observed"


@record
class _Unplaced:
    """A ping with its directions, and the delays (j, k) that give the first, weighed, to make a position of."""

    ping: Ping
    delays: Tdoa
    weight: Floats


def with_directions(
    pings: Sequence[Ping], *, farthest_m: float = FARTHEST_M, profile: SoundSpeedProfile | None = None
) -> list[Ping]:
    """Pings that have delays, with their directions and, where observed, their positions.

    The integers are weighed anew by what the phases say of direction and distance; the delays become those of the
    likeliest direction. No pinger is farther than `farthest_m`. A profile bends the ray where the depths of pinger and
    vehicle tell something. Directions and positions are found together, in a fraction of the time.
    """
    found = [_directed(*one) for one in zip(pings, *_mixtures(pings, farthest_m, profile), strict=True)]
    alike: dict[Hashable, list[_Unplaced]] = {}
    for one in found:
        if isinstance(one, _Unplaced):
            alike.setdefault(_what_positions_share(one.ping), []).append(one)
    placed: dict[int, Ping] = {}
    for some in alike.values():
        pings = _with_positions(some, farthest_m, profile)
        placed |= {id(one): ping for one, ping in zip(some, pings, strict=True)}
    return [placed[id(one)] if isinstance(one, _Unplaced) else one for one in found]


def _mixtures(
    pings: Sequence[Ping], farthest_m: float, profile: SoundSpeedProfile | None
) -> tuple[list[Tdoa], list[DirectionMixture]]:
    """Of each ping the delays (j, k) with each vector of integers, and the directions that fit."""
    asked, alike = [], dict[Hashable, list[int]]()
    for k, ping in enumerate(pings):
        # The direction is that from the array's centre, near or far: about the origin it would jump with the model.
        prior = _depression_prior(ping, ping.hydrophones_m.mean(axis=0), farthest_m, profile)
        asked.append(DirectionQuestion(*_alternatives(ping), ping.sound_speed_m_s, prior))
        alike.setdefault((_array_of(ping), ping.sound_speed_sd_m_s), []).append(k)
    found: dict[int, DirectionMixture] = {}
    for some in alike.values():
        ping = pings[some[0]]
        mixtures = direction_mixtures(
            [asked[k] for k in some],
            ping.hydrophones_m - ping.hydrophones_m.mean(axis=0),
            sound_speed_sd_m_s=ping.sound_speed_sd_m_s,
            element_sd_m=ping.tolerances_m,
        )
        found |= dict(zip(some, mixtures, strict=True))
    return [one.alternatives for one in asked], [found[k] for k in range(len(pings))]


def _directed(ping: Ping, alternatives: Tdoa, mixture: DirectionMixture) -> Ping | _Unplaced:
    """A ping with its directions, unplaced where a position may be made of the first."""
    merged = merged_directions(mixture, _LEAST_PROBABILITY)
    lead = merged[0].members[0][0]
    ping = _with_integers(ping, mixture.weight.sum(axis=-1), lead)
    p_value = float(mixture.p_value[lead])
    misfit = p_value < MISFIT_P
    ok = ping.ok and bool(mixture.ok) and not misfit
    # The mirror image in a plane or a line of hydrophones is no other direction: it is always there.
    share = merged[0].weight
    if mixture.observes != "volume":
        share += sum(m.weight for m in merged[1:2] if any(vector == lead for vector, _ in m.members))
    listed = 1.0 - ping.integers_left_out
    candidates = tuple(_candidate(m, mixture.observes, listed) for m in merged)
    turned = np.array([direction(c.bearing, c.depression) for c in candidates]).reshape(-1, 3)
    site = bearing_and_depression(turned @ ping.pose.pose.rotation.T)[0]
    undecided = UNDECIDED if share * listed < _DECIDED else ""
    told = replace(
        ping,
        ok=ok,
        reason=ping.reason or (MISFIT if misfit else str(mixture.reason) or undecided),
        candidates=candidates,
        p_value=p_value,
        site_bearing=tuple(site.tolist()),
    )
    unlocated = _unlocated(told, merged[0], mixture.observes, share, listed)
    if unlocated or not told.ok:
        return replace(told, position_reason=unlocated)
    vectors = [vector for vector, _ in merged[0].members]
    those = replace(alternatives, tdoa_s=alternatives.tdoa_s[vectors])
    return _Unplaced(told, those, mixture.weight[tuple(np.transpose(merged[0].members))])


def _alternatives(ping: Ping) -> tuple[Tdoa, Floats]:
    """The ping's delays with each vector of integers, (j, k), and what the build-up says of each, (j,)."""
    delays = tdoa_of(ping)
    if not ping.integers:
        return Tdoa(delays.tdoa_s[None], delays.covariance_s2, delays.reference), np.zeros(1)
    cycles = np.array([one.cycles for one in ping.integers])
    misfit = np.array([one.build_up_misfit for one in ping.integers])
    return Tdoa(delays.tdoa_s + cycles / ping.frequency_hz, delays.covariance_s2, delays.reference), misfit


def _with_integers(ping: Ping, weight: Floats, lead: int) -> Ping:
    """The ping with its vectors weighed anew, and the delays of the vector that leads."""
    if not ping.integers:
        return ping
    listed = 1.0 - ping.integers_left_out
    first = np.array(ping.integers[lead].cycles)
    order = sorted(range(len(weight)), key=lambda j: (j != lead, -weight[j]))
    kept = [j for j in order if j == lead or listed * weight[j] >= _LEAST_WEIGHT][:_MOST_INTEGERS]
    integers = tuple(
        IntegerAlternative(
            tuple((np.array(ping.integers[j].cycles) - first).tolist()),
            float(listed * weight[j]),
            ping.integers[j].build_up_misfit,
        )
        for j in kept
    )
    return replace(
        ping,
        tdoa_s=ping.tdoa_s + first / ping.frequency_hz,
        integer_probability=integers[0].weight,
        integers=integers,
        integers_left_out=float(max(1.0 - sum(one.weight for one in integers), 0.0)),
    )


def _candidate(found: MergedDirection, observes: str, listed: float) -> Candidate:
    sd = np.sqrt(np.diagonal(found.covariance))
    # On a line the depression is not observed.
    depression_sd = np.inf if observes == "line" else float(sd[1])
    return Candidate(
        found.bearing, found.depression, float(sd[0]), depression_sd, found.weight * listed, found.depression_share
    )


def _unlocated(ping: Ping, first: MergedDirection, observes: str, share: float, listed: float) -> str:
    """Why no position is made of the first direction, which has a share of the directions of the integers that are
    listed; empty where one may be.
    """
    if ping.p_value < MISFIT_P:
        return MISFIT
    if observes == "line":
        return EITHER_SIDE
    if observes == "plane" and _may_lie_in_plane(first, ping.hydrophones_m):
        return TOO_FLAT
    if share < 1.0 - _DOUBTFUL:
        return TWO_FIT
    return MANY_FIT if share * listed < 1.0 - _DOUBTFUL else ""


def _depression_prior(
    ping: Ping, centre: Floats, farthest_m: float, profile: SoundSpeedProfile | None
) -> DepressionPrior:
    """What the depths of pinger and vehicle tell of the depression; the vehicle's is known where its pose has one."""
    pose = ping.pose
    down = Pose(np.zeros(3), pose.roll, pose.pitch, 0.0).rotation[2]
    if pose.position_m[2] <= 0:
        return DepressionPrior(down, farthest_m=farthest_m)
    own = pose.position_m[2] + float(centre @ down)
    if ping.depth_m is None:
        return DepressionPrior(down, own_depth_m=own, farthest_m=farthest_m)
    below, below_sd = ping.depth_m - own, float(np.hypot(ping.depth_sd_m or 0.0, pose.depth_sd_m))
    return DepressionPrior(down, below, below_sd, own, farthest_m=farthest_m, profile=profile)


def _may_lie_in_plane(found: MergedDirection, hydrophones_m: Floats) -> bool:
    """Whether the angle out of the array's plane is within three standard deviations of none.

    What a plane array measures is the cosine of that angle, so near the plane the angle itself is far from normal,
    and a position by it and by the pinger's depth would be far off and seem sure.
    """
    normal = principal_axes(hydrophones_m)[2]
    sine = float(np.clip(abs(direction(found.bearing, found.depression) @ normal), 0.0, 1.0))
    slope = normal @ direction_jacobian(found.bearing, found.depression)
    cosine = np.sqrt(1.0 - sine**2)
    sine_sd = float(np.sqrt(slope @ found.covariance @ slope))
    return bool((1.0 - cosine) * cosine < _PLANE_SD * sine * sine_sd) or sine < 1e-9


def _aided(ping: Ping) -> bool:
    """Whether the pinger's depth aids a position: where the vehicle's own is known, that is, where its pose has one."""
    return ping.depth_m is not None and ping.pose.position_m[2] > 0


def _what_positions_share(ping: Ping) -> Hashable:
    """What pings have in common whose positions are found together."""
    attitude_sd = (ping.pose.roll_sd, ping.pose.pitch_sd) if _aided(ping) else ()
    return _array_of(ping), ping.sound_speed_sd_m_s, _aided(ping), attitude_sd


def _array_of(ping: Ping) -> Hashable:
    return ping.hydrophones_m.tobytes(), tuple(ping.tolerances_m), ping.reference


def _with_positions(found: Sequence[_Unplaced], farthest_m: float, profile: SoundSpeedProfile | None) -> list[Ping]:
    """Pings alike with the positions by their delays with each vector of integers that gives the first direction,
    weighed; or the reason why they have none."""
    pings = [one.ping for one in found]
    of = np.repeat(np.arange(len(pings)), [len(one.delays.tdoa_s) for one in found])
    # The frame stands level and heads with the vehicle, whose depth it has.
    level = [Pose(np.zeros(3), ping.pose.roll, ping.pose.pitch, 0.0).rotation for ping in pings]
    origin = np.array([[0.0, 0.0, ping.pose.position_m[2]] for ping in pings])
    arrays = np.array([ping.hydrophones_m @ r.T + o for ping, r, o in zip(pings, level, origin, strict=True)])
    first, aided = pings[0], _aided(pings[0])
    depth = np.array([(ping.depth_m or 0.0, np.hypot(ping.depth_sd_m or 0.0, ping.pose.depth_sd_m)) for ping in pings])
    covariance = np.array([one.delays.covariance_s2 for one in found])
    fixes = locate_source(
        Tdoa(np.concatenate([one.delays.tdoa_s for one in found]), covariance[of], first.reference),
        arrays[of],
        np.array([ping.sound_speed_m_s for ping in pings])[of],
        source_depth_m=depth[of, 0] if aided else None,
        source_depth_sd_m=depth[of, 1] if aided else None,
        sound_speed_sd_m_s=first.sound_speed_sd_m_s,
        element_sd_m=first.tolerances_m,
        attitude_sd=np.array([first.pose.roll_sd, first.pose.pitch_sd, 0.0]) if aided else np.zeros(3),
        pivot_m=origin[of],
        nearest_m=NEAREST_M,
        farthest_m=farthest_m,
        profile=profile if aided else None,
    )
    answers = []
    for k, one in enumerate(found):
        fix = mixed(fixes.some(np.flatnonzero(of == k)), one.weight, arrays[k])
        answers.append(_placed(one.ping, fix, origin[k], level[k]))
    return answers


def _placed(ping: Ping, fix: Fix, origin_m: Floats, level: Floats) -> Ping:
    """A ping with its position, found in a frame of that origin and rotation; or the reason why it has none."""
    if not bool(fix.ok):
        return replace(ping, position_reason=str(fix.reason))
    position = (fix.position_m - origin_m) @ level
    return replace(
        ping,
        position_m=position,
        position_covariance_m2=level.T @ fix.covariance_m2 @ level,
        position_reason=str(fix.reason),
        site_position_m=ping.pose.pose.to_site(position[None])[0],
    )
