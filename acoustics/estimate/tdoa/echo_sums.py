"""Sums over samples of echoes of the direct sound, of many beginnings at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.burst_sums import BurstSums
from acoustics.estimate.tdoa.running_sums import RunningSums
from acoustics.physics.burst import Complexes, Envelopes

_NUMBERS_AT_ONCE = 100_000  # some 10 MB at work


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
    if sums.running is None or not len(begins_s):
        return _sample_by_sample(sums, begins_s, until_s)
    return _by_running_sums(sums, sums.running, begins_s, until_s)


def _sample_by_sample(sums: BurstSums, begins_s: Floats, until_s: Floats | None) -> EchoEnvelopeSums:
    """Of any burst."""
    found, direct = [], sums.samples
    step = max(1, _NUMBERS_AT_ONCE // direct.since_s.size)
    for i in range(0, max(len(begins_s), 1), step):
        later = sums.carried.burst.later_envelopes(direct.since_s, begins_s[i : i + step])
        envelopes = later * direct.inside[:, :, None]
        if until_s is not None:
            alone = envelopes * (direct.since_s[:, :, None] < until_s[i : i + step, None])
            envelopes = np.concatenate([alone, envelopes], axis=2)
        found.append((*sums.carried.envelopes_squared(envelopes), *direct.with_echoes(envelopes)))
    return EchoEnvelopeSums(*(np.concatenate(column, axis=2) for column in zip(*found, strict=True)))


def _by_running_sums(
    sums: BurstSums, running: RunningSums, begins_s: Floats, until_s: Floats | None
) -> EchoEnvelopeSums:
    """Of a tone that is driven all the while, whose envelope is ``1 - e``, with the slope ``r e``."""
    onset, end = sums.onset_s[..., None], sums.end_s[..., None]
    begin = onset + begins_s
    last = np.broadcast_to(end, begin.shape)
    if until_s is not None:
        begin, last = np.tile(begin, 2), np.concatenate([np.minimum(onset + until_s, end), last], axis=-1)
    first = np.minimum(begin, end)
    found, direct, grown = running.between(first, np.maximum(first, last)), running.grown(onset), running.grown(begin)
    (own_doubled, own_level), (doubled, level) = zip(
        *(_with_itself_and_direct(of, grown, direct, running.rate) for of in found[:2]), strict=True
    )
    return EchoEnvelopeSums(
        own_doubled,
        # No less than that, but for rounding where the echo has few samples.
        np.maximum(own_level, np.abs(own_doubled) * (1.0 + 1e-12)),
        doubled,
        level.astype(complex),
        found.mixed[0] - grown * found.mixed[1],
    )


def _with_itself_and_direct(sums: Envelopes, grown: Floats, direct: Floats, rate: float) -> tuple[Envelopes, Envelopes]:
    """Of echoes ``1 - grown e`` with themselves, (m, n_channels, k), and with envelope and slope of a direct sound
    ``1 - direct e``, (..., 2), by `sums` (3, ...) of something times 1, e and e^2."""
    steady, faded, twice = sums
    left = faded - grown * twice
    own = steady - grown * (faded + left)
    return own, np.stack([steady - grown * faded - direct * left, rate * direct * left], axis=-1)
