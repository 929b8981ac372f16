"""The linear part of the likelihood where the array is so small that a path's envelope is the same in all channels.

Only the carrier's phases tell the hydrophones apart: bursts, Gram matrices and inverses are those of one channel, and
what differs from channel to channel is worked out in one product. A tenth of the work of `likelihood.evaluate`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import positive_inverse, transposed
from acoustics.estimate.echoes.baseband import Complexes
from acoustics.estimate.echoes.likelihood import Problem, common_variance, of_prior, path_sizes
from acoustics.estimate.echoes.paths import CARRIER, FACES, Q, arrival_times, arrivals_alone


def evaluate_small(problem: Problem, states: Floats) -> tuple[Floats, Floats, Floats]:
    """`likelihood.evaluate` of states (T, n) for a small array, mounting and skew held where they are.

    Near enough for a descent that allows each path's length some centimetres.
    """
    known, state = problem.known, np.ascontiguousarray(states.T)
    moving = FACES + len(known.faces_sd)
    arrival, by = arrival_times(known, problem.paths, state, by_channels=False)
    part = _SmallLinear(problem, state, arrival)
    gradient, information = np.zeros_like(state), np.tile(np.eye(known.n_parameters), (len(state), 1, 1))
    gradient[:, :moving], information[:, :moving, :moving] = part.derivatives(by)
    gradient[:, :moving] += (known.prior * state)[:, :moving]
    information[:, :moving, :moving] += np.diag(known.prior[:moving])
    total = part.misfit + of_prior(problem, state)
    return total, np.ascontiguousarray(np.moveaxis(information, 0, -1)), np.ascontiguousarray(gradient.T)


def cost_small(problem: Problem, state: Floats) -> tuple[Floats, Floats]:
    """`likelihood.cost` of states (n, T) for a small array."""
    part = _SmallLinear(problem, state, arrivals_alone(problem.known, problem.paths, state))
    return part.misfit + of_prior(problem, state), part.log_determinant


class _SmallLinear:
    """As `likelihood._Linear`, with one burst ``S`` and slope ``S'`` of each path for all channels.

    Complex numbers stand side by side, real and imaginary, beside the channels: what meets them is real.
    """

    def __init__(self, problem: Problem, state: Floats, arrival_s: Floats) -> None:
        self.problem, known = problem, problem.known
        baseband = problem.baseband
        one = replace(baseband, time_s=baseband.time_s[:1])
        size = float(np.mean(problem.level / np.sqrt(problem.noise_share)))
        table = size * problem.table(one, arrival_s.mean(axis=1, keepdims=True))[:, :, 0]  # (5, n, P, N)
        q = (known.q_sd_share * state[:, Q])[:, None, None]
        self.by_q = (table[3] + q * table[4]) * known.q_sd_share
        self.waves = np.concatenate([table[0] + q * table[3] + q**2 / 2 * table[4], table[1], table[2]], axis=-2)
        offset = arrival_s - arrival_s.mean(axis=1, keepdims=True)
        self.phase = np.exp(-1j * known.burst.carrier * offset)  # (n, h, P)
        y = baseband.samples * (size / problem.level)[:, None]
        offset_hz = known.frequency_sd_share * known.burst.frequency_hz * state[:, CARRIER]
        self.since_s = baseband.time_s - baseband.time_s.min()
        self.turned = y * np.exp(-2j * np.pi * offset_hz[:, None, None] * self.since_s)  # (n, h, N)
        self.scatter = (problem.scatter * path_sizes(problem)) ** 2
        self._solve(float(np.sum(np.abs(y) ** 2)))

    def _solve(self, energy: float) -> None:
        n, h, p = self.phase.shape
        shapes = self.waves[:, : 2 * p]
        gram, z = shapes @ transposed(shapes), shapes @ _side_by_side(self.turned)  # (n, 2P, 2P), (n, 2P, 2h)
        inverse_scatter = 1.0 / self.scatter
        own = gram[:, :p, :p].copy()
        own[:, np.arange(p), np.arange(p)] += inverse_scatter
        self.own_matrix = own
        self.own_inverse = positive_inverse(own)
        # The first block of `gram` is the own matrix less 1 / scatter: products with it are differences.
        slope = self.own_inverse @ gram[:, :p, p:]
        self.across = np.concatenate([np.eye(p) - self.own_inverse * inverse_scatter[:, None], slope], axis=-1)
        left = np.empty_like(gram)
        left[:, :p] = inverse_scatter[..., None] * self.across
        left[:, p:, :p] = transposed(left[:, :p, p:])
        left[:, p:, p:] = gram[:, p:, p:] - gram[:, p:, :p] @ slope
        common = common_variance(self.problem)
        turn = np.swapaxes(self.phase.conj(), -1, -2) @ self.phase
        whole = (left.reshape(n, 2, p, 2, p) * turn[:, None, :, None]).reshape(n, 2 * p, 2 * p)
        whole[:, np.arange(2 * p), np.arange(2 * p)] += 1.0 / common
        self.whole_inverse = positive_inverse(whole)
        self.whole, self.common = whole, common
        total = self._over_channels((z - transposed(self.across) @ z[:, :p])[..., None])[..., 0]
        u = (self.whole_inverse @ total[..., None])[..., 0]
        own_z = self.own_inverse @ z[:, :p]
        shared = np.concatenate([self.phase, self.phase], axis=-1) * u[:, None]
        scattered = own_z - self.across @ _side_by_side(shared)
        self.amplitude = shared[..., :p] + _complex(scattered)
        self.slope_u = shared[..., p:]
        explained = np.sum(z[:, :p] * own_z, axis=(-1, -2)) + np.sum(total.conj() * u, axis=-1).real
        self.misfit = 2.0 * (energy - explained)

    @property
    def log_determinant(self) -> Floats:
        """``ln det C`` of the samples, less that of the noise."""
        own = np.linalg.slogdet(self.own_matrix)[1] + np.log(self.scatter).sum(axis=-1)
        return self.phase.shape[1] * own + np.linalg.slogdet(self.whole)[1] + np.log(self.common).sum(axis=-1)

    def _over_channels(self, beside: Floats) -> Complexes:
        """Sum of values (n, 2P, 2h, k) over the channels, each turned back by its phases: (n, 2P, k)."""
        n, h, p = self.phase.shape
        parts = beside.reshape(n, 2, p, h, 2, -1)
        back = np.moveaxis(self.phase.conj(), 1, -1)[:, None, ..., None]  # (n, 1, P, h, 1)
        out = np.sum(back * (parts[..., 0, :] + 1j * parts[..., 1, :]), axis=3)
        return np.asarray(out.reshape(n, 2 * p, -1))

    def derivatives(self, by: Floats) -> tuple[Floats, Floats]:
        """Half the gradient, (n, T), and half the second derivative, (n, T, T), of the misfit."""
        known, (n, h, p), t = self.problem.known, self.phase.shape, by.shape[-1]
        amplitude, slope_u = (np.moveaxis(x, 1, 2)[..., None] for x in (self.amplitude, self.slope_u))  # (n, P, h, 1)
        common = by.mean(axis=1)[:, :, None]  # (n, P, 1, T)
        relative = 1j * known.burst.carrier * (np.moveaxis(by, 1, 2) - common)
        parts = [-amplitude * relative, -amplitude * common - slope_u * relative, -slope_u * common]
        factors = np.concatenate(parts, axis=1)  # (n, 3P, h, T)
        beside = np.stack([factors.real, factors.imag], axis=3).reshape(n, 3 * p, -1)
        columns = (transposed(self.waves) @ beside).reshape(n, -1, h, 2, t)  # (n, N, h, 2, T)
        amplitudes = _side_by_side(self.amplitude)
        both = np.concatenate([amplitudes, _side_by_side(self.slope_u)], axis=1)
        model = transposed(self.waves[:, : 2 * p]) @ both  # (n, N, 2h)
        columns[..., Q] = (transposed(self.by_q) @ amplitudes).reshape(n, -1, h, 2)
        hz = 2.0 * np.pi * known.frequency_sd_share * known.burst.frequency_hz
        turning = model.reshape(n, -1, h, 2) * (hz * self.since_s.T)[..., None]
        columns[..., 0, CARRIER], columns[..., 1, CARRIER] = -turning[..., 1], turning[..., 0]
        residual = (_side_by_side(self.turned) - model).reshape(n, -1, 1)
        flat = columns.reshape(n, -1, t)
        gradient = -2.0 * (transposed(flat) @ residual)[..., 0]
        cross = self.waves[:, : 2 * p] @ columns.reshape(n, -1, h * 2 * t)
        own = self.own_inverse @ cross[:, :p]
        information = transposed(flat) @ flat
        information -= transposed(cross[:, :p].reshape(n, -1, t)) @ own.reshape(n, -1, t)
        shared = cross - transposed(self.across) @ cross[:, :p]
        shared = self._over_channels(shared.reshape(n, 2 * p, 2 * h, t))
        information -= (np.swapaxes(shared.conj(), -1, -2) @ (self.whole_inverse @ shared)).real
        return gradient, 2.0 * information


def _side_by_side(values: Complexes) -> Floats:
    """Complex values (n, h, k) as real ones (n, k, 2h): of each channel the real beside the imaginary part."""
    return np.ascontiguousarray(np.moveaxis(values, 1, -1)).view(float)


def _complex(beside: Floats) -> Complexes:
    """The inverse of `_side_by_side`."""
    return np.moveaxis(np.ascontiguousarray(beside).view(complex), -1, 1)
