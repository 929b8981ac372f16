"""Sums over samples of echoes of the direct sound, of many beginnings at once.

While a tone without a sweep is driven, an echo that begins at b has the envelope ``1 - exp(r b) exp(-r t)``: of t alone
but for a factor of b. So its sums with anything are of two running sums of that, whatever the number of beginnings.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.burst_sums import BurstSums
from acoustics.physics.burst import Complexes

_NUMBERS_AT_ONCE = 100_000  # some 10 MB at work
_LARGEST_EXPONENT = 300.0  # of the build-up by the last beginning; its square is still a number


class EchoEnvelopeSums(NamedTuple):
    """S and L of echoes with themselves, (m, n_channels, k), S and L with envelope and slope of the direct sound, (...,
    k, 2), and M, (..., k), as `burst_sums` has them."""

    own_doubled: Complexes
    own_level: Floats
    doubled: Complexes
    level: Complexes
    mixed: Complexes


def echo_sums(sums: BurstSums, begins_s: Floats, until_s: Floats | None = None) -> EchoEnvelopeSums:
    """Of echoes that begin `begins_s`, shape (k,), after each channel's onset [s].

    With `until_s`, shape (k,), each stands twice: heard until then alone, and to the end.
    """
    burst, last = sums.carried.burst, float((sums.since_s * sums.inside).max(initial=0.0))
    steep = burst.build_up_rate * float(begins_s.max(initial=0.0))
    if burst.sweep_hz or last > burst.length_s or steep > _LARGEST_EXPONENT or not len(begins_s):
        return _sample_by_sample(sums, begins_s, until_s)
    return _by_running_sums(sums, begins_s, until_s)


def _sample_by_sample(sums: BurstSums, begins_s: Floats, until_s: Floats | None) -> EchoEnvelopeSums:
    """Of any burst."""
    found = []
    step = max(1, _NUMBERS_AT_ONCE // sums.since_s.size)
    for i in range(0, max(len(begins_s), 1), step):
        later = sums.carried.burst.later_envelopes(sums.since_s, begins_s[i : i + step])
        envelopes = later * sums.inside[:, :, None]
        if until_s is not None:
            alone = envelopes * (sums.since_s[:, :, None] < until_s[i : i + step, None])
            envelopes = np.concatenate([alone, envelopes], axis=2)
        found.append((*sums.carried.envelopes_squared(envelopes), *sums.with_echoes(envelopes)))
    return EchoEnvelopeSums(*(np.concatenate(column, axis=2) for column in zip(*found, strict=True)))


def _by_running_sums(sums: BurstSums, begins_s: Floats, until_s: Floats | None) -> EchoEnvelopeSums:
    """Of a tone that is driven all the while, whose envelope is ``1 - e``, with the slope ``r e``."""
    m, n, samples = sums.since_s.shape
    rate = sums.carried.burst.build_up_rate
    fading = np.exp(-rate * np.maximum(sums.since_s, 0.0))
    # The carrier's square, in parts, and 1, each times 1, e and e^2; then the samples on their carrier by 1 and e. Over
    # the samples from the last one back, with nothing before.
    after = np.zeros((m, n, 13, samples + 1))
    of = after[..., :0:-1]
    of[:, :, :2], of[:, :, 2] = sums.carried.doubled[..., :samples] * sums.inside[:, :, None], sums.inside
    np.multiply(of[:, :, :3], fading[:, :, None], out=of[:, :, 3:6])
    np.multiply(of[:, :, 3:6], fading[:, :, None], out=of[:, :, 6:9])
    np.multiply(sums.carried.mixed[..., :samples], sums.inside[:, :, None], out=of[:, :, 9:11])
    np.multiply(of[:, :, 9:11], fading[:, :, None], out=of[:, :, 11:])
    np.cumsum(after, axis=-1, out=after)

    def summed(times_s: Floats) -> Floats:
        """Over the samples from some times on, (m, n, 13, k)."""
        left = samples - _count_before(sums.since_s, times_s)
        return np.take_along_axis(after, left[:, :, None], axis=-1)

    found = summed(begins_s)
    if until_s is not None:
        found = np.concatenate([found - summed(np.maximum(until_s, begins_s)), found], axis=-1)
        begins_s = np.tile(begins_s, 2)
    steady, faded, twice = found[:, :, :3], found[:, :, 3:6], found[:, :, 6:9]
    grown = np.exp(rate * begins_s)  # of the echo, whose envelope is 1 - grown e
    own = steady - 2.0 * grown * faded + grown**2 * twice
    by_envelope, by_slope = steady - (1.0 + grown) * faded + grown * twice, rate * (faded - grown * twice)
    both = np.stack([by_envelope, by_slope], axis=-1)
    mixed = found[:, :, 9:11] - grown * found[:, :, 11:]
    own_doubled = own[:, :, 0] + 1j * own[:, :, 1]
    return EchoEnvelopeSums(
        own_doubled,
        # No less than that, but for rounding where the echo has few samples.
        np.maximum(own[:, :, 2], np.abs(own_doubled) * (1.0 + 1e-12)),
        both[:, :, 0] + 1j * both[:, :, 1],
        both[:, :, 2].astype(complex),
        mixed[:, :, 0] + 1j * mixed[:, :, 1],
    )


def _count_before(since_s: Floats, times_s: Floats) -> NDArray[np.intp]:
    """How many of evenly spaced samples (m, n, samples) come before times (k,), shape (m, n, k)."""
    samples = since_s.shape[-1]
    interval = since_s[0, 0, 1] - since_s[0, 0, 0] if samples > 1 else 1.0
    count = np.clip(np.rint((times_s - since_s[..., :1]) / interval), 0, samples).astype(np.intp)
    # Whether the nearest one comes before is a matter of rounding.
    there = np.take_along_axis(since_s, np.minimum(count, samples - 1), axis=-1)
    count += (count < samples) & (there < times_s)
    before = np.take_along_axis(since_s, np.maximum(count - 1, 0), axis=-1)
    return np.asarray(count - ((count > 0) & (before >= times_s)))
