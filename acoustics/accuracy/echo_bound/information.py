"""Fisher information of overlapping bursts of unknown amplitude, the amplitudes eliminated."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.burst import Burst

Complexes = NDArray[np.complex128]
Waves = NDArray[Any]  # real, or complex where the burst is swept

# Three Gauss-Legendre nodes integrate products of envelopes over a time constant to 1e-5 of themselves.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)
# Amplitudes count as known to a hundred thousand times themselves: not known, yet two paths that coincide do no harm.
_RIDGE = 1e-10
_SIDE, _COMPLEX_SIDE = 56, 36  # of a block of a product that is worked on one core: under 200,000 real products


@record
class BurstDoubt:
    """Standard deviations of what is not known of the burst: of Q as a share of it, of the carrier [Hz]."""

    q_sd_share: float
    frequency_sd_hz: float


def joint_information(
    burst: Burst, doubt: BurstDoubt, delay_s: Floats, amplitude: Complexes, by: Floats, window_s: Floats
) -> Floats:
    """Information about all parameters of the arrival times, then Q and carrier; amplitudes eliminated.

    Parameters
    ----------
    burst : Burst
        What the pinger sends, as far as it is known.
    doubt : BurstDoubt
        How far that is.
    delay_s : ndarray, shape (n, n_channels, n_paths)
        When each path begins [s]; infinite where there is none.
    amplitude : ndarray of complex, shape (n, n_channels, n_paths)
        Of each path's plateau, over the root of the noise density: ``|amplitude|^2`` times a duration is the energy
        ratio ``2 E / N0`` [s^-1/2]. One complex factor for each path, common to the channels, is not known.
    by : ndarray, shape (n, n_channels, n_paths, n_parameters)
        Derivative of the times by the parameters; those after the second in units of their standard deviations.
    window_s : ndarray, shape (n,)
        How long the samples count at each channel, from its first path on; no longer than the burst [s].

    Returns
    -------
    ndarray, shape (n, n_parameters + 2, n_parameters + 2)
        With the priors of all but the first two.

    Notes
    -----
    Samples of white normal noise about ``sum over paths a_p e(t - tau_p)``: the Fisher information is the real part of
    the derivatives' Gram matrix (S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, 1993,
    section 15.7). The amplitudes are linear, so taking them out is a projection (G. H. Golub and V. Pereyra, SIAM J.
    Numer. Anal. 10, 413-432 (1973), variable projection).
    """
    waves, weight, carried = _waves(burst, delay_s, amplitude, window_s)
    waves = waves * np.sqrt(weight)[..., None]
    mixing, n_paths = _mixing(burst, doubt, carried, by), delay_s.shape[-1]
    gram = _gram(waves)
    turned = _product(gram, mixing)
    # The amplitudes are of the first waves alone, so their part of the products is no matter of matrices.
    own = np.sum(gram[..., :n_paths, :n_paths] * carried.conj()[..., None] * carried[..., None, :], axis=1)
    cross = np.sum(carried.conj()[..., None] * turned[..., :n_paths, :], axis=1)
    errors = np.sum(_product(mixing, turned), axis=1)
    energy = np.einsum("npp->np", own).real
    own = own + np.eye(n_paths) * np.where(energy > 0, _RIDGE * energy, 1.0)[:, None]
    left = (errors - np.swapaxes(cross.conj(), -1, -2) @ np.linalg.solve(own, cross)).real
    prior = np.ones(left.shape[-1])
    prior[:2] = 0.0
    return np.asarray(left + np.diag(prior))


def _product(left: Waves, right: Waves) -> Waves:
    """``left^H right`` of shapes (..., k, m) and (..., k, n), in blocks that stay on one core.

    A linear algebra library that shares out such small products among cores spends its time on waiting for them.
    """
    if np.isrealobj(left) and np.iscomplexobj(right):
        return _product(left, right.real.copy()) + 1j * _product(left, right.imag.copy())
    rows, (length, across) = left.shape[-1], right.shape[-2:]
    left = np.swapaxes(left.conj(), -1, -2)
    side = _SIDE if np.isrealobj(left) and np.isrealobj(right) else _COMPLEX_SIDE
    total = np.zeros((*left.shape[:-2], rows, across), dtype=np.result_type(left, right))
    for i, j, k in itertools.product(*(range(0, size, side) for size in (rows, across, length))):
        here, there, along = slice(i, i + side), slice(j, j + side), slice(k, k + side)
        total[..., here, there] += left[..., here, along] @ right[..., along, there]
    return total


def _gram(waves: Waves) -> Waves:
    """``waves^H waves`` of shape (..., k, n), without what its symmetry gives."""
    n, half = waves.shape[-1], waves.shape[-1] // 2
    if n <= _COMPLEX_SIDE:
        return _product(waves, waves)
    first, second = waves[..., :half], waves[..., half:]
    across = _product(first, second)
    whole = np.empty((*waves.shape[:-2], n, n), dtype=waves.dtype)
    whole[..., :half, :half], whole[..., half:, half:] = _gram(first), _gram(second)
    whole[..., :half, half:], whole[..., half:, :half] = across, np.swapaxes(across.conj(), -1, -2)
    return whole


def _waves(burst: Burst, delay_s: Floats, amplitude: Complexes, window_s: Floats) -> tuple[Waves, Floats, Complexes]:
    """What all derivatives are sums of, at the nodes of an integral over each channel's window, and the weights.

    Waves, shape (n, n_channels, n_nodes, 2 n_paths + 4): envelope and slope of each path, real and imaginary part of
    the sums over the paths by Q and by the carrier. Without a sweep they are real, and their products much cheaper.
    Last, each path's amplitude with the phase that its delay gives it, shape (n, n_channels, n_paths).
    """
    here = np.isfinite(delay_s)
    begin = delay_s.min(axis=-1)
    delay = np.where(here, delay_s, begin[..., None])
    time, weight = _nodes(burst, delay, begin, window_s)
    age = time[..., None] - delay[:, :, None, :]
    size, slope = burst.complex_envelope_and_slope(age)
    carried = np.where(here, amplitude, 0.0) * np.exp(-1j * burst.carrier * delay)
    build_up = slope
    if burst.sweep_hz:
        offset = 2 * np.pi * burst.sweep_hz * (np.clip(age / burst.length_s, 0.0, 1.0) - 0.5)
        build_up = slope - 1j * offset * size
    # While it is driven the envelope is a function of t / Q alone.
    aged = np.concatenate([-age * build_up, age * size], axis=-1)
    n_paths = delay.shape[-1]
    pair = np.zeros((*carried.shape[:2], 2 * n_paths, 4))
    pair[..., :n_paths, 0], pair[..., :n_paths, 1] = carried.real, carried.imag
    pair[..., n_paths:, 2], pair[..., n_paths:, 3] = carried.real, carried.imag
    return np.concatenate([size, slope, aged @ pair], axis=-1), weight, carried


def _mixing(burst: Burst, doubt: BurstDoubt, carried: Complexes, by: Floats) -> Complexes:
    """How derivatives by parameters, Q and carrier are made of the waves, (n, n_channels, 2 n_paths + 4, n_errors)."""
    n_paths, n_parameters = by.shape[-2:]
    matrix = np.zeros((*carried.shape[:2], 2 * n_paths + 4, n_parameters + 2), dtype=complex)
    later = -carried[..., None] * by
    matrix[..., :n_paths, :-2] = 1j * burst.carrier * later
    matrix[..., n_paths : 2 * n_paths, :-2] = later
    matrix[..., -4:-2, -2] = doubt.q_sd_share * np.array([1.0, 1j])
    matrix[..., -2:, -1] = 2j * np.pi * doubt.frequency_sd_hz * np.array([1.0, 1j])
    return matrix


def _nodes(burst: Burst, delay_s: Floats, begin_s: Floats, window_s: Floats) -> tuple[Floats, Floats]:
    """Nodes and weights of an integral over each channel's window, shape (n, n_channels, n_nodes) each.

    The window is divided wherever a path begins, so that all envelopes are smooth between.
    """
    constant = burst.q / (np.pi * burst.frequency_hz)
    if burst.sweep_hz:
        constant = min(constant, 0.2 / abs(burst.sweep_hz))
    n_steps = max(1, int(np.ceil(np.max(window_s) / constant)))
    window = window_s[:, None, None]
    begin = begin_s[..., None]
    regular = begin + window * np.linspace(0.0, 1.0, n_steps + 1)
    edges = np.sort(np.concatenate([regular, np.clip(delay_s, begin, begin + window)], axis=-1), axis=-1)
    half = np.diff(edges, axis=-1)[..., None] / 2
    time = edges[..., :-1, None] + half * (1.0 + _NODES)
    shape = (*begin_s.shape, -1)
    return time.reshape(shape), (half * _WEIGHTS).reshape(shape)
