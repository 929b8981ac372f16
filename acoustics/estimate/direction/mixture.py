"""Every direction that fits a ping: one for each vector of integers, with the unknown distance integrated out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats, array_rank, direction, wrap_angle
from acoustics.base.least_squares import inverse_factor
from acoustics.estimate.direction.bearing import BEARING_UNSEEN, LARGEST_USEFUL_BEARING_SD, Bearing, estimate_bearing
from acoustics.estimate.direction.cone import DepressionPrior, over_the_cone
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import curvature_covariance, difference_matrix, element_covariance

# Distances are told apart where their curvatures differ by so many standard deviations of the delays.
_CELL_SD = 1.5
_MOST_CELLS, _MOST_CELLS_OF_A_LINE = 32, 8
# A wave this little curved, in standard deviations of the delays, is plane.
_PLANE = 0.05
# Nearer together than this, in standard deviations of their difference, two directions are one.
_SAME = 2.0


@dataclass(frozen=True)
class DirectionMixture:
    """Directions of pings, for each of j vectors of integers two candidates as `Bearing` has them; batch shape (...).

    Parameters
    ----------
    weight : ndarray, shape (..., j, 2)
        Probability of each; their sum is 1.
    log_evidence : ndarray, shape (...)
        Logarithm of what the weights are shares of, the same for all delays of one covariance up to a constant.
    bearing, depression : ndarray, shape (..., j, 2)
        Means [rad].
    covariance : ndarray, shape (..., j, 2, 2, 2)
        Of bearing and depression, that of the unknown distance included [rad^2].
    depression_share : ndarray, shape (..., j, 2)
        As `Bearing` has it; 0 where there is none.
    p_value : ndarray, shape (..., j)
        Probability of residuals at least as large, at the distance that fits best.
    observes : {"line", "plane", "volume"}
        As `Bearing` has it.
    ok : ndarray of bool, shape (...)
        Whether the bearing of the likeliest vector may be used.
    reason : ndarray of str, shape (...)
        Why not, or a remark.
    """

    weight: Floats
    log_evidence: Floats
    bearing: Floats
    depression: Floats
    covariance: Floats
    depression_share: Floats
    p_value: Floats
    observes: str
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]


def direction_mixture(
    alternatives: Tdoa,
    build_up_misfit: Floats,
    hydrophones_m: Floats,
    sound_speed_m_s: float,
    prior: DepressionPrior,
    *,
    sound_speed_sd_m_s: float,
    element_sd_m: ArrayLike,
    most_cells: int = _MOST_CELLS,
) -> DirectionMixture:
    """Directions of pings by each vector of their integers, weighed by phases, build-up and what is known beforehand.

    Parameters
    ----------
    alternatives : Tdoa
        A ping's delays with each vector added, shape (..., j, k), and one covariance (k, k) of all.
    build_up_misfit : ndarray, shape (..., j)
        Drop of twice the log likelihood of the build-up.
    hydrophones_m : ndarray, shape (n, 3)
        From their centre [m].
    sound_speed_m_s, sound_speed_sd_m_s : float
        Assumed, and standard deviation [m/s].
    prior : DepressionPrior
        Of the distance and the depression. What is known of the depth may be another at each ping, shape (..., 1, 1).
    element_sd_m : array_like
        As `estimate_bearing` takes it.
    most_cells : int
        Into which the distances are divided; with one the weights are rough, and quick to have.

    Notes
    -----
    One over the distance is divided into cells narrower than the delays tell it, each with its mean and deviation under
    the prior; a small array far from the nearest source needs one, or none. Within a cell the distance is a nuisance
    to first order. The evidence of cells and vectors is the likelihood integrated over directions (Laplace's
    approximation) times the prior's mean over the normal distribution that is left. Mirror images keep equal shares:
    which side the pinger is on is left to the crew.
    """
    batch = alternatives.tdoa_s.shape[:-1]
    cells = _range_cells(alternatives, hydrophones_m, sound_speed_m_s, prior, element_sd_m, most_cells)
    g = len(cells.curvature)
    plane = g == 1 and cells.curvature[0] == 0.0
    found = estimate_bearing(
        Tdoa(np.repeat(alternatives.tdoa_s[..., None, :], g, -2), alternatives.covariance_s2, alternatives.reference),
        hydrophones_m,
        sound_speed_m_s,
        range_m=None if plane else np.broadcast_to(1.0 / cells.curvature, (*batch, g)),
        curvature_sd_per_m=0.0 if plane else np.broadcast_to(cells.curvature_sd, (*batch, g)),
        sound_speed_sd_m_s=sound_speed_sd_m_s,
        element_sd_m=element_sd_m,
    )
    nearest, farthest = (ends.reshape((1,) * len(batch) + (g,)) for ends in (cells.nearest_m, cells.farthest_m))
    within = replace(prior, nearest_m=nearest, farthest_m=farthest)
    if found.observes == "line":
        found = over_the_cone(found, within)
        log_weight = found.log_evidence
    else:
        log_weight = found.log_evidence + np.log(_mean_density(found, within))
    log_weight = np.where(np.isfinite(log_weight), log_weight, -np.inf) - 0.5 * build_up_misfit[..., None, None]
    largest = log_weight.max(axis=(-3, -2, -1))
    return _over_distances(*_aligned(found, np.exp(log_weight - largest[..., None, None, None])), largest)


@dataclass(frozen=True)
class _RangeCells:
    """Parts of the interval of distances, shape (g,): its ends [m], and mean and deviation of one over it [1/m]."""

    nearest_m: Floats
    farthest_m: Floats
    curvature: Floats
    curvature_sd: Floats


def _range_cells(
    alternatives: Tdoa, hydrophones_m: Floats, speed: float, prior: DepressionPrior, element_sd_m: ArrayLike, most: int
) -> _RangeCells:
    """Cells of the prior's distances, so many as the delays can tell; one of no curvature where they tell none."""
    nearest, farthest = float(prior.nearest_m), float(prior.farthest_m)
    n = len(hydrophones_m)
    differences = difference_matrix(n, alternatives.reference)
    elements = element_covariance(element_sd_m, n, alternatives.reference) / speed**2
    whitener = inverse_factor(alternatives.covariance_s2 + elements)
    # Of a deviation of one metre to the minus first, the mean over directions.
    bent = differences @ curvature_covariance(hydrophones_m, speed, 0.5) @ differences.T
    steepness = float(np.sqrt(np.linalg.eigvalsh(whitener @ bent @ whitener.T)[-1]))
    total = 1.0 / nearest - 1.0 / farthest
    if steepness * total < _PLANE:
        return _RangeCells(np.array([nearest]), np.array([farthest]), np.zeros(1), np.zeros(1))
    most = most if array_rank(hydrophones_m) > 1 else min(most, _MOST_CELLS_OF_A_LINE)
    edges = np.linspace(1.0 / farthest, 1.0 / nearest, int(np.clip(np.ceil(steepness * total / _CELL_SD), 1, most)) + 1)
    low, high = edges[:-1], edges[1:]
    mass = np.log(high / low)
    mean = (high - low) / mass
    square = 0.5 * (high**2 - low**2) / mass
    return _RangeCells(1.0 / high, 1.0 / low, mean, np.sqrt(np.maximum(square - mean**2, 0.0)))


