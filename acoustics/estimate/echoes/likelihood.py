"""How well the paths of a state explain the samples, their amplitudes and small errors taken out."""

from __future__ import annotations

from typing import Any

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import positive_inverse, transposed
from acoustics.base.record import record
from acoustics.estimate.echoes.baseband import Baseband, BurstTable, Complexes
from acoustics.estimate.echoes.paths import (
    CARRIER,
    WEAKEST,
    PathSets,
    Q,
    SiteKnowledge,
    arrival_times,
    arrivals_alone,
)

_ABSENT = 1e-6  # amplitude of a path that is not there, over that of the direct one
_AMPLITUDE_SD = 1.5  # of a path's amplitude, over the expected one


@record
class Roughness:
    """How paths stray from those of plane, mirror-like faces.

    Parameters
    ----------
    scatter : float
        Standard deviation of each path's amplitude from channel to channel, as a share of itself, beside what comes of
        the faces' `turned_phases` [1].
    timing_sd_m : float
        Standard deviation of each path's length after one bounce, growing with their number [m].
    least_bounces : int
        That count at least, also of the direct path: 1 where the emission time is a guess [1].
    diffuse : float
        Root mean square of what no path explains, as a share of that of the samples [1].
    weakest : float
        Expected amplitude of a path over that of the direct one, below which it is left out [1].
    """

    scatter: float = 0.15
    timing_sd_m: float = 0.01
    least_bounces: int = 0
    diffuse: float = 0.04
    weakest: float = WEAKEST


@record
class Problem:
    """Samples to be explained from n starts, each with its own paths.

    Parameters
    ----------
    known : SiteKnowledge
        What the crew knows.
    baseband : Baseband
        The samples.
    table : BurstTable
        The burst behind the same filter.
    paths : PathSets
        Of the n starts.
    roughness : Roughness
        Of the faces.
    level : ndarray, shape (n_channels,)
        Amplitude of the direct sound, in units of each channel's noise [1].
    noise_share : ndarray, shape (n_channels,)
        What counts as noise, over the noise itself, as variances [1].
    scatter : ndarray, shape (n, n_paths)
        Standard deviation of each path's amplitude from channel to channel, over the expected one [1].
    """

    known: SiteKnowledge
    baseband: Baseband
    table: BurstTable
    paths: PathSets
    roughness: Roughness
    level: Floats
    noise_share: Floats
    scatter: Floats

    def subset(self, rows: Any) -> Problem:
        """Some of the starts."""
        paths = self.paths.subset(rows)
        return Problem(
            self.known, self.baseband, self.table, paths, self.roughness, self.level,
            self.noise_share, self.scatter[rows, : paths.expected.shape[1]],
        )  # fmt: skip


def new_problem(
    known: SiteKnowledge,
    baseband: Baseband,
    table: BurstTable,
    paths: PathSets,
    roughness: Roughness,
    turned: Floats | float = 0.0,
) -> Problem:
    """A problem whose levels are measured from the samples, with `turned_phases` (n, n_paths) of the paths."""
    loudness = _loudness(baseband)
    # The direct sound holds about a third of a burst's power in a pool; only the order of magnitude counts.
    level, noise_share = np.sqrt(loudness / 2.0), 1.0 + roughness.diffuse**2 * loudness
    # Of normal phases: the mean square of exp(i phase) - 1.
    scatter = np.sqrt(roughness.scatter**2 + 2.0 * -np.expm1(-0.5 * np.square(turned)))
    scatter = np.broadcast_to(scatter, paths.expected.shape)
    return Problem(known, baseband, table, paths, roughness, level, noise_share, scatter)


def _loudness(baseband: Baseband) -> Floats:
    """Power of the sound over each channel's noise, shape (n_channels,).

    A path is as loud at one hydrophone as at the next, so they have one level [Pa]: where the paths cancel each other
    at one of them, neither each of them nor what no path explains is any less there.
    """
    power = np.maximum(np.mean(np.abs(baseband.samples) ** 2, axis=-1) - 1.0, 0.1) * baseband.noise_sd**2
    return np.asarray(np.mean(power) / baseband.noise_sd**2)


