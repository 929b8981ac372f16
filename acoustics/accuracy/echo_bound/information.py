"""Fisher information of overlapping bursts of unknown amplitude, the amplitudes eliminated."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.echo_bound.products import BurstDoubt, Complexes, Products, product
from acoustics.accuracy.echo_bound.tone_products import tone_products
from acoustics.base.frames import Floats
from acoustics.physics.burst import Burst

# Three Gauss-Legendre nodes integrate products of envelopes over a time constant to 1e-5 of themselves.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)
# Amplitudes count as known to a hundred thousand times themselves: not known, yet two paths that coincide do no harm.
_RIDGE = 1e-10


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
    here = np.isfinite(delay_s)
    delay = np.where(here, delay_s, delay_s.min(axis=-1, keepdims=True))
    carried = np.where(here, amplitude, 0.0) * np.exp(-1j * burst.carrier * delay)
    products = _chirp_products if burst.sweep_hz else tone_products
    found = products(burst, doubt, delay, window_s, carried, by)
    own, cross, errors = found.own, found.cross, found.errors
    energy = np.einsum("npp->np", own).real
    own = own + np.eye(own.shape[-1]) * np.where(energy > 0, _RIDGE * energy, 1.0)[:, None]
    left = (errors - np.swapaxes(cross.conj(), -1, -2) @ np.linalg.solve(own, cross)).real
    prior = np.ones(left.shape[-1])
    prior[:2] = 0.0
    return np.asarray(left + np.diag(prior))


def _chirp_products(
    burst: Burst, doubt: BurstDoubt, delay_s: Floats, window_s: Floats, carried: Complexes, by: Floats
) -> Products:
    """As `tone_products`, of a swept burst: by sums over the nodes of an integral over each channel's window."""
    time, weight = _nodes(burst, delay_s, window_s)
    age = time[..., None] - delay_s[:, :, None, :]
    size, slope = burst.complex_envelope_and_slope(age)
    offset = 2 * np.pi * burst.sweep_hz * (np.clip(age / burst.length_s, 0.0, 1.0) - 0.5)
    root = np.sqrt(weight)[..., None]
    # While it is driven the envelope is a function of t / Q alone.
    by_burst = np.stack(
        [
            -doubt.q_sd_share * np.einsum("ncmp,ncp->ncm", age * (slope - 1j * offset * size), carried),
            2j * np.pi * doubt.frequency_sd_hz * np.einsum("ncmp,ncp->ncm", age * size, carried),
        ],
        axis=-1,
    )
    later = -carried[..., None] * by
    by_errors = np.concatenate([(1j * burst.carrier * size + slope) @ later, by_burst], axis=-1) * root
    by_amplitudes = size * carried[:, :, None] * root
    flat = [part.reshape(len(part), -1, part.shape[-1]) for part in (by_amplitudes, by_errors)]
    return Products(product(flat[0], flat[0]), product(flat[0], flat[1]), product(flat[1], flat[1]))


def _nodes(burst: Burst, delay_s: Floats, window_s: Floats) -> tuple[Floats, Floats]:
    """Nodes and weights of an integral over each channel's window, shape (n, n_channels, n_nodes) each.

    The window is divided wherever a path begins, so that all envelopes are smooth between.
    """
    constant = min(1.0 / burst.build_up_rate, 0.2 / abs(burst.sweep_hz))
    n_steps = max(1, int(np.ceil(np.max(window_s) / constant)))
    window = window_s[:, None, None]
    begin = delay_s.min(axis=-1, keepdims=True)
    regular = begin + window * np.linspace(0.0, 1.0, n_steps + 1)
    edges = np.sort(np.concatenate([regular, np.clip(delay_s, begin, begin + window)], axis=-1), axis=-1)
    half = np.diff(edges, axis=-1)[..., None] / 2
    time = edges[..., :-1, None] + half * (1.0 + _NODES)
    shape = (*delay_s.shape[:-1], -1)
    return time.reshape(shape), (half * _WEIGHTS).reshape(shape)