def _mean_density(found: Bearing, prior: DepressionPrior) -> Floats:
    """Mean of the prior over the normal distribution of each candidate, shape (..., j, g, 2), by nine points.

    Mirror images in the plane of the array get the mean of both. 1 where there is no such candidate.
    """
    some = np.isfinite(found.log_evidence)
    shape = some.shape
    bearing, depression = found.bearing[some], found.depression[some]
    strength, axes = np.linalg.eigh(found.covariance[some])
    points = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
    share = np.array([1.0, 4.0, 1.0]) / 6.0
    steps = np.stack(np.meshgrid(points, points, indexing="ij"), axis=-1).reshape(-1, 2)
    turned = (axes * np.sqrt(np.maximum(strength, 0.0))[..., None, :]) @ steps.T  # (candidates, 2, 9)
    units = direction(bearing[:, None] + turned[:, 0], depression[:, None] + turned[:, 1])
    density = np.ones(shape)
    density[some] = _of_each(prior, some).density(units) @ np.outer(share, share).ravel()
    if found.observes == "volume":
        return density
    return np.broadcast_to(density.mean(axis=-1, keepdims=True), density.shape)


def _of_each(prior: DepressionPrior, some: NDArray[np.bool_]) -> DepressionPrior:
    """The prior with what differs along the leading axes of a mask laid out flat, for where that is true."""

    def each(value: float | Floats) -> Floats:
        leading = np.reshape(value, np.shape(value) + (1,) * (some.ndim - np.ndim(value)))
        return np.broadcast_to(leading, some.shape)[some]

    below = None if prior.below_m is None else each(prior.below_m)
    return replace(prior, below_m=below, nearest_m=each(prior.nearest_m), farthest_m=each(prior.farthest_m))


