"""Every direction that fits a ping: one for each vector of integers, with the unknown distance integrated out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats, array_rank, direction, wrap_angle
from acoustics.base.least_squares import inverse_factor
from acoustics.base.record import record
from acoustics.estimate.direction.bearing import BEARING_UNSEEN, LARGEST_USEFUL_BEARING_SD, Bearing, estimate_bearing
from acoustics.estimate.direction.cone import DepressionPrior, over_the_cone
from acoustics.estimate.tdoa import Tdoa
from acoustics.physics.tdoa import curvature_covariance, difference_matrix, element_covariance

# Distances are told apart where their curvatures differ by so many standard deviations of the delays.
_CELL_SD = 1.5
_MOST_CELLS, _MOST_CELLS_OF_A_LINE = 32, 8
_FITS_AT_ONCE = 4_000
# A wave this little curved, in standard deviations of the delays, is plane.
_PLANE = 0.05


@record
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
    found = estimate_bearing(
        Tdoa(np.repeat(alternatives.tdoa_s[..., None, :], g, -2), alternatives.covariance_s2, alternatives.reference),
        hydrophones_m,
        sound_speed_m_s,
        range_m=None if cells.plane else np.broadcast_to(1.0 / cells.curvature, (*batch, g)),
        curvature_sd_per_m=0.0 if cells.plane else np.broadcast_to(cells.curvature_sd, (*batch, g)),
        sound_speed_sd_m_s=sound_speed_sd_m_s,
        element_sd_m=element_sd_m,
    )
    return _weighed(found, cells, build_up_misfit, prior)


@record
class DirectionQuestion:
    """What tells the directions of one ping, as `direction_mixture` takes it: delays with j vectors, (j, k)."""

    alternatives: Tdoa
    build_up_misfit: Floats
    sound_speed_m_s: float
    prior: DepressionPrior


def direction_mixtures(
    asked: Sequence[DirectionQuestion], hydrophones_m: Floats, *, sound_speed_sd_m_s: float, element_sd_m: ArrayLike
) -> list[DirectionMixture]:
    """Directions of several pings of one array and reference, each as `direction_mixture` has them, fitted together."""
    cells = [
        _range_cells(one.alternatives, hydrophones_m, one.sound_speed_m_s, one.prior, element_sd_m, _MOST_CELLS)
        for one in asked
    ]
    answers: dict[int, DirectionMixture] = {}
    for pings in _together(asked, cells):
        parts = _fitted(
            [asked[k] for k in pings],
            [cells[k] for k in pings],
            hydrophones_m,
            sound_speed_sd_m_s=sound_speed_sd_m_s,
            element_sd_m=element_sd_m,
        )
        for k, found in zip(pings, parts, strict=True):
            answers[k] = _weighed(found, cells[k], asked[k].build_up_misfit, asked[k].prior)
    return [answers[k] for k in range(len(asked))]


def _fitted(
    asked: Sequence[DirectionQuestion],
    cells: Sequence[_RangeCells],
    hydrophones_m: Floats,
    *,
    sound_speed_sd_m_s: float,
    element_sd_m: ArrayLike,
) -> Iterator[Bearing]:
    """Directions (j, g, 2) of pings by each vector in each cell of distance, all of them plane waves or none."""
    shapes = [(len(one.alternatives.tdoa_s), len(own.curvature)) for one, own in zip(asked, cells, strict=True)]
    sizes = [j * g for j, g in shapes]
    delays = [np.repeat(one.alternatives.tdoa_s, g, axis=0) for one, (_, g) in zip(asked, shapes, strict=True)]
    curvature, curvature_sd = (
        np.concatenate([np.tile(of_cells, j) for of_cells, (j, _) in zip(values, shapes, strict=True)])
        for values in ([own.curvature for own in cells], [own.curvature_sd for own in cells])
    )
    plane = cells[0].plane
    found = estimate_bearing(
        Tdoa(
            np.concatenate(delays),
            np.repeat([one.alternatives.covariance_s2 for one in asked], sizes, axis=0),
            asked[0].alternatives.reference,
        ),
        hydrophones_m,
        np.repeat([one.sound_speed_m_s for one in asked], sizes),
        range_m=None if plane else 1.0 / curvature,
        curvature_sd_per_m=0.0 if plane else curvature_sd,
        sound_speed_sd_m_s=sound_speed_sd_m_s,
        element_sd_m=element_sd_m,
    )
    for shape, stop in zip(shapes, np.cumsum(sizes).tolist(), strict=True):
        yield found.part(slice(stop - shape[0] * shape[1], stop), shape)


def _together(asked: Sequence[DirectionQuestion], cells: Sequence[_RangeCells]) -> Iterator[list[int]]:
    """Pings, by number, whose waves are all plane or all curved, so many that their fits stay within some megabytes."""
    for plane in (True, False):
        some, rows = [], 0
        for k in (k for k, own in enumerate(cells) if own.plane == plane):
            some.append(k)
            rows += asked[k].build_up_misfit.size * len(cells[k].curvature)
            if rows >= _FITS_AT_ONCE:
                yield some
                some, rows = [], 0
        if some:
            yield some


def _weighed(found: Bearing, cells: _RangeCells, build_up_misfit: Floats, prior: DepressionPrior) -> DirectionMixture:
    """The mixture of directions (..., j, g, 2) in the cells of distance."""
    leading = (1,) * build_up_misfit.ndim
    nearest, farthest = (ends.reshape(*leading, -1) for ends in (cells.nearest_m, cells.farthest_m))
    within = replace(prior, nearest_m=nearest, farthest_m=farthest)
    if found.observes == "line":
        found = over_the_cone(found, within)
        log_weight = found.log_evidence
    else:
        log_weight = found.log_evidence + np.log(_mean_density(found, within))
    log_weight = np.where(np.isfinite(log_weight), log_weight, -np.inf) - 0.5 * build_up_misfit[..., None, None]
    largest = log_weight.max(axis=(-3, -2, -1))
    return _over_distances(*_aligned(found, np.exp(log_weight - largest[..., None, None, None])), largest)


@record
class _RangeCells:
    """Parts of the interval of distances, shape (g,): its ends [m], and mean and deviation of one over it [1/m]."""

    nearest_m: Floats
    farthest_m: Floats
    curvature: Floats
    curvature_sd: Floats

    @property
    def plane(self) -> bool:
        """Whether no delay tells a curvature."""
        return len(self.curvature) == 1 and not self.curvature.any()


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
