"""Are the channels wired as noted: swapped or inverted ones, found by how well a plane wave fits several pings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from acoustics.base.frames import Floats, array_rank
from acoustics.base.regions import chi_square_p_value
from acoustics.estimate.direction.bearing import estimate_bearing
from acoustics.estimate.tdoa import Tdoa, resolve_ambiguity
from acoustics.physics.tdoa import difference_matrix

# Residuals that arise by chance less often than this are no chance: one healthy ping in a thousand is refused.
MISFIT_P = 1e-3
# Of a ping's residuals: swapped or inverted channels misfit by tenths of a cycle, a hydrophone bent out of place by
# hundredths; flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_LEAST_MISFIT_CYCLES = 0.03


@dataclass(frozen=True)
class Wiring:
    """One way in which the channels may be wired, as words and as what it does to arrival times."""

    words: str
    order: tuple[int, ...]
    inverted: int | None = None


def wirings(names: Sequence[str]) -> tuple[Wiring, ...]:
    """As given; one channel inverted; or two swapped."""
    n = len(names)
    straight = tuple(range(n))
    found = [Wiring("", straight)]
    found += [Wiring(f"channel '{names[i]}' is inverted", straight, i) for i in range(n)]
    for i, j in combinations(range(n), 2):
        order = list(straight)
        order[i], order[j] = j, i
        found.append(Wiring(f"channels '{names[i]}' and '{names[j]}' are swapped", tuple(order)))
    return tuple(found)


@dataclass(frozen=True)
class WiringTest:
    """How well each wiring fits one ping: `chi2` and root-mean-square residual, shape (n_wirings,) [1, cycles]."""

    chi2: Floats
    residual_cycles: Floats
    dof: int


def wiring_test(
    delays: Tdoa,
    hydrophones_m: Floats,
    tolerances_m: Floats,
    sound_speed_m_s: float,
    frequency_hz: float,
    tried: Sequence[Wiring],
) -> WiringTest | None:
    """Fit a plane wave to one ping's delays under each wiring; None where the array has no redundancy.

    The whole cycles are resolved again for each, by the consistency of the baselines.
    """
    n = delays.n_hydrophones
    dof = n - 1 - min(array_rank(hydrophones_m), 2)
    if dof < 1 or array_rank(hydrophones_m) < 2:
        return None
    difference = difference_matrix(n, delays.reference)
    times = np.insert(delays.tdoa_s, delays.reference, 0.0)
    period = 1.0 / frequency_hz
    rewired = np.array([times[list(w.order)] for w in tried])
    for row, wiring in zip(rewired, tried, strict=True):
        if wiring.inverted is not None:
            row[wiring.inverted] += period / 2.0
    wave = rewired @ difference.T
    mounting = difference @ np.diag((tolerances_m / sound_speed_m_s) ** 2) @ difference.T
    cycles = resolve_ambiguity(
        Tdoa(wave, delays.covariance_s2 + mounting, delays.reference),
        Tdoa(wave, period**2 * (difference @ difference.T), delays.reference),
        hydrophones_m,
        sound_speed_m_s,
        frequency_hz,
    )
    found = estimate_bearing(
        Tdoa(cycles.tdoa.tdoa_s, delays.covariance_s2, delays.reference),
        hydrophones_m,
        sound_speed_m_s,
        element_sd_m=tolerances_m,
    )
    spread = np.sqrt(np.mean(np.diag(delays.covariance_s2 + mounting)))
    chi2 = np.where(np.isfinite(found.chi2), found.chi2, np.inf)
    return WiringTest(chi2, np.sqrt(chi2 / n) * spread * frequency_hz, found.dof)


def suspected_wiring(tests: Sequence[WiringTest], tried: Sequence[Wiring]) -> tuple[str, ...]:
    """Wirings, in words, that fit several pings which the given one does not; empty if all is well or unclear."""
    if len(tests) < 2:
        return ()
    chi2, dof = np.sum([t.chi2 for t in tests], axis=0), sum(t.dof for t in tests)
    misfit = np.median([t.residual_cycles[0] for t in tests])
    if misfit < _LEAST_MISFIT_CYCLES or chi_square_p_value(chi2[0], dof) > MISFIT_P:
        return ()
    fits = chi_square_p_value(chi2, dof) > MISFIT_P
    return tuple(wiring.words for wiring, fit in zip(tried, fits, strict=True) if fit)
