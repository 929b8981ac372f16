"""Where a source may be by the pings of a run: the 95 % region of the likelihood, and the ellipse for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.polygons import HalfPlanes, half_planes, inside_all, slack
from acoustics.base.record import record
from acoustics.estimate.fuse.information import information, solved
from acoustics.estimate.fuse.model import FusionProblem, linearise
from acoustics.physics.direct_rays import direct_rays

KEPT = 4  # of the state: the source's place and the heading's lasting error
# Of the cost, up to which a place belongs to the region; decides accuracy: its row is in benchmarks/constants.py
_RISE = float(chdtri(2.0, 0.05))
_FINER = 8  # points between two steps; flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
# The profile is followed somewhat past the region's end;
# flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_BEYOND = 1.0
_FIRST_STEP_SD = 0.5  # flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
# Of the distance; a step is never longer than twice that;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_STEP_SHARE = 0.15
_MOST_STEPS = 24
_MOST_CORRECTIONS = 4
_SHORTER, _MOST_SHORTER = 0.1, 8  # a step of a hundred kilometres ends as one of a millimetre
# Of the cost: a correction that promises less is not made;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_SETTLED = 0.02
# With an sd of so small a share of the distance the cost is a parabola over all of the region;
# flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_STRAIGHT = 0.02
_RUNS_AT_ONCE = 400
_LEAST_MODE = 0.05  # share of one whose nearest and farthest places count: a region of 95 % can do without the others
_SAME_RAY = 1e-3  # between directions that are of one ray [rad]
_LEAST_M2 = 1e-12  # flat: halved or doubled, no accuracy moves (benchmarks/constants.py)


@record
class Region:
    """What stands for the regions of r runs.

    `mean`, (r, 4), and `covariance`, (r, 4, 4), of the source's place and the heading's error: seen from above the
    95 % ellipse has the centre and the moments of the region. `reach_m`, (r, 2): the nearest and the
    farthest place of the region's profile from the last pose that heard a ping, infinite where no end was found. `dry`,
    (r,): the outline of the water holds next to nothing of the region and was left out of account.
    """

    mean: Floats
    covariance: Floats
    reach_m: Floats
    dry: NDArray[np.bool_]


def confidence_region(problem: FusionProblem, state: Floats, covariance: Floats, weight: Floats) -> Region:
    """The region of a run whose cost exceeds the least by no more than the quantile of chi-square with 2 degrees.

    Parameters
    ----------
    problem : FusionProblem
        The r runs. Where the source's area has an outline, the region ends there and the broad normal distribution is
        left out.
    state, covariance : ndarray, shape (r, size) and (r, size, size)
        States of least cost, and the inverse of the information there.
    weight : ndarray, shape (r, n_pings)
        Weights of the pings.

    Notes
    -----
    Where the range is poorly observed the cost is far from a parabola, steep towards the poses and flat away from
    them, and an ellipse from the curvature at its minimum is too short and in the wrong place. The likelihood ratio
    keeps its coverage there (Bates and Watts 1988, Nonlinear Regression Analysis and Its Applications, chapter 6): all
    other unknowns are fitted again at each place along the profile of least cost, which starts along the longest axis
    of
    the ellipse; across it the cost is taken as a parabola.
    """
    covariance = covariance[:, :KEPT, :KEPT]
    region = _straight(problem, state[:, :KEPT], 0.5 * (covariance + transposed(covariance)))
    distance = np.linalg.norm(state[:, None, :3] - problem.position, axis=-1).min(axis=-1)
    length = np.sqrt(np.linalg.eigvalsh(region.covariance[:, :2, :2])[:, -1])
    long = np.flatnonzero(problem.heard.any(axis=-1) & (length > _STRAIGHT * distance))
    if problem.area is not None and problem.area.outline_m is not None:
        outline = half_planes(problem.area.outline_m)
        problem = replace(problem, area=None)
    else:
        outline = np.zeros((0, 2)), np.zeros(0)
    for low in range(0, len(long), _RUNS_AT_ONCE):
        rows = long[low : low + _RUNS_AT_ONCE]
        part = problem.subset(rows)
        found = _summary(part, _follow_profile(part, state[rows], weight[rows], outline), outline)
        for name, values in vars(region).items():
            values[rows] = getattr(found, name)
    return region


def region_of_modes(region: Region, covariance: Floats, of: NDArray[np.intp], weight: Floats) -> tuple[Region, Floats]:
    """One region for the modes of each run that have a weight, by their moments; the first mode of a run leads.

    `of`, (m,), rising: the run of each mode.
    """
    first = np.searchsorted(of, np.arange(of[-1] + 1))
    share = weight / np.add.reduceat(weight, first)[of]

    def mean(values: Floats) -> Floats:
        return np.add.reduceat(share.reshape(-1, *(1,) * (values.ndim - 1)) * values, first)

    middle = mean(region.mean)
    off = region.mean - middle[of]
    spread = mean(covariance + off[:, :, None] * off[:, None, :])
    reach = np.where((share >= _LEAST_MODE)[:, None], region.reach_m, region.reach_m[first][of])
    ends = [np.minimum.reduceat(reach[:, 0], first), np.maximum.reduceat(reach[:, 1], first)]
    return Region(middle, spread, np.stack(ends, axis=-1), region.dry[first]), spread


def _straight(problem: FusionProblem, state: Floats, covariance: Floats) -> Region:
    """The region to first order."""
    away = state[:, :3] - _last_heard(problem)
    distance = np.linalg.norm(away, axis=-1)
    ray = away / np.maximum(distance, 1e-9)[:, None]
    half = np.sqrt(_RISE * np.einsum("ri,rij,rj->r", ray, covariance[:, :3, :3], ray))
    reach = np.stack([np.maximum(distance - half, 0.0), distance + half], axis=-1)
    return Region(state.copy(), covariance, reach, np.zeros(len(state), dtype=bool))


def _last_heard(problem: FusionProblem) -> Floats:
    """Where the vehicle heard the last ping of each run, (r, 3)."""
    r, p = problem.heard.shape
    return problem.position[np.arange(r), np.max(np.where(problem.heard, np.arange(p), 0), axis=1)]


def _summary(problem: FusionProblem, coarse: Profile, outline: HalfPlanes) -> Region:
    profile = _refined(coarse)
    place = profile.state[..., :2]
    width = 0.5 * (np.diff(profile.along, axis=0, prepend=profile.along[:1]))
    width[:-1] += width[1:]
    wet = inside_all(place, outline)
    dry = np.sum(wet & (width > 0), axis=0) < _FINER  # hardly in the water at all: the outline is no help
    wet |= dry
    room = _RISE - (profile.cost - np.where(wet, profile.cost, np.inf).min(axis=0))
    part_of = wet & (room > 0)
    reach = profile.sd_across * np.sqrt(np.where(part_of, room, 0.0))
    low, high = -reach, reach.copy()
    lean_on = np.einsum("fi,ri->fr", outline[0], profile.across)
    for gap, lean in zip(slack(place, outline), lean_on, strict=True):
        limit = np.maximum(gap, 0.0) / np.where(np.abs(lean) < 1e-9, 1e-9, np.abs(lean))
        high = np.where((lean > 1e-9) & ~dry, np.minimum(high, limit), high)
        low = np.where((lean < -1e-9) & ~dry, np.maximum(low, -limit), low)
    share = (high - low) * width
    share = share / share.sum(axis=0)
    centre = profile.state + profile.swing * (0.5 * (high + low))[..., None]
    mean = np.einsum("kr,kri->ri", share, centre)
    away = centre - mean
    spread = np.einsum("kr,kri,krj->rij", share, away, away)
    spread += np.einsum("kr,kri,krj->rij", share * (high - low) ** 2 / 12.0, profile.swing, profile.swing)
    # An ellipse evenly filled has semi-axes of twice its standard deviations.
    covariance = _positive(spread * (4.0 / _RISE) + profile.rest)
    distance = np.linalg.norm(profile.state[..., :3] - _last_heard(problem), axis=-1)
    nearest = np.where(part_of, distance, np.inf).min(axis=0)
    farthest = np.where(part_of, distance, 0.0).max(axis=0)
    endless = part_of[0] | part_of[-1]
    return Region(mean, covariance, np.stack([nearest, np.where(endless, np.inf, farthest)], axis=-1), dry)


def _positive(covariance: Floats) -> Floats:
    """Symmetric, and of positive eigenvalues where rounding left others."""
    size, axes = np.linalg.eigh(0.5 * (covariance + transposed(covariance)))
    return (axes * np.maximum(size, _LEAST_M2)[..., None, :]) @ transposed(axes)


@record
class Profile:
    """Along the profile, k nodes of r runs: horizontal coordinate along and its unit vectors, (r, 2); least cost there
    and its slope; what is kept of the state; standard deviation across, and how the state moves with it."""

    along: Floats  # (k, r)
    cost: Floats  # (k, r)
    slope: Floats  # (k, r)
    state: Floats  # (k, r, 4)
    sd_across: Floats  # (k, r)
    swing: Floats  # (k, r, 4)
    across: Floats  # (r, 2)
    rest: Floats  # (r, 4, 4), covariance of what is kept, given the horizontal place


@record
class _Node:
    """The model at states (m, size) of given horizontal coordinate along a direction."""

    cost: Floats
    slope: Floats
    sd_across: Floats
    swing: Floats
    rest: Floats
    tangent: Floats  # of the profile, (m, size) by the coordinate
    correction: Floats  # (m, size), towards the least cost at the same coordinate
    gain: Floats  # that the correction promises


def _follow_profile(problem: FusionProblem, state: Floats, weight: Floats, outline: HalfPlanes) -> Profile:
    """Both ways along the profile until the cost has risen enough, the water ends, or the steps do."""
    r = len(state)
    told = information(problem, linearise(problem, state), state, weight)
    size, axes = np.linalg.eigh(np.linalg.inv(told.matrix)[:, :2, :2])
    across, along = axes[..., 0], axes[..., 1]
    state, first = _settled(problem, state, weight, along, across)
    middle = problem.position[..., :2].mean(axis=1)

    def longest(place: Floats, runs: NDArray[np.intp]) -> Floats:
        return _STEP_SHARE * (np.linalg.norm(place - middle[runs], axis=-1) + 0.1)

    # Both directions at once, as 2 r runs of which some come to an end.
    run, sign = np.tile(np.arange(r), 2), np.repeat([-1.0, 1.0], r)
    rows, x = np.arange(2 * r), state[run]
    stride = np.minimum(_FIRST_STEP_SD * np.sqrt(size[:, 1]), longest(state[:, :2], np.arange(r)))[run]
    node = _Node(*(getattr(first, name)[run] for name in _Node.__annotations__))
    coordinate = np.zeros(2 * r)
    wet = inside_all(x[:, :2], outline)
    least = np.where(wet, node.cost, np.inf)[:r]
    taken: list[list[Floats]] = [[coordinate, node.cost, node.slope, x[:, :KEPT], node.sd_across, node.swing]]
    for _ in range(_MOST_STEPS):
        forward = sign[rows] * stride
        coordinate = coordinate + forward
        step = node.tangent * forward[:, None]
        steepest = longest(x[:, :2], run[rows])  # a depth that the pings hardly observe may seem to run away
        step[:, 2] = np.clip(step[:, 2], -steepest, steepest)
        x = x + step
        before, was_wet = node.cost, wet
        of = run[rows]
        x, node = _settled(problem.subset(of), x, weight[of], along[of], across[of])
        new = (coordinate, node.cost, node.slope, x[:, :KEPT], node.sd_across, node.swing)
        taken.append([_placed(old, rows, value) for old, value in zip(taken[-1], new, strict=True)])
        wet = inside_all(x[:, :2], outline)
        np.minimum.at(least, of[wet], node.cost[wet])
        rise = np.maximum(np.abs(node.cost - before), 1e-3)
        stride = np.minimum(stride * np.clip(1.0 / np.sqrt(rise), 0.5, 1.5), 2.0 * longest(x[:, :2], of))
        lowest = np.where(np.isfinite(least), least, first.cost)[of]
        left = np.flatnonzero((node.cost < lowest + _RISE + _BEYOND) & (wet | ~was_wet))
        if left.size == 0:
            break
        rows, x, stride, coordinate, wet = rows[left], x[left], stride[left], coordinate[left], wet[left]
        node = _Node(*(getattr(node, name)[left] for name in _Node.__annotations__))
    columns = [np.array(values) for values in zip(*taken, strict=True)]
    joined = [np.concatenate([values[:0:-1, :r], values[:, r:]]) for values in columns]
    along_ridge = dict(zip(("along", "cost", "slope", "state", "sd_across", "swing"), joined, strict=True))
    return Profile(**along_ridge, across=across, rest=first.rest)


def _placed(old: Floats, rows: NDArray[np.intp], new: Floats) -> Floats:
    values = old.copy()
    values[rows] = new
    return values


def _settled(
    problem: FusionProblem, state: Floats, weight: Floats, along: Floats, across: Floats
) -> tuple[Floats, _Node]:
    """States moved onto the profile, their coordinate along it kept, and the model there.

    A correction that raises the cost is made shorter: one leads far away where the pings hardly observe the depth.
    """
    state = state.copy()
    node = _node(problem, state, weight, along, across)
    share, left = np.ones(len(state)), np.full(len(state), _MOST_CORRECTIONS)
    for _ in range(_MOST_CORRECTIONS + _MOST_SHORTER):
        off = np.flatnonzero((node.gain > _SETTLED) & (left > 0))
        if off.size == 0:
            break
        moved = state[off] + share[off, None] * node.correction[off]
        again = _node(problem.subset(off), moved, weight[off], along[off], across[off])
        better = again.cost < node.cost[off]
        share[off] = np.where(better, 1.0, _SHORTER * share[off])
        left[off[better]] -= 1
        state[off[better]] = moved[better]
        for name, values in vars(node).items():
            values[off[better]] = getattr(again, name)[better]
    return state, node


def _node(problem: FusionProblem, state: Floats, weight: Floats, along: Floats, across: Floats) -> _Node:
    told = information(problem, linearise(problem, state), state, weight)
    m, size = state.shape
    sides = np.zeros((m, size, 1 + KEPT))
    sides[..., 0] = told.downhill
    sides[:, range(KEPT), range(1, 1 + KEPT)] = 1.0
    found = solved(told.rows, told.source, np.ones(m), sides)
    step, columns = found[..., 0], found[..., 1:]
    cross = np.einsum("msi,mi->ms", columns[..., :2], along)
    variance = np.einsum("mi,mi->m", cross[:, :2], along)
    tangent = cross / variance[:, None]
    forward = np.einsum("mi,mi->m", step[:, :2], along)
    flat = columns[:, :2, :2]
    by_place = columns[:, :KEPT, :2] @ np.linalg.inv(flat)
    sideways = (
        np.einsum("mi,mij,mj->m", across, flat, across) - np.einsum("mi,mi->m", cross[:, :2], across) ** 2 / variance
    )
    return _Node(
        cost=told.cost,
        # At the least cost for a given coordinate all of the gradient is along it.
        slope=-2.0 * forward / variance,
        sd_across=np.sqrt(np.maximum(sideways, 1e-12)),
        swing=np.einsum("mij,mj->mi", by_place, across),
        rest=np.asarray(columns[:, :KEPT, :] - by_place @ columns[:, :2, :]),
        tangent=tangent,
        correction=step - tangent * forward[:, None],
        gain=np.einsum("ms,ms->m", told.downhill, step) - forward**2 / variance,
    )


def _refined(profile: Profile) -> Profile:
    """Points between the nodes: cubic in the cost, whose slope is known, and linear in the rest."""
    share = np.arange(_FINER) / _FINER

    def finer(values: Floats) -> Floats:
        t = share.reshape(1, -1, *(1,) * (values.ndim - 1))
        between = values[:-1, None] + t * np.diff(values, axis=0)[:, None]
        return np.concatenate([between.reshape(-1, *values.shape[1:]), values[-1:]])

    gap = np.diff(profile.along, axis=0)[:, None]
    t = share[None, :, None]
    low, high, rise, fall = (
        profile.cost[:-1, None],
        profile.cost[1:, None],
        profile.slope[:-1, None],
        profile.slope[1:, None],
    )
    cost = (1 + 2 * t) * (1 - t) ** 2 * low + t**2 * (3 - 2 * t) * high
    cost = cost + gap * (t * (1 - t) ** 2 * rise - t**2 * (1 - t) * fall)
    return replace(
        profile,
        **{name: finer(getattr(profile, name)) for name in ("along", "slope", "state", "sd_across", "swing")},
        cost=np.concatenate([cost.reshape(-1, cost.shape[-1]), profile.cost[-1:]]),
    )


def come_first(problem: FusionProblem, place: Floats) -> NDArray[np.bool_]:
    """Whether the rays that the fit follows from places (r, 3) are the first to come to the pings' poses, (r, p)."""
    if problem.profile is None:
        return np.ones(problem.heard.shape, dtype=bool)
    first, taken = (
        direct_rays(problem.profile, problem.position, place[:, None], search=search) for search in (True, False)
    )
    apart = np.abs(first.apparent_m - taken.apparent_m)[..., 2]
    return first.reached & (apart < _SAME_RAY * np.linalg.norm(problem.position - place[:, None], axis=-1))
