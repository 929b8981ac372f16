"""From starts to modes: variable projection over position and nuisances, the best by evidence, the others by weight."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import Descent, levenberg
from acoustics.base.record import record
from acoustics.estimate.echoes.baseband import Baseband, BurstTable
from acoustics.estimate.echoes.likelihood import Problem, Roughness, cost, evaluate, new_problem
from acoustics.estimate.echoes.paths import DEPTH, FACES, SiteKnowledge, X, Y, path_sets, sources_m, turned_phases
from acoustics.estimate.echoes.small_array import cost_small, evaluate_small

# What few steps tell: most starts have come together by then or lead nowhere, and the others go on.
_FIRST_STEPS = Descent(damping=1e-2, floor=0.0, settled=0.1, most_steps=3)
_FIRST_ROUND = Descent(damping=1e-2, floor=0.0, settled=0.1, most_steps=5)
_LAST_ROUND = Descent(damping=1e-3, floor=0.0, settled=0.02, most_steps=20)
_HOPELESS_NATS = 40.0  # of evidence after the first round behind the best, which the second does not make up
_MOST_GO_ON, _KEPT = 12, 8
_LEAST_WEIGHT = 1e-3
_LIKE_SIZE = 1.4  # largest number of paths over the smallest
_LARGEST_STEP_M = 0.5
_DIFFERENT = np.array([0.15, 0.15, 1.0])  # in x and y [m] and the floor's depth, in its deviations
_THERE = 0.5  # of that
# What the model leaves out, such as echoes of the hull. By it 95 % regions held the truth in 97 and 93 % of 30 and 60
# simulated pings of a half-wave array. A wide one also hears how faces turn phases near a critical angle, three times
# as fast as `turned_phases` says: of 63 pings 2 would have held the truth in 89 %, 2.5 in 92 %, and in 97 % of 30
# others (benchmarks/echo_estimator.py).
VARIANCE_SCALE, WIDE_VARIANCE_SCALE = 2.0, 2.5
# Far from a minimum only loud paths lead there, and the others are so much more that no path explains.
_ROUGH, SMOOTH = Roughness(timing_sd_m=0.03, diffuse=0.15, weakest=10 ** (-16 / 20)), Roughness()
# Over many wavelengths phases fit in many places: each hydrophone's times come first.
_APART = replace(_ROUGH, scatter=1.0)
_WIDE_WAVELENGTHS = 2.0


@record
class Modes:
    """Minima that fit, the best first.

    Parameters
    ----------
    state : ndarray, shape (n, n_parameters)
        See `paths`.
    covariance : ndarray, shape (n, n_parameters, n_parameters)
        Of the state.
    log_evidence : ndarray, shape (n,)
        By Laplace's approximation, up to a constant [1].
    misfit : ndarray, shape (n,)
        Of samples and priors, chi-squared [1].
    members : ndarray of int, shape (n,)
        How many starts ended there.
    """

    state: Floats
    covariance: Floats
    log_evidence: Floats
    misfit: Floats
    members: np.ndarray


def fit_modes(known: SiteKnowledge, baseband: Baseband, table: BurstTable, starts: Floats, *, window_s: float) -> Modes:
    """Minima from starts of shape (n, n_parameters), in two rounds with the paths of where each stands.

    Of a wide array in three: first with amplitudes of each hydrophone's own.
    """
    return _settled(known, baseband, table, *_approached(known, baseband, table, starts, window_s), window_s)


def further_modes(
    known: SiteKnowledge, baseband: Baseband, table: BurstTable, starts: Floats, modes: Modes, *, window_s: float
) -> Modes:
    """Minima that are known, and others from such starts, which count as members of none: they do not come of a search.

    Those that come near a known one in the first rounds go no further.
    """
    state, members = _approached(known, baseband, table, starts, window_s)
    new = np.min(_apart(known, state[:, None], modes.state), axis=-1) > _THERE
    if not new.any():
        return modes
    more = _settled(known, baseband, table, state[new], np.zeros_like(members[new]), window_s)
    return joined(modes, more)


def _approached(
    known: SiteKnowledge, baseband: Baseband, table: BurstTable, state: Floats, window_s: float
) -> tuple[Floats, np.ndarray]:
    """States after the first rounds, and how many starts have come to each."""
    coarse = baseband.thinned()  # as fine as the timing that these rounds allow for
    members = np.ones(len(state), dtype=int)
    if is_wide(known):
        state = _descended(_problem(known, coarse, table, state, window_s, _APART), state, _FIRST_STEPS)
    for descent in (_FIRST_STEPS, _FIRST_ROUND):
        problem = _problem(known, coarse, table, state, window_s, _ROUGH)
        state = _descended(problem, state, descent)
        rows, members = _sifted(problem, state, members, _MOST_GO_ON)
        state = state[rows]
    return state, members


def _settled(
    known: SiteKnowledge, baseband: Baseband, table: BurstTable, state: Floats, members: np.ndarray, window_s: float
) -> Modes:
    """Minima after the last round, of the best of the states."""
    problem = _problem(known, baseband, table, state, window_s, SMOOTH)
    if len(state) > 1:
        rows, members = _sifted(problem, state, members, _KEPT)
        problem, state = problem.subset(rows), state[rows]
    state = _descended(problem, state, _LAST_ROUND)
    return _modes(_problem(known, baseband, table, state, window_s, SMOOTH), state, members)


def is_wide(known: SiteKnowledge) -> bool:
    """Whether the hydrophones are many wavelengths apart."""
    wavelength = known.sound_speed_m_s / known.burst.frequency_hz
    return bool(np.ptp(known.hydrophones_m, axis=0).max() > _WIDE_WAVELENGTHS * wavelength)


def variance_scale(known: SiteKnowledge) -> float:
    """How much larger variances are than the model says [1]."""
    return WIDE_VARIANCE_SCALE if is_wide(known) else VARIANCE_SCALE


def _problem(
    known: SiteKnowledge, baseband: Baseband, table: BurstTable, state: Floats, window_s: float, roughness: Roughness
) -> Problem:
    places = _inside(known, state)
    paths = path_sets(known, places, window_s, roughness.weakest)
    return new_problem(known, baseband, table, paths, roughness, turned_phases(known, paths, places))


def _inside(known: SiteKnowledge, state: Floats) -> Floats:
    """Places of the states [m], drawn into the water of the sketch: paths are looked for there."""
    place = sources_m(known, state)
    for normal, offset in zip(known.faces.normals, known.faces.offsets_m, strict=True):
        height = place @ normal - offset
        place = place + np.maximum(0.01 - height, 0.0)[:, None] * normal
    return place


def _descended(problem: Problem, state: Floats, descent: Descent) -> Floats:
    by, settled = evaluate_small if _is_rough_and_small(problem) else evaluate, np.empty_like(state)
    for rows in _of_like_size(problem):
        start = np.ascontiguousarray(state[rows].T)
        settled[rows] = levenberg(problem.subset(rows), start, by, _moved, descent=descent).T
    return settled


def _of_like_size(problem: Problem) -> list[np.ndarray]:
    """States together that have about as many paths: the others are padded, and work grows with the cube of these."""
    count = np.sum(problem.paths.expected > 0, axis=-1)
    order = np.argsort(count, kind="stable")
    groups = [order[:1]]
    for k in order[1:]:
        if count[k] > _LIKE_SIZE * count[groups[-1][0]]:
            groups.append(order[:0])
        groups[-1] = np.append(groups[-1], k)
    return groups


def _is_rough_and_small(problem: Problem) -> bool:
    return problem.known.is_small and problem.roughness is _ROUGH


def _moved(problem: Problem, state: Floats, step: Floats) -> Floats:
    far = np.max(np.abs(step[[X, Y]]), axis=0) / _LARGEST_STEP_M
    rest = np.max(np.abs(np.delete(step, [X, Y, 2], axis=0)), axis=0) / 3.0
    return state + step / np.maximum(np.maximum(far, rest), 1.0)


def _apart(known: SiteKnowledge, state: Floats, other: Floats) -> Floats:
    """How far states are apart, over what makes them different [1]; shapes (..., n_parameters) give (...)."""
    at = [X, Y, FACES] if len(known.faces_sd) else [X, Y]
    return np.asarray(np.max(np.abs(state[..., at] - other[..., at]) / _DIFFERENT[: len(at)], axis=-1))


def _sifted(problem: Problem, state: Floats, members: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """The best of the states that lie together, the hopeless left out, and how many starts have come to each."""
    misfit, log_determinant = (cost_small if _is_rough_and_small(problem) else cost)(problem, state)
    fit = -0.5 * misfit - log_determinant
    rows: list[int] = []
    together: list[int] = []
    for k in np.argsort(-fit, kind="stable"):
        apart = _apart(problem.known, state[k], state[rows])
        if rows and apart.min() < 1.0:
            together[int(np.argmin(apart))] += int(members[k])
        elif not rows or (fit[k] > fit[rows[0]] - _HOPELESS_NATS and len(rows) < most):
            rows.append(int(k))
            together.append(int(members[k]))
    return np.array(rows), np.array(together)


def _modes(problem: Problem, state: Floats, members: np.ndarray) -> Modes:
    misfit, information, _ = evaluate(problem, np.ascontiguousarray(state.T))
    _, log_determinant = cost(problem, state)
    information = np.moveaxis(information, -1, 0)
    covariance = np.asarray(np.linalg.inv(information), dtype=float)
    evidence = -0.5 * misfit - log_determinant - 0.5 * np.linalg.slogdet(information)[1]
    return _different(Modes(state, covariance, np.asarray(evidence, dtype=float), misfit, members))


def joined(modes: Modes, others: Modes) -> Modes:
    """Minima of the same samples found from different starts, each place once."""
    pairs = zip(vars(modes).values(), vars(others).values(), strict=True)
    return _different(Modes(*(np.concatenate(pair) for pair in pairs)))


def _different(modes: Modes) -> Modes:
    """The best first, those of hardly any weight and those that tell the same place left out."""
    evidence = modes.log_evidence
    order = np.argsort(-evidence, kind="stable")
    rows: list[int] = []
    together: list[int] = []
    for k in order:
        if evidence[k] < evidence[order[0]] + WIDE_VARIANCE_SCALE * np.log(_LEAST_WEIGHT) and rows:
            continue
        same = [n for n, j in enumerate(rows) if _same(modes.state[k], modes.state[j], modes.covariance[j])]
        if same:
            together[same[0]] += int(modes.members[k])
        else:
            rows.append(int(k))
            together.append(int(modes.members[k]))
    return Modes(modes.state[rows], modes.covariance[rows], evidence[rows], modes.misfit[rows], np.array(together))


def _same(state: Floats, other: Floats, covariance: Floats) -> bool:
    """Whether two minima tell the same place: within a standard deviation of each other."""
    at = [X, Y]
    off = state[at] - other[at]
    return bool(off @ np.linalg.solve(covariance[np.ix_(at, at)], off) < 1.0)


def position_of(known: SiteKnowledge, modes: Modes) -> tuple[Floats, Floats]:
    """Place [m], shape (n, 3), of each mode and its covariance [m^2], shape (n, 3, 3).

    The covariance is the Laplace approximation's times `variance_scale`.
    """
    at = [X, Y, DEPTH]
    scale = np.array([1.0, 1.0, known.depth_sd_m])
    return sources_m(known, modes.state), variance_scale(known) * modes.covariance[:, at][:, :, at] * scale[
        :, None
    ] * scale
