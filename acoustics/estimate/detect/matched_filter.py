"""Matched quadrature filters of several bursts over blocks of samples, each at the low rate that its band needs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.record import record
from acoustics.physics.burst import Burst

Singles = NDArray[np.float32]
_DECAYS_KEPT = 3.0  # time constants of the transducer that belong to the template
# Of what a block answers for: what is heard waits for its end, and each block costs its calls and its look ahead.
_SHORTEST_HOP_S, _BURSTS_IN_A_HOP = 0.008, 2
# How far a burst that begins late in its block is followed to its peak, and what of the samples it then needs.
_LOOK_AHEAD_BURSTS = 2
_OVERLAP_BURSTS, _OVERLAP_S = 3.5, 0.002
# Outputs kept for each length of the burst: the best of them lies within a sixteenth of its beginning and loses 0.6 dB
# at most of the triangle that a matched filter answers with; its row is in benchmarks/constants.py
_LOOKS_IN_A_BURST = 8


def burst_samples(burst: Burst, sample_rate_hz: float) -> NDArray[np.complex128]:
    """The burst as an analytic signal of unit energy, sum of squares 1, decay included; shape (n,)."""
    length = burst.length_s + _DECAYS_KEPT * burst.q / (np.pi * burst.frequency_hz)
    t = np.arange(1, max(int(length * sample_rate_hz), 1) + 1) / sample_rate_hz
    samples = burst.complex_envelope(t) * np.exp(1j * burst.carrier * t)
    return samples / np.linalg.norm(samples)


def leakage(heard: Burst, listening: Burst) -> float:
    """Largest share of one burst's energy that passes the matched filter of another, over all delays [1].

    Parameters
    ----------
    heard, listening : Burst
        What sounds, and what the filter is matched to.

    Returns
    -------
    float
        1 for the same burst; the squared modulus of the cross-ambiguity function at zero Doppler, at its peak
        (Woodward 1953, Probability and Information Theory, with Applications to Radar, ch. 7).
    """
    rate = 2.5 * (max(heard.frequency_hz, listening.frequency_hz) + abs(heard.sweep_hz) + abs(listening.sweep_hz))
    a, b = burst_samples(heard, rate), burst_samples(listening, rate)
    n = scipy.fft.next_fast_len(len(a) + len(b))
    return float(np.max(np.abs(scipy.fft.ifft(scipy.fft.fft(a, n) * np.conj(scipy.fft.fft(b, n)))) ** 2))


@record
class FilterBank:
    """The filters of all pingers over blocks of one length, by products of matrices.

    Attributes
    ----------
    sample_rate_hz : float
        Of the samples [Hz].
    block : int
        Samples of a channel that are looked at at once.
    hop : int
        How far the next block begins after the last: what one block answers for, a multiple of every `step`.
    ahead : int
        How far beyond what it answers for a block has outputs, to show how what begins late in it goes on.
    steps : tuple of int
        Samples of the recording between two outputs, for each pinger.
    longest : int
        Samples of the longest burst.
    templates : tuple of ndarray of complex64, shape (step, n)
        Each burst's conjugate in n pieces of a step's length.
    """

    sample_rate_hz: float
    block: int
    hop: int
    ahead: int
    steps: tuple[int, ...]
    longest: int
    templates: tuple[NDArray[np.complex64], ...]

    def outputs(self, samples: Singles, starts: int) -> list[Singles]:
        """Power of each filter's output, for hypothetical starts of the burst `steps` samples apart.

        Parameters
        ----------
        samples : ndarray of float32, shape (n_channels, n)
            Longer by a burst and a step than the `starts`.
        starts : int
            Of the samples, in which a burst may begin; a multiple of every step.

        Returns
        -------
        list of ndarray, shape (n_channels, starts // step)
            ``|y|^2``, one array a pinger. In white noise of variance v it is exponential of mean v; a burst of energy
            ratio ``2 E / N0`` adds half of that times v where the filter lies upon it.
        """
        powers = []
        for template, step in zip(self.templates, self.steps, strict=True):
            n = template.shape[1]
            # Every piece of the samples times every piece of the burst; an output is the sum of n such products.
            rows = samples[:, : starts + (n - 1) * step].reshape(len(samples), -1, step)
            pieces = (rows @ template.view(np.float32)).view(np.complex64)
            along, down, across = pieces.strides
            output = as_strided(pieces, (len(rows), starts // step, n), (along, down, down + across)).sum(axis=-1)
            powers.append(output.real**2 + output.imag**2)
        return powers


def filter_bank(bursts: Sequence[Burst], sample_rate_hz: float) -> FilterBank:
    """Lay out block and templates for the bursts.

    Parameters
    ----------
    bursts : sequence of Burst
        What the pingers send.
    sample_rate_hz : float
        Of each channel [Hz].

    Raises
    ------
    ParameterError
        If a burst's band does not lie under half the sample rate.

    Notes
    -----
    Of a filter's outputs only those that its band needs are worked out, one in a hundred or so: the samples are
    filtered, shifted to baseband and decimated in one step. For tones that takes half of the time of transforms, for a
    chirp of 10 kHz in 10 ms eight times as long, and nothing is heard of what lies outside of the burst's length.
    """
    templates, steps, longest = [], [], 0
    for burst in bursts:
        if 2 * (burst.frequency_hz + abs(burst.sweep_hz) / 2) >= sample_rate_hz:
            raise ParameterError(
                f"sample_rate_hz={sample_rate_hz:g}: under twice the frequency of a burst at {burst.frequency_hz:g} Hz"
            )
        band = _LOOKS_IN_A_BURST / burst.length_s + 2 * abs(burst.sweep_hz)
        step = 1 << int(np.log2(max(sample_rate_hz / band, 2.0)))
        shape = burst_samples(burst, sample_rate_hz)
        longest = max(longest, len(shape))
        shape -= shape.mean()  # lets no offset of a converter pass
        pieces = np.pad(np.conj(shape), (0, -len(shape) % step)).reshape(-1, step)
        templates.append(np.ascontiguousarray(pieces.T, dtype=np.complex64))
        steps.append(step)
    least = max(_SHORTEST_HOP_S * sample_rate_hz, _BURSTS_IN_A_HOP * longest)
    hop, ahead = (-(-int(n) // max(steps)) * max(steps) for n in (least, _LOOK_AHEAD_BURSTS * longest))
    # An event's leading edge, and what follows it, stand in the block that finds it; the last output's burst too.
    overlap = int(np.ceil(_OVERLAP_BURSTS * longest + _OVERLAP_S * sample_rate_hz)) + max(steps)
    return FilterBank(sample_rate_hz, hop + overlap, hop, ahead, tuple(steps), longest, tuple(templates))
