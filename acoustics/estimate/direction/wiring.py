"""Are the channels wired as noted: swapped or inverted ones, by what phases and build-ups of several pings say."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa import OnsetMisfit, Tdoa, resolve_ambiguity
from acoustics.physics.tdoa import difference_matrix

# Residuals that arise by chance less often than this are no chance: one healthy ping in a thousand is refused.
MISFIT_P = 1e-3
# What one ping may add to the logarithm of the odds, so that several must agree, and from where on the odds count;
# false alarms and faults that are found: tests/benchmarks/wiring.py
_MOST_OF_ONE_PING, _CONVINCED = 6.0, 10.0
# Of the logarithm of the odds, what may be alike in all pings from one place: over 99 in 100 pings of sound recordings
# have less against them (tests/benchmarks/wiring.py)
_SHARED_ODDS = 3.0
# Echoes so soon bend the build-up: its misfit then counts for less (tests/benchmarks/wiring.py).
_SOON_CYCLES, _SHARE_BEFORE_ECHOES = 12.0, 0.3
_NEARLY_AS_LIKELY = 3.0  # as the likeliest wiring: not to be told from it
_ENOUGH_PINGS = 16  # a cable is seldom changed in the middle of a recording


@record
class Wiring:
    """One way in which the channels may be wired, by name and as what it does to arrival times.

    `channels` names the one that is inverted or the two that are swapped, none where all is as noted.
    """

    channels: tuple[str, ...]
    order: tuple[int, ...]
    inverted: int | None = None


def wirings(names: Sequence[str]) -> tuple[Wiring, ...]:
    """As given; one channel inverted; or two swapped."""
    n = len(names)
    straight = tuple(range(n))
    found = [Wiring((), straight)]
    found += [Wiring((names[i],), straight, i) for i in range(n)]
    for i, j in combinations(range(n), 2):
        order = list(straight)
        order[i], order[j] = j, i
        found.append(Wiring((names[i], names[j]), tuple(order)))
    return tuple(found)


def wiring_odds(
    delays: Tdoa,
    envelope: Tdoa,
    onsets: OnsetMisfit | None,
    hydrophones_m: Floats,
    shared_covariance_s2: Floats,
    sound_speed_m_s: float,
    sound_speed_sd_m_s: float,
    frequency_hz: float,
    names: Sequence[str],
    *,
    window_s: float,
) -> dict[tuple[str, ...], float]:
    """Logarithm of the odds of each other wiring against the noted one by one ping, by the channels that it names.

    Parameters
    ----------
    delays, envelope : Tdoa
        Of the ping as the notes have it, by the phase and by the envelope.
    onsets : OnsetMisfit, optional
        Of the same ping, to `delays`; without it the envelope's delays count by their covariance.
    hydrophones_m : ndarray, shape (n, 3)
        Places by the notes [m].
    shared_covariance_s2 : ndarray, shape (n - 1, n - 1)
        Of what bends delays beside the noise: mounting, skew, the wave's curvature [s^2].
    sound_speed_m_s, sound_speed_sd_m_s, frequency_hz : float
        Assumed speed, its standard deviation [m/s], and the carrier [Hz].
    names : sequence of str
        Of the channels.
    window_s : float
        How much of the burst was used [s]; an echo may have ended it.

    Notes
    -----
    A swap exchanges arrival times; an inverted channel puts its phase half a cycle off and leaves its build-up where it
    is. For each wiring the evidence is summed over all vectors of integers: the misfit of the build-ups to a burst that
    begins there, and of the phases to a plane wave. So the build-up tells polarity wherever it tells half a cycle, also
    in an array whose phases fit a plane wave inverted as well as not, as those of a wide one do. An exchange that a
    reflection of the array undoes has equal evidence from any direction: nothing tells it.

    Pings from one place share what echoes and mounting do to them, so that many would add up to a certainty that none
    has. Of each ping's odds only what exceeds that counts.
    """
    tried = wirings(names)
    n = delays.n_hydrophones
    d = difference_matrix(n, delays.reference)
    spread = np.insert(np.eye(n - 1), delays.reference, 0.0, axis=0)  # from differences to times
    believed = 1.0 if window_s * frequency_hz >= _SOON_CYCLES else _SHARE_BEFORE_ECHOES
    phase, start = spread @ delays.tdoa_s * frequency_hz, spread @ envelope.tdoa_s
    fine_s2 = delays.covariance_s2 + shared_covariance_s2
    fine, coarse, covariances, coarse_covariances, misfits = [], [], [], [], []
    for wiring in tried:
        order = list(wiring.order)
        turned = np.zeros(n)
        if wiring.inverted is not None:
            turned[wiring.inverted] = 0.5
        cycles = d @ (phase[order] + turned)
        fine.append(cycles - np.rint(cycles))
        coarse.append(d @ start[order])
        change = d @ spread[order]
        covariances.append(change @ fine_s2 @ change.T)
        coarse_covariances.append(change @ envelope.covariance_s2 @ change.T)
        if onsets is not None:
            misfits.append(onsets.rewired(order, turned, (d @ phase)[None], fine[-1][None]).weighed(believed))
    found = resolve_ambiguity(
        Tdoa(np.array(fine) / frequency_hz, np.array(covariances), delays.reference),
        Tdoa(np.array(coarse), np.array(coarse_covariances), delays.reference),
        hydrophones_m,
        sound_speed_m_s,
        frequency_hz,
        envelope_misfit=OnsetMisfit.joined(misfits) if misfits else None,
        sound_speed_sd_m_s=sound_speed_sd_m_s,
        n_alternatives=2,
    )
    evidence = -0.5 * found.score - np.log(found.probability)
    odds = np.where(np.isfinite(evidence), evidence, evidence[0]) - evidence[0]
    if not np.isfinite(odds).all():
        return {}
    odds = np.sign(odds) * np.maximum(np.abs(odds) - _SHARED_ODDS, 0.0)
    return {wiring.channels: float(value) for wiring, value in zip(tried[1:], odds[1:], strict=True)}


@dataclass
class WiringMemory:
    """What the pings of a recording said of its wiring until now, whichever channels heard them.

    `log_odds` are those of each wiring, by the channels that it names, against the noted one; of `cautious_odds` no
    ping makes more than a few. `n_pings` have been looked at: the first not before there is a second, or until it is
    asked for, since one ping convinces of nothing and studies hear many recordings of one.
    """

    log_odds: dict[tuple[str, ...], float] = field(default_factory=dict)
    cautious_odds: dict[tuple[str, ...], float] = field(default_factory=dict)
    n_pings: int = 0
    waiting: list[Callable[[], dict[tuple[str, ...], float]]] = field(default_factory=list)

    @property
    def wants_more(self) -> bool:
        """Whether another ping is worth a look."""
        return self.n_pings + len(self.waiting) < _ENOUGH_PINGS

    def consider(self, names: Sequence[str]) -> None:
        """Any of these channels may be wired wrongly, also one that hears no ping."""
        for wiring in wirings(names)[1:]:
            self.log_odds.setdefault(wiring.channels, 0.0)
            self.cautious_odds.setdefault(wiring.channels, 0.0)

    def add(self, odds: Callable[[], dict[tuple[str, ...], float]]) -> None:
        """Count one ping's odds (`wiring_odds`), worked out when they are needed."""
        self.waiting.append(odds)

    def catch_up(self) -> None:
        """Count the pings that wait."""
        while self.waiting:
            for channels, odds in self.waiting.pop(0)().items():
                bounded = min(max(odds, -_MOST_OF_ONE_PING), _MOST_OF_ONE_PING)
                self.log_odds[channels] = self.log_odds.get(channels, 0.0) + odds
                self.cautious_odds[channels] = self.cautious_odds.get(channels, 0.0) + bounded
            self.n_pings += 1

    @property
    def suspected(self) -> tuple[tuple[str, ...], ...]:
        """Channels inverted or swapped if the pings speak against the noted wiring; empty if all is well or unclear."""
        most = max(self.cautious_odds.values(), default=0.0) + _MOST_OF_ONE_PING * len(self.waiting)
        if most >= _CONVINCED:
            self.catch_up()
        cautious = self.cautious_odds.items()
        convinced = {channels: self.log_odds[channels] for channels, odds in cautious if odds >= _CONVINCED}
        best = max(convinced.values(), default=0.0)
        return tuple(channels for channels, odds in convinced.items() if odds > best - _NEARLY_AS_LIKELY)

    @property
    def not_excluded(self) -> tuple[tuple[str, ...], ...]:
        """Other wirings that fit the pings nearly as well as the noted one; empty if one is suspected."""
        self.catch_up()
        if self.suspected:
            return ()
        excluded = -min(_CONVINCED, _MOST_OF_ONE_PING * self.n_pings)  # by two pings at least, where there are two
        return tuple(channels for channels, odds in self.cautious_odds.items() if odds > excluded)