def unexplained(baseband: Baseband, roughness: Roughness, misfit: float) -> float:
    """Power that neither paths nor noise explain, over what `roughness.diffuse` allows for [1]."""
    noise = float(np.mean(1.0 / (1.0 + roughness.diffuse**2 * _loudness(baseband))))
    return (misfit / (2 * baseband.samples.size) - noise) / (1.0 - noise)


def cost(problem: Problem, state: Floats) -> tuple[Floats, Floats]:
    """Misfit with the priors, and the logarithm of the evidence's other factor, shape (n,) each.

    The misfit is twice ``y^H C^-1 y`` plus the squared parameters, so that by itself it is chi-squared; the second is
    ``ln det C`` up to a constant of the samples: ``exp(-misfit / 2 - second)`` is the likelihood.
    """
    arrival = arrivals_alone(problem.known, problem.paths, state)
    part = _Linear(problem, state, arrival)
    return part.misfit + of_prior(problem, state), part.log_determinant


def coarse_evidence(problem: Problem, state: Floats) -> Floats:
    """Logarithm of the evidence, shape (n,), with amplitudes of each channel's own.

    Without the carrier's phase between the channels all is real, and an array smaller than a tenth of the build-up's
    length has one Gram matrix for all its channels: a tenth of the work of `cost`. A path is nearly as loud at one
    channel as at the next, so the price of its freedom is paid once: with one for each channel places with few paths
    won, and 15 m away and more the right one was not among the likeliest 16 in half of 20 simulated pings.
    """
    known, baseband = problem.known, problem.baseband
    arrival = arrivals_alone(known, problem.paths, state)
    samples = baseband.samples / np.sqrt(problem.noise_share)[:, None]
    parts = np.stack([samples.real, samples.imag], axis=1)
    time = baseband.time_s
    if known.is_small:
        arrival, time = arrival.mean(axis=1, keepdims=True), time[:1]
        parts = parts.reshape(1, -1, parts.shape[-1])
    shape, slope = problem.table(Baseband(samples, time, baseband.noise_sd), arrival, 2)
    waves = np.concatenate([shape, slope], axis=-2)  # (n, h, 2P, N)
    level = np.mean(problem.level / np.sqrt(problem.noise_share))
    sd = np.sqrt(common_variance(problem))[:, None] * level
    waves *= sd[..., None]
    # With the samples beside the waves the last corner of the factor holds what the waves leave of them.
    both = np.concatenate([waves, np.broadcast_to(parts, (len(waves), *parts.shape))], axis=-2)
    factor, p = np.linalg.cholesky(both @ transposed(both) + np.eye(both.shape[-2])), waves.shape[-2]
    left = np.sum(factor[..., p:, p:] ** 2, axis=(-1, -2, -3)) - np.prod(parts.shape[:2])
    size = np.log(np.einsum("nhpp->nhp", factor[..., :p, :p])).sum(axis=(-1, -2))
    size /= 1 if known.is_small else len(samples)
    return np.asarray(-left - 2.0 * size - 0.5 * of_prior(problem, state))


def evaluate(problem: Problem, states: Floats) -> tuple[Floats, Floats, Floats]:
    """Cost (n,), information (T, T, n) and gradient (T, n) of states (T, n), as `levenberg` wants them.

    Variable projection (G. H. Golub and V. Pereyra, SIAM J. Numer. Anal. 10, 413-432 (1973)): the amplitudes are linear
    and solved for, the gradient of what is left is exact, and its information the derivatives' part that no amplitude
    explains.
    """
    state = np.ascontiguousarray(states.T)
    arrival, by = arrival_times(problem.known, problem.paths, state)
    part = _Linear(problem, state, arrival)
    gradient, information = part.derivatives(by)
    prior = problem.known.prior
    gradient = gradient + prior * state
    information = information + np.diag(prior)
    total = part.misfit + of_prior(problem, state)
    return total, np.ascontiguousarray(np.moveaxis(information, 0, -1)), np.ascontiguousarray(gradient.T)


def of_prior(problem: Problem, state: Floats) -> Floats:
    """What the priors add to the misfit of states (n, n_parameters), shape (n,)."""
    return np.sum(problem.known.prior * state**2, axis=-1)