def _aligned(found: Bearing, weight: Floats) -> tuple[Bearing, Floats]:
    """The answers with the two minima of a volume in one order at all distances, as at the likeliest, and weights.

    Where there is but one minimum, what stands for the second is the same direction, and rounding would choose.
    """
    if found.observes != "volume":
        return found, weight
    units, two = direction(found.bearing, found.depression), np.isfinite(found.log_evidence[..., 1])
    top = np.argmax(weight.sum(axis=-1), axis=-1)[..., None]
    near = units @ np.swapaxes(np.take_along_axis(units, top[..., None, None], axis=-3), -1, -2)
    here, there = two.astype(float), np.take_along_axis(two, top, axis=-1).astype(float)
    kept = near[..., 0, 0] + here * there * near[..., 1, 1]  # cosines, (..., j, g)
    turned = (here + there > 0) & (kept < there * near[..., 0, 1] + here * near[..., 1, 0])
    order = np.where(turned[..., None], [1, 0], [0, 1])
    return replace(
        found,
        bearing=np.take_along_axis(found.bearing, order, axis=-1),
        depression=np.take_along_axis(found.depression, order, axis=-1),
        covariance=np.take_along_axis(found.covariance, order[..., None, None], axis=-3),
    ), np.take_along_axis(weight, order, axis=-1)


def _over_distances(found: Bearing, weight: Floats, log_unit: Floats) -> DirectionMixture:
    """The mixture over the cells of distance, weights (..., j, g, 2) in units of (...), by moments for each vector and
    candidate."""
    total = weight.sum(axis=-2)
    some = total[..., None, :] > 0
    share = np.where(some, weight / np.maximum(total[..., None, :], 1e-300), 1.0 / weight.shape[-2])
    top = np.argmax(share, axis=-2)[..., None, :]
    pick = np.take_along_axis(found.bearing, top, axis=-2)
    off = wrap_angle(found.bearing - pick)
    bearing = np.sum(share * off, axis=-2)
    depression = np.sum(share * found.depression, axis=-2)
    apart = np.stack([off - bearing[..., None, :], found.depression - depression[..., None, :]], axis=-1)
    spread = found.covariance + apart[..., :, None] * apart[..., None, :]
    covariance = np.sum(share[..., None, None] * spread, axis=-4)
    along = np.zeros_like(share) if found.depression_share is None else found.depression_share
    of_depression = np.sum(share * along * found.covariance[..., 0, 0], axis=-2) / covariance[..., 0, 0]
    of_cells = weight.sum(axis=-1)
    leads = np.argmax(of_cells.reshape(*of_cells.shape[:-2], -1), axis=-1)[..., None]
    first = leads // weight.shape[-2]
    variance = np.take_along_axis(covariance[..., 0, 0], first[..., None], axis=-2)[..., 0, :]
    if found.observes == "volume":
        heavier = np.argmax(np.take_along_axis(total, first[..., None], axis=-2)[..., 0, :], axis=-1)
        variance = np.take_along_axis(variance, heavier[..., None], axis=-1)
    unseen = variance.min(axis=-1) > LARGEST_USEFUL_BEARING_SD**2
    ok, reason = (
        np.take_along_axis(of.reshape(*of_cells.shape[:-2], -1), leads, -1)[..., 0] for of in (found.ok, found.reason)
    )
    return DirectionMixture(
        weight=total / total.sum(axis=(-2, -1), keepdims=True),
        log_evidence=log_unit + np.log(total.sum(axis=(-2, -1))),
        bearing=wrap_angle(pick[..., 0, :] + bearing),
        depression=depression,
        covariance=covariance,
        depression_share=of_depression,
        p_value=found.p_value.max(axis=-1),
        observes=found.observes,
        ok=ok & ~unseen,
        reason=np.where(unseen, BEARING_UNSEEN, reason),
    )


