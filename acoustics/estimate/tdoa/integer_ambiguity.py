"""The whole cycles that phase delays leave open, searched over all baselines at once."""

from __future__ import annotations

from itertools import product
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtr

from acoustics.base.batches import fill_gaps, flat, rows_of
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, array_rank, principal_axes
from acoustics.base.least_squares import NEGLIGIBLE_DELAY_S, transposed
from acoustics.base.record import record
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit
from acoustics.estimate.tdoa.differences import Tdoa
from acoustics.physics.lattice_reduction import nearest_points, reduced_basis
from acoustics.physics.tdoa import difference_matrix

NOT_FINITE = "a delay or its covariance is not finite"
_MOST_CYCLES = 1e15  # beyond it a float no longer tells one whole number from the next
MOST_CANDIDATES = 800
_MOST_ODDS = 300.0  # its exponential is a number
_LOST_IN_ROUNDING = -60.0  # of a sum with a one; the exponential of much less takes twice as long
_EDGE = 100  # of these, the farthest, which stand for those beyond
# By the lattice's metric, sets so much farther than the nearest are not scored, for a score is hardly less than that
# distance: where the best scores no more than the second figure above the nearest, those left out have weights under
# exp(-25). Else, as where the unit length of the direction forbids the nearest sets, all are scored.
_WITHIN, _MOST_LOST = 80.0, 30.0
# Numbers held at once. Scores are a dozen passes over them, so of the few sets for the best one alone they stay within
# a core's own cache; the many for several alternatives are up to some 25 MB, since each chunk of pings costs by itself.
_NUMBERS_AT_ONCE, _OF_MANY_SETS_AT_ONCE = 250_000, 1_000_000


@record
class IntegerAlternatives:
    """The best vectors of integers of pings, the best first; batch shape (...), n of them.

    Parameters
    ----------
    cycles : ndarray of int, shape (..., n, n_hydrophones - 1)
        Whole periods to be added to the resolved delays, which are those of the best: zeros for the first.
    weight : ndarray, shape (..., n)
        Probability of each; 0 where there were fewer than n. What they lack to 1 is that of further ones, and of those
        that were too many to be compared.
    build_up_misfit : ndarray, shape (..., n)
        What the envelope alone says of each: its misfit less that of the vector which fits it best.
    """

    cycles: NDArray[np.int64]
    weight: Floats
    build_up_misfit: Floats

    @classmethod
    def none(cls, batch: tuple[int, ...], n: int, k: int) -> Self:
        """Of pings that have none: weights and misfits are NaN."""
        return cls(np.zeros((*batch, n, k), dtype=np.int64), *np.full((2, *batch, n), np.nan))

    def put(self, rows: NDArray[np.intp], those: IntegerAlternatives) -> None:
        """Write the alternatives of some rows of a flat batch."""
        self.cycles[rows], self.weight[rows], self.build_up_misfit[rows] = vars(those).values()

    def of(self, ping: int | NDArray[np.bool_]) -> IntegerAlternatives:
        """Those of one ping, or of some, of a flat batch."""
        return IntegerAlternatives(self.cycles[ping], self.weight[ping], self.build_up_misfit[ping])

    def shaped(self, batch: tuple[int, ...]) -> IntegerAlternatives:
        """Those of a flat batch in a batch of shape (...)."""
        n, k = self.cycles.shape[-2:]
        return IntegerAlternatives(
            self.cycles.reshape(*batch, n, k), self.weight.reshape(*batch, n), self.build_up_misfit.reshape(*batch, n)
        )


@record
class Cycles:
    """Phase delays with their cycles resolved.

    Parameters
    ----------
    cycles : ndarray of int, shape (..., n_hydrophones - 1)
        Whole periods added to each phase delay.
    delays : Tdoa
        The resolved fine delays, with the covariance of the phase delays.
    score : ndarray, shape (...)
        Misfit of the best set of cycles: weighted squares of coarse minus fine delays, plus those of the fine
        delays about a plane wave.
    margin : ndarray, shape (...)
        Score of the second best set less that of the best; infinite where no second one was worth scoring.
    probability : ndarray, shape (...)
        Probability of the best set among all that were compared, for normal errors.
    ok : ndarray of bool, shape (...)
        Whether the cycles could be computed. It says nothing of whether they are right: `probability` does.
    reason : ndarray of str, shape (...)
        Why not; empty where ok.
    alternatives : IntegerAlternatives
        As many of the best as were asked for.
    """

    cycles: NDArray[np.int64]
    tdoa: Tdoa
    score: Floats
    margin: Floats
    probability: Floats
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]
    alternatives: IntegerAlternatives


