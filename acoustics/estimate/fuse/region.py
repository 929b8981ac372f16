"""Where a source may be by the pings of a run: the 95 % region of the likelihood, and the ellipse for it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.estimate.fuse.model import FusionProblem
from acoustics.estimate.fuse.profile import FINER, KEPT, RISE, Profile, follow_profile, inside, refined, slack
from acoustics.estimate.fuse.run import half_planes

_STRAIGHT = 0.02  # with an sd of so small a share of the distance the cost is a parabola over all of the region
_RUNS_AT_ONCE = 400
_LEAST_M2 = 1e-12


@dataclass(frozen=True)
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
        found = _summary(part, follow_profile(part, state[rows], weight[rows], outline), outline)
        for name, values in vars(region).items():
            values[rows] = getattr(found, name)
    return region


def _straight(problem: FusionProblem, state: Floats, covariance: Floats) -> Region:
    """The region to first order."""
    away = state[:, :3] - _last_heard(problem)
    distance = np.linalg.norm(away, axis=-1)
    ray = away / np.maximum(distance, 1e-9)[:, None]
    half = np.sqrt(RISE * np.einsum("ri,rij,rj->r", ray, covariance[:, :3, :3], ray))
    reach = np.stack([np.maximum(distance - half, 0.0), distance + half], axis=-1)
    return Region(state.copy(), covariance, reach, np.zeros(len(state), dtype=bool))


def _last_heard(problem: FusionProblem) -> Floats:
    """Where the vehicle heard the last ping of each run, (r, 3)."""
    r, p = problem.heard.shape
    return problem.position[np.arange(r), np.max(np.where(problem.heard, np.arange(p), 0), axis=1)]


def _summary(problem: FusionProblem, coarse: Profile, outline: tuple[Floats, Floats]) -> Region:
    profile = refined(coarse)
    place = profile.state[..., :2]
    width = 0.5 * (np.diff(profile.along, axis=0, prepend=profile.along[:1]))
    width[:-1] += width[1:]
    wet = inside(place, outline)
    dry = np.sum(wet & (width > 0), axis=0) < FINER  # hardly in the water at all: the outline is no help
    wet |= dry
    room = RISE - (profile.cost - np.where(wet, profile.cost, np.inf).min(axis=0))
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
    covariance = _positive(spread * (4.0 / RISE) + profile.rest)
    distance = np.linalg.norm(profile.state[..., :3] - _last_heard(problem), axis=-1)
    nearest = np.where(part_of, distance, np.inf).min(axis=0)
    farthest = np.where(part_of, distance, 0.0).max(axis=0)
    endless = part_of[0] | part_of[-1]
    return Region(mean, covariance, np.stack([nearest, np.where(endless, np.inf, farthest)], axis=-1), dry)


def _positive(covariance: Floats) -> Floats:
    """Symmetric, and of positive eigenvalues where rounding left others."""
    size, axes = np.linalg.eigh(0.5 * (covariance + transposed(covariance)))
    return (axes * np.maximum(size, _LEAST_M2)[..., None, :]) @ transposed(axes)
