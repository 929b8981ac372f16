"""Matched quadrature filters of several bursts over blocks of samples, each at the low rate that its band needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from acoustics.base.errors import ParameterError
from acoustics.physics.burst import Burst

Singles = NDArray[np.float32]
_DECAYS_KEPT = 3.0  # time constants of the transducer that belong to the template
# Blocks: long ones waste less on the overlap, short ones answer sooner. They decide time, not what is heard.
_SHORTEST_BLOCK_S = 0.03
_BURSTS_IN_A_BLOCK = 10
# How far a burst that begins late in its block is followed to its peak, and what of the samples it then needs.
_LOOK_AHEAD_BURSTS = 2
_OVERLAP_BURSTS, _OVERLAP_S = 3.5, 0.002
# Before its first output a block holds a burst's length more: the transform is circular, and a burst that the block's
# end cuts would be heard at its beginning. Beyond that length a filter of so narrow a band rings below -74 dB.
_LEAD_BURSTS = 1
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
    n = fft.next_fast_len(len(a) + len(b))
    return float(np.max(np.abs(fft.ifft(fft.fft(a, n) * np.conj(fft.fft(b, n)))) ** 2))


@dataclass(frozen=True)
class FilterBank:
    """The filters of all pingers over blocks of one length, by one transform a channel (overlap-save).

    Attributes
    ----------
    sample_rate_hz : float
        Of the samples [Hz].
    block : int
        Samples of a channel that are transformed at once.
    lead : int
        Samples of the block before its first output.
    hop : int
        How far the next block begins after the last: what one block answers for, a multiple of every `step`.
    steps : tuple of int
        Samples of the recording between two outputs, for each pinger.
    longest : int
        Samples of the longest burst.
    templates : tuple of ndarray
        Spectrum of each burst in the bins of its band.
    first_bins : tuple of int
        Lowest bin of each band.
    """

    sample_rate_hz: float
    block: int
    lead: int
    hop: int
    steps: tuple[int, ...]
    longest: int
    templates: tuple[NDArray[np.complex64], ...]
    first_bins: tuple[int, ...]

    def outputs(self, samples: Singles) -> list[Singles]:
        """Power of each filter's output, for hypothetical starts of the burst `steps` samples apart.

        Parameters
        ----------
        samples : ndarray of float32, shape (n_channels, block)
            One block.

        Returns
        -------
        list of ndarray, shape (n_channels, n_outputs)
            ``|y|^2``, one array a pinger; the first ``hop // step`` are this block's, the others, for the next
            two lengths of the longest burst, show how what begins late in the block goes on. In white noise of
            variance v it is exponential of mean v; a burst of energy ratio ``2 E / N0`` adds half of that times v
            where the filter lies upon it.
        """
        spectrum = fft.rfft(samples, axis=-1)
        powers = []
        for template, first, step in zip(self.templates, self.first_bins, self.steps, strict=True):
            band = spectrum[:, first : first + len(template)] * template
            own = slice(self.lead // step, (self.lead + self.hop + _LOOK_AHEAD_BURSTS * self.longest) // step)
            output = fft.ifft(band, axis=-1)[:, own]
            powers.append(output.real**2 + output.imag**2)
        return powers


def filter_bank(bursts: Sequence[Burst], sample_rate_hz: float) -> FilterBank:
    """Lay out block, band and template for the bursts.

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
    The block's spectrum is taken once; each pinger's band, many times narrower, goes back to time by a short
    inverse transform. So the samples are filtered, shifted to baseband and decimated in one step,
    for which scipy.signal has no function: its decimators take one real band, and a pass of their own for each pinger.
    """
    shapes = [burst_samples(burst, sample_rate_hz) for burst in bursts]
    longest = max(len(shape) for shape in shapes)
    least = max(_SHORTEST_BLOCK_S * sample_rate_hz, _BURSTS_IN_A_BLOCK * longest)
    bands = [_LOOKS_IN_A_BURST / burst.length_s + 2 * abs(burst.sweep_hz) for burst in bursts]
    steps = [1 << int(np.log2(max(sample_rate_hz / band, 2.0))) for band in bands]
    block = max(steps) * fft.next_fast_len(int(np.ceil(least / max(steps))))
    templates, firsts = [], []
    for burst, shape, step in zip(bursts, shapes, steps, strict=True):
        if 2 * (burst.frequency_hz + abs(burst.sweep_hz) / 2) >= sample_rate_hz:
            raise ParameterError(
                f"sample_rate_hz={sample_rate_hz:g}: under twice the frequency of a burst at {burst.frequency_hz:g} Hz"
            )
        bins = block // step
        first = int(np.clip(round(burst.frequency_hz * block / sample_rate_hz) - bins // 2, 0, block // 2 + 1 - bins))
        spectrum = np.conj(fft.fft(shape, block)[first : first + bins])
        # The short inverse transform divides by its own length where the long one would by the block's.
        templates.append((spectrum * bins / block).astype(np.complex64))
        firsts.append(first)
    # An event's leading edge, and what follows it, stand in the block that finds it.
    overlap = int(np.ceil(_OVERLAP_BURSTS * longest + _OVERLAP_S * sample_rate_hz))
    lead = -(-_LEAD_BURSTS * longest // max(steps)) * max(steps)
    hop = (block - lead - overlap) // max(steps) * max(steps)
    return FilterBank(sample_rate_hz, block, lead, hop, tuple(steps), longest, tuple(templates), tuple(firsts))