def resolve_ambiguity(
    phase: Tdoa,
    coarse: Tdoa,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: float,
    frequency_hz: float,
    *,
    envelope_misfit: OnsetMisfit | None = None,
    sound_speed_sd_m_s: float = 0.0,
    n_alternatives: int = 1,
) -> Cycles:
    """Whole cycles of phase delays, from coarse delays and from the consistency of all baselines.

    Parameters
    ----------
    phase : Tdoa
        Fine delays, known up to whole periods; batch shape (...). One covariance for all is searched fastest.
    coarse : Tdoa
        Time differences of the envelope against the same reference; same batch shape.
    hydrophones_m : array_like, shape (n_hydrophones, 3)
        Positions [m].
    sound_speed_m_s : float
        Sound speed [m/s].
    frequency_hz : float
        Carrier frequency [Hz].
    envelope_misfit : OnsetMisfit, optional
        Misfit of the samples of m trials, as many as the batch holds, to sets of cycles. It then takes the
        place of the squares of coarse minus fine delays; the coarse delays only say where to search.
    sound_speed_sd_m_s : float
        Standard deviation of the sound speed, which makes directions longer or shorter than one [m/s].
    n_alternatives : int
        How many of the best vectors are returned. Beyond one the search is wider, so that what is left over is known.

    Returns
    -------
    Cycles
        Batch shape (...).

    Raises
    ------
    ParameterError
        For a shape or a value that is not accepted.

    Notes
    -----
    The score of a set of cycles is quadratic in them but for one fact: the direction has unit length, so a plane
    wave cannot pass along a baseline faster than sound. With a loose normal prior on the direction in its place
    the problem is a search for the nearest point of a lattice. Its basis is reduced, the sets around the rounded
    optimum are listed, and each is scored with the unit length put back. Short baselines so settle the long ones
    without being told apart from them.

    References
    ----------
    Lenstra, Lenstra and Lovasz (1982), Mathematische Annalen 261, 515-534 (reduction of the basis).
    Teunissen (1995), Journal of Geodesy 70, 65-82 (integer least squares for carrier phases).
    """
    hydrophones, batch = _checked(phase, coarse, hydrophones_m, sound_speed_m_s, frequency_hz)
    k = phase.n_hydrophones - 1
    period = 1.0 / frequency_hz
    fine, fine_covariance, fine_whole = _regular(phase)
    rough, coarse_covariance, rough_whole = _regular(coarse)
    finite = fine_whole & rough_whole

    if envelope_misfit is not None and envelope_misfit.steps.shape[:2] != (len(fine), k + 1):
        held = envelope_misfit.steps.shape[:2]
        raise ParameterError(f"envelope_misfit is of {held} trials and channels: expected {(len(fine), k + 1)}")
    axes = principal_axes(hydrophones)[: array_rank(hydrophones)]
    baselines = difference_matrix(k + 1, phase.reference) @ hydrophones @ axes.T / sound_speed_m_s
    coarse_weight, loose_weight = _inverse(coarse_covariance), _inverse(fine_covariance + baselines @ baselines.T)
    metric = coarse_weight + loose_weight
    right = coarse_weight @ (rough - fine)[..., None] - loose_weight @ fine[..., None]
    optimum: Floats = np.linalg.solve(metric, right).astype(float, copy=False) / period

    basis = reduced_basis(metric)
    centre = (basis @ np.rint(np.linalg.solve(basis, optimum)))[..., 0]
    search = _Search(
        fine, rough, period, optimum[..., 0], centre, basis, metric, coarse_weight, loose_weight,
        _inverse(fine_covariance), baselines, sound_speed_sd_m_s / sound_speed_m_s, envelope_misfit,
    )  # fmt: skip
    few = (2 * _reach(k) + 1) ** k
    numbers, sets = (
        (_NUMBERS_AT_ONCE, few) if n_alternatives == 1 else (_OF_MANY_SETS_AT_ONCE, max(few, MOST_CANDIDATES))
    )
    chunk = max(numbers // (sets * k), 1)
    found = [search.best(np.arange(i, min(i + chunk, len(fine))), n_alternatives) for i in range(0, len(fine), chunk)]
    vectors, weight, build_up, score, margin = (np.concatenate(column) for column in zip(*found, strict=True))
    best, probability = vectors[:, 0], weight[:, 0]

    resolved = np.where(finite[:, None], fine + period * best, np.nan).reshape(*batch, k)
    return Cycles(
        cycles=np.where(finite[:, None], best, 0).reshape(*batch, k),
        tdoa=Tdoa(resolved, phase.covariance_s2, phase.reference),
        score=np.where(finite, score, np.nan).reshape(batch),
        margin=np.where(finite, margin, np.nan).reshape(batch),
        probability=np.where(finite, probability, np.nan).reshape(batch),
        ok=finite.reshape(batch),
        reason=np.where(finite, "", NOT_FINITE).reshape(batch),
        alternatives=IntegerAlternatives(
            vectors - best[:, None], np.where(finite[:, None], weight, np.nan), build_up
        ).shaped(batch),
    )


@record
class _Search:
    """Phase and coarse delays (m, k) [s]; the real cycles nearest to both and the lattice point next to them, (m, k);
    reduced basis and metric of the lattice, and weights of the delays, (m or 1, k, k); and what else scores a set."""

    fine: Floats
    rough: Floats
    period: float
    optimum: Floats
    centre: Floats
    basis: Floats
    metric: Floats
    coarse_weight: Floats
    loose_weight: Floats
    fine_weight: Floats
    baselines: Floats
    loose: float
    envelope_misfit: OnsetMisfit | None

    def best(self, part: NDArray[np.intp], n: int) -> tuple[NDArray[Any], ...]:
        """The n best sets of some trials, as `_best_of` gives them."""
        if n == 1:
            near = _short_offsets(rows_of(self.basis, part), rows_of(self.metric, part))
            return _best_of(self.centre[part], near, *self._scores(part, near), n)
        if self.envelope_misfit is not None:  # the lattice knows little of it
            return self._near(part, n, np.inf)[0]
        found, lost = self._near(part, n, _WITHIN)
        doubtful = np.flatnonzero(lost > _MOST_LOST)
        if len(doubtful):
            for mine, its in zip(found, self._near(part[doubtful], n, np.inf)[0], strict=True):
                mine[doubtful] = its
        return found

    def _near(self, part: NDArray[np.intp], n: int, within: float) -> tuple[tuple[NDArray[Any], ...], Floats]:
        """The n best of the sets near the real ones, and how much more the best scores than the lattice says of the
        nearest, (m,)."""
        basis, metric = rows_of(self.basis, part), rows_of(self.metric, part) * self.period**2
        steps = nearest_points(basis, metric, self.optimum[part], MOST_CANDIDATES, within=within)
        steps -= self.centre[part, None]
        scores, by_envelope = self._scores(part, steps)
        first = self.fine[part] + self.period * (self.centre[part] + steps[:, 0])
        by_lattice = _square(first - self.rough[part], rows_of(self.coarse_weight, part)) + _square(
            first, rows_of(self.loose_weight, part)
        )
        found = _best_of(self.centre[part], steps, scores, by_envelope, n)
        if steps.shape[1] >= MOST_CANDIDATES:
            found[1][:] *= self._compared(part, steps, scores, metric)[:, None]
        return found, scores.min(axis=-1) - by_lattice

    def _compared(self, part: NDArray[np.intp], steps: Floats, scores: Floats, metric: Floats) -> Floats:
        """Probability (m,) that the true set is among those that are compared, where there were too many to be.

        By the lattice alone sets are normally distributed about the real ones, so chi-square tells what lies beyond the
        farthest of them. What else scores a set is taken to be there as it is for the farthest of those compared.
        """
        off = self.centre[part, None] + steps - self.optimum[part, None]
        away = np.sum((off @ metric) * off, axis=-1)
        inside = np.maximum(chdtr(off.shape[-1], away[:, -1]), 1e-12)
        away, more = away - away[:, :1], scores - scores.min(axis=-1, keepdims=True)
        others = np.exp(np.minimum(0.5 * (away - more)[:, -_EDGE:], _MOST_ODDS)).mean(axis=-1)
        beyond = others * np.exp(-0.5 * away).sum(axis=-1) * (1.0 / inside - 1.0)
        among = np.exp(-0.5 * more).sum(axis=-1)
        return np.asarray(among / (among + beyond))

    def _scores(self, part: NDArray[np.intp], steps: Floats) -> tuple[Floats, Floats]:
        """Scores of sets, steps (m or 1, j, k) from the centres, and what of them is the envelope's, (m, j)."""
        centre = self.centre[part]
        middle, off = self.fine[part] + self.period * centre, self.period * steps
        if self.envelope_misfit is None:
            by_envelope = _quadratic(middle - self.rough[part], off, rows_of(self.coarse_weight, part))
        else:
            by_envelope = self.envelope_misfit.of(part).of_sets(centre[:, None] + steps)
        fine_weight = rows_of(self.fine_weight, part)
        return by_envelope + _plane_misfit(middle, off, fine_weight, self.baselines, self.loose), by_envelope


def _best_of(
    centre: Floats, steps: Floats, scores: Floats, by_envelope: Floats, n: int
) -> tuple[NDArray[np.int64], Floats, Floats, Floats, Floats]:
    """The n best of j sets, steps (m or 1, j, k) from centres (m, k): vectors (m, n, k), weights and misfits of the
    envelope (m, n), and of the best score and margin (m,).

    Where there are fewer the best stands again with no weight.
    """
    shown = min(max(n, 2), scores.shape[-1])
    order = _smallest(scores, shown)
    score = np.take_along_axis(scores, order, axis=-1)
    margin = score[:, 1] - score[:, 0] if shown > 1 else np.full(len(score), np.inf)
    whole = np.exp(np.maximum(-0.5 * (scores - score[:, :1]), _LOST_IN_ROUNDING)).sum(axis=-1, keepdims=True)
    weight = np.exp(-0.5 * (score - score[:, :1])) / whole
    vectors = centre[:, None] + np.take_along_axis(
        np.broadcast_to(steps, (len(order), *steps.shape[1:])), order[..., None], axis=1
    )
    vectors = np.clip(np.rint(vectors), -_MOST_CYCLES, _MOST_CYCLES)
    build_up = np.take_along_axis(by_envelope - by_envelope.min(axis=-1, keepdims=True), order, axis=-1)
    pad = max(n - shown, 0)
    if pad:
        vectors = np.concatenate([vectors, np.repeat(vectors[:, :1], pad, axis=1)], axis=1)
        weight, build_up = (np.pad(a, ((0, 0), (0, pad))) for a in (weight, build_up))
    return vectors[:, :n].astype(np.int64), weight[:, :n], build_up[:, :n], score[:, 0], margin


def _smallest(scores: Floats, n: int) -> NDArray[np.intp]:
    """Which of each row's scores (m, j) are its n smallest, rising, shape (m, n)."""
    if n == 2:  # two minima take a tenth of the time of a partition
        best = np.argmin(scores, axis=-1)[:, None]
        others = scores.copy()
        np.put_along_axis(others, best, np.inf, axis=-1)
        return np.concatenate([best, np.argmin(others, axis=-1)[:, None]], axis=-1)
    order = np.argpartition(scores, n - 1, axis=-1)[:, :n]
    return np.take_along_axis(order, np.argsort(np.take_along_axis(scores, order, axis=-1), axis=-1), axis=-1)


def _plane_misfit(middle: Floats, off: Floats, fine_weight: Floats, baselines: Floats, loose: float) -> Floats:
    """Misfit of fine delays, `off` (m or 1, j, k) from (m, k), to a plane wave of unit direction, shape (m, j).

    They have weights (m or 1, k, k). `loose` is the standard deviation of the direction's length by the sound speed.
    """
    information = baselines.T @ fine_weight @ baselines
    covariance = _inverse(information)
    solver = -covariance @ baselines.T @ fine_weight
    residual_weight = fine_weight - transposed(solver) @ information @ solver
    total = np.maximum(_quadratic(middle, off, residual_weight), 0.0)
    towards, turned = (middle[:, None] @ transposed(solver))[:, 0], off @ transposed(solver)
    length = np.sqrt(np.maximum(_quadratic(towards, turned, np.eye(baselines.shape[1])[None]), 0.0))
    # Distance to the unit sphere, to first order, in units of its standard deviation. A line or a plane sees a
    # part of the direction only, which may be shorter than one but not longer.
    variance = np.maximum(_quadratic(towards, turned, covariance), 0.0) / np.maximum(length, 1e-12) ** 2 + loose**2
    excess = length - 1.0 if baselines.shape[1] == 3 else np.maximum(length - 1.0, 0.0)
    return total + excess**2 / np.maximum(variance, 1e-300)


def _square(vector: Floats, weight: Floats) -> Floats:
    """``x^T W x``, shape (m,), of vectors (m, k) and weights (m or 1, k, k)."""
    return np.asarray(np.sum((vector[:, None] @ weight)[:, 0] * vector, axis=-1))


def _quadratic(vector: Floats, off: Floats, weight: Floats) -> Floats:
    """``(x + d)^T W (x + d)``, shape (m, j), of vectors x (m, k), d (m or 1, j, k) and weights (m or 1, k, k)."""
    weighed = vector[:, None] @ weight
    both = np.sum(weighed * vector[:, None], axis=-1) + np.einsum("mjk,mjk->mj", off @ weight, off)
    cross = weighed[:, 0] @ off[0].T if len(off) == 1 else (weighed @ transposed(off))[:, 0]
    return np.asarray(both + 2.0 * cross)


def _regular(delays: Tdoa) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Time differences (m, k) and covariances (m or 1, k, k) without gaps or zeros, and which trials are whole."""
    k, batch = delays.n_hydrophones - 1, delays.tdoa_s.shape[:-1]
    filled, covariance, whole = fill_gaps(delays.tdoa_s.reshape(-1, k), flat(delays.covariance_s2, batch, (k, k)))
    return filled, covariance + NEGLIGIBLE_DELAY_S**2 * (np.eye(k) + 1.0), whole


def _inverse(matrix: Floats) -> Floats:
    inverse: Floats = np.linalg.inv(matrix).astype(float, copy=False)
    return inverse


def _reach(k: int) -> int:
    """How many basis vectors a candidate is off at most along each of k."""
    return 2 if k <= 3 else 1


def _short_offsets(basis: Floats, metric: Floats) -> Floats:
    """Integer vectors (m or 1, j, k) around zero, the shortest in the metric first, zero the very first."""
    k = basis.shape[-1]
    reach = _reach(k)
    steps = np.array(list(product(range(-reach, reach + 1), repeat=k)), dtype=float) @ transposed(basis)
    size = np.sum((steps @ metric) * steps, axis=-1)
    shortest = np.argsort(size, axis=-1, kind="stable")[:, :MOST_CANDIDATES]
    return np.take_along_axis(steps, shortest[..., None], axis=1)


def _checked(
    phase: Tdoa, coarse: Tdoa, hydrophones_m: ArrayLike, sound_speed_m_s: float, frequency_hz: float
) -> tuple[Floats, tuple[int, ...]]:
    """Positions and batch shape of arguments that fit each other."""
    hydrophones = np.asarray(hydrophones_m, dtype=float)
    n = phase.n_hydrophones
    if hydrophones.shape != (n, 3) or not np.isfinite(hydrophones).all():
        raise ParameterError(f"hydrophones_m has shape {hydrophones.shape}: expected ({n}, 3) finite values")
    if array_rank(hydrophones) == 0:
        raise ParameterError("hydrophones_m: all hydrophones are at one place, which observes no direction")
    if not 2 <= n <= 8:
        raise ParameterError(
            f"hydrophones_m: {n} hydrophones, expected 2 to 8 for the search over cycles; leave some out, or use "
            "the onsets alone"
        )
    if coarse.tdoa_s.shape != phase.tdoa_s.shape or coarse.reference != phase.reference:
        raise ParameterError(
            f"coarse has shape {coarse.tdoa_s.shape} and reference {coarse.reference}: expected those of phase,"
            f" {phase.tdoa_s.shape} and {phase.reference}"
        )
    for name, value in (("sound_speed_m_s", sound_speed_m_s), ("frequency_hz", frequency_hz)):
        if not 0 < value < np.inf:
            raise ParameterError(f"{name}={value}: expected a finite value above 0")
    return hydrophones, phase.tdoa_s.shape[:-1]