@dataclass(frozen=True)
class MergedDirection:
    """Directions that say the same as one: `members` are (vector, candidate) of a mixture, the likeliest first."""

    weight: float
    bearing: float
    depression: float
    covariance: Floats
    depression_share: float
    members: tuple[tuple[int, int], ...]


def merged_directions(mixture: DirectionMixture, least_weight: float) -> tuple[MergedDirection, ...]:
    """One ping's directions of at least some weight, those that agree within their deviations joined, the likeliest
    first.

    Mirror images stay apart, and stand next to each other.
    """
    falling = np.argsort(-mixture.weight, axis=None, kind="stable")
    falling = falling[mixture.weight.flat[falling] >= 1e-2 * least_weight]
    vector, side = np.unravel_index(falling, mixture.weight.shape)
    same = _same(mixture, vector, side)
    groups: list[list[int]] = []
    for k in range(len(falling)):
        fits = next((g for g in groups if same[g[0], k]), None)
        if fits is None:
            groups.append([k])
        else:
            fits.append(k)
    places = list(zip(vector.tolist(), side.tolist(), strict=True))
    found = [_joined(mixture, tuple(places[k] for k in group)) for group in groups]
    found.sort(key=lambda m: -m.weight)
    ordered: list[MergedDirection] = []
    while found:
        head = found.pop(0)
        mirror = (head.members[0][0], 1 - head.members[0][1])
        ordered += [head, *[m for m in found if mirror in m.members]]
        found = [m for m in found if mirror not in m.members]
    return tuple(m for k, m in enumerate(ordered) if k == 0 or m.weight >= least_weight)


def _same(mixture: DirectionMixture, vector: NDArray[np.intp], side: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of m directions agree within their deviations, shape (m, m)."""
    bearing, depression, covariance = (
        values[vector, side] for values in (mixture.bearing, mixture.depression, mixture.covariance)
    )
    turn, tilt = wrap_angle(bearing[:, None] - bearing), depression[:, None] - depression
    spread = covariance[:, None] + covariance + 1e-12 * np.eye(2)
    a, b, d = spread[..., 0, 0], spread[..., 0, 1], spread[..., 1, 1]
    near = d * turn**2 - 2.0 * b * turn * tilt + a * tilt**2 < _SAME**2 * (a * d - b**2)
    return near if mixture.observes == "volume" else near & (side[:, None] == side)


def _joined(mixture: DirectionMixture, members: tuple[tuple[int, int], ...]) -> MergedDirection:
    """One direction with the moments of its members."""
    at = tuple(np.array(members).T)
    weight = mixture.weight[at]
    share = weight / weight.sum()
    off = wrap_angle(mixture.bearing[at] - mixture.bearing[members[0]])
    middle, depression = float(share @ off), float(share @ mixture.depression[at])
    apart = np.stack([off - middle, mixture.depression[at] - depression], axis=-1)
    covariance = np.einsum("m,mij->ij", share, mixture.covariance[at] + apart[:, :, None] * apart[:, None, :])
    own = share @ (mixture.depression_share[at] * mixture.covariance[at][:, 0, 0])
    return MergedDirection(
        float(weight.sum()),
        float(wrap_angle(mixture.bearing[members[0]] + middle)),
        depression,
        covariance,
        float(own / covariance[0, 0]),
        members,
    )
