"""How far several bursts show in each other's matched filters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acoustics.base.frames import Floats
from acoustics.estimate.detect.matched_filter import leakage
from acoustics.physics.burst import Burst

# Echoes of another pinger may cancel in its own band while the edges of their bursts add up in this one.
_LEAKAGE_MARGIN = 10.0  # 10 dB above what leaks by the filter's own cross-correlation; common practice, no source


def leaks(bursts: Sequence[Burst]) -> Floats:
    """Power of each burst, by column, that may show in each other's band, by row, shape (n, n); none in its own."""
    found = np.zeros((len(bursts), len(bursts)))
    for own, heard in np.argwhere(~np.eye(len(bursts), dtype=bool)):
        found[own, heard] = _LEAKAGE_MARGIN * leakage(bursts[heard], bursts[own])
    return found


def indistinct(bursts: Sequence[Burst]) -> list[tuple[int, int]]:
    """Pairs of bursts, by their numbers, of which each leaks so far into the other's band that it hides its own."""
    found = leaks(bursts)
    return [(int(i), int(j)) for i, j in np.argwhere(np.triu(found * found.T >= _LEAKAGE_MARGIN, 1))]