class _Linear:
    """The linear part at given arrivals: amplitudes of paths, the paths' timing errors, and each channel's scatter.

    Of the samples ``y_h = X_h u + S_h b_h + n_h`` with ``X_h = [S_h, S'_h]``: S_h the bursts of the paths and S'_h
    their slopes; u the amplitudes and timing errors that all channels share, b_h the scatter of channel h. All are
    normal with zero mean, so eliminating them is exact: b_h in each channel, then u. But for a phase of each path X_h
    is real: what stays in a channel is worked out real, and turned by the phases where channels meet.
    """

    def __init__(self, problem: Problem, state: Floats, arrival_s: Floats) -> None:
        self.problem, known = problem, problem.known
        burst = known.burst
        table = problem.table(problem.baseband, arrival_s)  # (5, n, h, P, N)
        q = (known.q_sd_share * state[:, Q])[:, None, None, None]
        weight = 1.0 / np.sqrt(problem.noise_share)
        table *= (problem.level * weight)[:, None, None]
        self.by_q = (table[3] + q * table[4]) * known.q_sd_share
        # Each path's common part of the phase is its amplitude's: it stays out, so that amplitudes move little.
        phase = np.exp(-1j * burst.carrier * (arrival_s - arrival_s.mean(axis=1, keepdims=True)))
        # The carrier's error is taken from the samples, the common phase of that from the amplitudes.
        y = problem.baseband.samples * weight[:, None]
        offset_hz = known.frequency_sd_share * burst.frequency_hz * state[:, CARRIER]
        time = problem.baseband.time_s
        self.turned = y * np.exp(-2j * np.pi * offset_hz[:, None, None] * (time - time.min()))
        size = path_sizes(problem)
        self.waves = np.concatenate([table[0] + q * table[3] + q**2 / 2 * table[4], table[1]], axis=-2)  # (n, h, 2P, N)
        self.curvature = table[2]
        self.phase = np.concatenate([phase, phase], axis=-1)
        self.common = common_variance(problem)
        self.scatter = (problem.scatter * size) ** 2
        self._solve(float(np.sum(np.abs(y) ** 2)))

    def _solve(self, energy: float) -> None:
        p = self.scatter.shape[-1]
        gram, z = self.waves @ transposed(self.waves), _times(self.waves, self.turned[..., None])
        self.own_matrix = gram[..., :p, :p] + _diagonal(1.0 / self.scatter)[:, None]
        self.own_inverse = positive_inverse(self.own_matrix)
        # The first block of `gram` is the own matrix less 1 / scatter: products with it are differences.
        inverse_scatter = (1.0 / self.scatter)[:, None, :, None]
        shape, slope = self.own_inverse * transposed(inverse_scatter), self.own_inverse @ gram[..., :p, p:]
        self.across = np.concatenate([np.eye(p) - shape, slope], axis=-1)  # (n, h, P, 2P)
        own_z = _times(self.own_inverse, z[..., :p, :])[..., 0]
        left = np.empty_like(gram)
        left[..., :p, :] = inverse_scatter * self.across
        left[..., p:, :p] = transposed(left[..., :p, p:])
        left[..., p:, p:] = gram[..., p:, p:] - gram[..., p:, :p] @ slope
        left_z = (z - _times(transposed(self.across), z[..., :p, :]))[..., 0]
        self.whole = self._over_channels(left) + _diagonal(1.0 / self.common)
        self.whole_inverse = positive_inverse(self.whole)
        total_z = np.sum(self.phase.conj() * left_z, axis=1)
        u = np.einsum("npq,nq->np", self.whole_inverse, total_z)
        shared = self.phase * u[:, None]
        self.amplitude = shared[..., :p] + own_z - _times(self.across, shared[..., None])[..., 0]
        self.slope_u = shared[..., p:]
        explained = np.einsum("nhp,nhp->n", z[..., :p, 0].conj(), own_z).real
        explained += np.einsum("np,np->n", total_z.conj(), u).real
        self.misfit = 2.0 * (energy - explained)

    def _over_channels(self, real: Floats) -> Complexes:
        """Sum over the channels of real matrices, (n, h, 2P, 2P), between each channel's phases: (n, 2P, 2P)."""
        n, p = len(real), self.scatter.shape[-1]
        phase = self.phase[..., :p]
        turn = phase.conj()[..., :, None] * phase[..., None, :]
        blocks = real.reshape(n, -1, 2, p, 2, p)
        parts = [np.einsum("nhapbq,nhpq->napbq", blocks, part) for part in (turn.real, turn.imag)]
        return np.asarray((parts[0] + 1j * parts[1]).reshape(n, 2 * p, 2 * p))

    @property
    def log_determinant(self) -> Floats:
        """``ln det C`` of the samples, less that of the noise."""
        n_channels = self.own_matrix.shape[1]
        own = np.linalg.slogdet(self.own_matrix)[1].sum(axis=-1) + n_channels * np.log(self.scatter).sum(axis=-1)
        return own + np.linalg.slogdet(self.whole)[1] + np.log(self.common).sum(axis=-1)

    def derivatives(self, by: Floats) -> tuple[Floats, Floats]:
        """Half the gradient, (n, T), and half the second derivative, (n, T, T), of the misfit."""
        known, carrier = self.problem.known, 1j * self.problem.known.burst.carrier
        p, t = self.scatter.shape[-1], by.shape[-1]
        waves, curvature = transposed(self.waves), transposed(self.curvature)
        size, slope = waves[..., :p], waves[..., p:]
        amplitude, slope_u = self.amplitude[..., None], self.slope_u[..., None]
        model = (_times(size, amplitude) + _times(slope, slope_u))[..., 0]
        # By the times: the slope with each path's amplitude, and the carrier's phase less its mean, the amplitude's.
        relative = carrier * (by - by.mean(axis=1, keepdims=True))
        columns = -_times(slope, amplitude * by + slope_u * relative)
        columns -= _times(size, amplitude * relative) + _times(curvature, slope_u * by)
        columns[..., Q] = _times(transposed(self.by_q), amplitude)[..., 0]
        hz = 2.0 * np.pi * known.frequency_sd_share * known.burst.frequency_hz
        begin = self.problem.baseband.time_s[None] - (self.problem.baseband.time_s.min())
        columns[..., CARRIER] = 1j * hz * begin * model
        # Columns against the linear part's, in each channel, then against what all channels share; real and imaginary
        # parts side by side, as all in a channel is real.
        parts = np.concatenate([columns.real, columns.imag], axis=-1)
        residual = self.turned - model
        gradient = -2.0 * np.sum(
            transposed(columns.real) @ residual.real[..., None] + transposed(columns.imag) @ residual.imag[..., None],
            axis=(1, -1),
        )
        cross = self.waves @ parts
        own = self.own_inverse @ cross[..., :p, :]
        shared = cross - transposed(self.across) @ cross[..., :p, :]
        shared = np.sum(self.phase.conj()[..., None] * (shared[..., :t] + 1j * shared[..., t:]), axis=1)
        both = np.sum(transposed(parts) @ parts - transposed(cross[..., :p, :]) @ own, axis=1)
        information = both[..., :t, :t] + both[..., t:, t:]
        information -= (transposed(shared.conj()) @ (self.whole_inverse @ shared)).real
        return gradient, 2.0 * information


def path_sizes(problem: Problem) -> Floats:
    """Expected amplitude of each path over that of the direct one, of one that is not there next to nothing."""
    return np.where(problem.paths.expected > 0, problem.paths.expected, _ABSENT)


def common_variance(problem: Problem) -> Floats:
    """Prior variance of what all channels share: amplitudes, then timing errors times amplitude, shape (n, 2P)."""
    paths, roughness, size = problem.paths, problem.roughness, path_sizes(problem)
    bounces = np.maximum(paths.bounces, roughness.least_bounces)
    timing_s = np.maximum(roughness.timing_sd_m * bounces / problem.known.sound_speed_m_s, 1e-9)
    return np.concatenate([size * _AMPLITUDE_SD, size * timing_s], axis=-1) ** 2


def _times(real: Floats, factor: Complexes) -> Complexes:
    """Product of a real and a complex matrix, as two real ones."""
    return np.asarray(real @ factor.real + 1j * (real @ factor.imag))


def _diagonal(values: Floats) -> Floats:
    return values[..., None] * np.eye(values.shape[-1])
