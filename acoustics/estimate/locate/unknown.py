"""Sounds in a recording that are no pinger's of the notes: listed, so that none passes unseen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from acoustics.estimate.detect import Singles
from acoustics.estimate.locate.one_ping import heard_within_hz
from acoustics.estimate.spectrum import BurstTrain, find_bursts
from acoustics.io.sidecar import KnownPinger

# What `find_bursts` tells apart: a frequency to half a kilohertz in a short block, and bursts 50 ms apart.
_RESOLUTION_HZ, _DEAD_TIME_S = 750.0, 0.05
_ONCE_DB = 20.0  # over the noise: what is heard once must be as loud as this to be worth a line
_MOST_SOUNDS = 8  # the most frequent: a longer list is not read
_AT_ONCE_S, _SHORTEST_S = 0.5, 0.02  # of the samples in which noise and bursts are told apart
_POWER_STEP = 16  # one sample of so many tells a channel's power over half a second well enough


@dataclass
class UnknownSound:
    """Bursts of one frequency that no pinger of the notes has; `over_noise_db` in a band of a kilohertz or so."""

    frequency_hz: float
    count: int
    first_s: float
    last_s: float
    over_noise_db: float


@dataclass
class UnknownSounds:
    """Collects them half a second at a time, from one channel: that of middle power, which neither failed nor hums."""

    pingers: Sequence[KnownPinger]
    sample_rate_hz: float
    sounds: list[UnknownSound] = field(default_factory=list)
    _kept: Singles | None = None
    _n_kept: int = 0

    def hear(self, block: Singles, first_s: float, *, is_last: bool) -> None:
        """Take the next block, shape (n_channels, n_samples), from `first_s` [s] on; only the last may be shorter."""
        if self._kept is None:
            blocks = -(-int(_AT_ONCE_S * self.sample_rate_hz) // block.shape[-1])
            self._kept = np.empty((len(block), blocks * block.shape[-1]), dtype=np.float32)
        self._kept[:, self._n_kept : self._n_kept + block.shape[-1]] = block
        self._n_kept += block.shape[-1]
        if self._n_kept == self._kept.shape[-1] or is_last:
            self._look(self._kept[:, : self._n_kept], first_s + (block.shape[-1] - self._n_kept) / self.sample_rate_hz)
            self._n_kept = 0

    def _look(self, samples: Singles, first_s: float) -> None:
        if samples.shape[-1] < _SHORTEST_S * self.sample_rate_hz:
            return
        middle = np.argsort(np.var(samples[:, ::_POWER_STEP], axis=-1))[len(samples) // 2]
        for train in find_bursts(samples[middle : middle + 1], self.sample_rate_hz, overlap=False):
            if not any(self._may_be(train.frequency_hz, pinger) for pinger in self.pingers):
                self._add(train, first_s)

    def worth_a_line(self) -> tuple[UnknownSound, ...]:
        """Those heard more than once, or loud, the most frequent first."""
        heard = [s for s in self.sounds if s.count > 1 or s.over_noise_db > _ONCE_DB]
        return tuple(sorted(heard, key=lambda s: -s.count)[:_MOST_SOUNDS])

    def _may_be(self, frequency_hz: float, pinger: KnownPinger) -> bool:
        return abs(frequency_hz - pinger.frequency_hz) < _RESOLUTION_HZ + heard_within_hz(pinger)

    def _add(self, train: BurstTrain, first_s: float) -> None:
        for time_s in (first_s + train.time_s).tolist():
            same = [s for s in self.sounds if abs(s.frequency_hz - train.frequency_hz) < _RESOLUTION_HZ]
            if not same:
                self.sounds.append(UnknownSound(train.frequency_hz, 1, time_s, time_s, train.over_noise_db))
            elif time_s - same[0].last_s > _DEAD_TIME_S:
                same[0].count += 1
                same[0].last_s = time_s
                same[0].over_noise_db = max(same[0].over_noise_db, train.over_noise_db)
