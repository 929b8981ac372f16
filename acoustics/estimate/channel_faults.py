"""Faults of channels that a recording shows by itself: dead, clipped, off centre, and wired wrongly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from acoustics.estimate.bearing import estimate_bearing
from acoustics.estimate.consistency import chi_square_p_value
from acoustics.estimate.cycles import resolve_cycles
from acoustics.estimate.delays import Delays
from acoustics.estimate.detection import DEAD_SHARE
from acoustics.geometry import Floats, array_rank
from acoustics.physics.time_of_flight import difference_matrix

_LOUD_SHARE = 100.0
_FLAT_RUN = 3
_FLAT_RUNS = 2
_OFF_CENTRE = 0.1
MISFIT_P = 1e-4
_FIT_P = 1e-3
_LEAST_MISFIT_CYCLES = 0.03
_WHAT_IS_LEFT = {
    0: "at one place and observe nothing",
    1: "in a line, which tells front from back and up from down no longer",
    2: "in a plane, which has a mirror image on its other side",
    3: "in a volume, which has no mirror image",
}


def dead_channels(noise_density: Floats) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose noise is nothing, or 30 dB under the median of them all."""
    usual = float(np.median(noise_density[noise_density > 0])) if np.any(noise_density > 0) else np.inf
    return ~(noise_density > DEAD_SHARE * usual)


def noisy_channels(noise_density: Floats) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose noise is 20 dB over the median of them all."""
    alive = noise_density[noise_density > 0]
    return noise_density > _LOUD_SHARE * (float(np.median(alive)) if len(alive) else np.inf)


def clipped_channels(volts: Floats, full_scale_v: float | None) -> NDArray[np.bool_]:
    """Channels whose samples stand at the ends of the converter's range or have flat tops.

    Parameters
    ----------
    volts : ndarray, shape (n_channels, n_samples)
        Samples about a ping.
    full_scale_v : float or None
        Voltage at the ends of the stored range, if known.

    Returns
    -------
    ndarray of bool, shape (n_channels,)
        Where two runs or more, of three or more equal samples, stand at the largest or smallest value; one run where
        that value is the end of the range.
    """
    clipped = np.zeros(len(volts), dtype=bool)
    for k, samples in enumerate(volts):
        for end in (samples.max(initial=0.0), samples.min(initial=0.0)):
            at_end = np.concatenate([[False], samples == end, [False]]).astype(np.int8)
            starts, stops = np.flatnonzero(np.diff(at_end) == 1), np.flatnonzero(np.diff(at_end) == -1)
            runs = int(np.sum(stops - starts >= _FLAT_RUN))
            at_full_scale = full_scale_v is not None and abs(end) >= 0.999 * full_scale_v
            clipped[k] |= end != 0 and runs >= (1 if at_full_scale else _FLAT_RUNS)
    return clipped


def off_centre_channels(volts: Floats, full_scale_v: float | None) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose mean is over a tenth of the full scale, which it takes from the range."""
    if full_scale_v is None:
        return np.zeros(len(volts), dtype=bool)
    return np.abs(volts.mean(axis=-1)) > _OFF_CENTRE * full_scale_v


def what_is_left(hydrophones_m: Floats) -> str:
    """What the hydrophones that remain observe, in words for a flag."""
    rank = array_rank(hydrophones_m) if len(hydrophones_m) > 1 else 0
    return f"the other {len(hydrophones_m)} stand {_WHAT_IS_LEFT[rank]}"


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
    delays: Delays,
    hydrophones_m: Floats,
    tolerances_m: Floats,
    sound_speed_m_s: float,
    frequency_hz: float,
    tried: Sequence[Wiring],
) -> WiringTest | None:
    """Fit a plane wave to one ping's delays under each wiring; None where the array has no redundancy.

    The whole cycles are resolved anew for each, by the consistency of the baselines.
    """
    n = delays.n_hydrophones
    dof = n - 1 - min(array_rank(hydrophones_m), 2)
    if dof < 1 or array_rank(hydrophones_m) < 2:
        return None
    difference = difference_matrix(n, delays.reference)
    times = np.insert(delays.delay_s, delays.reference, 0.0)
    period = 1.0 / frequency_hz
    rewired = np.array([times[list(w.order)] for w in tried])
    for row, wiring in zip(rewired, tried, strict=True):
        if wiring.inverted is not None:
            row[wiring.inverted] += period / 2.0
    wave = rewired @ difference.T
    mounting = difference @ np.diag((tolerances_m / sound_speed_m_s) ** 2) @ difference.T
    cycles = resolve_cycles(
        Delays(wave, delays.covariance_s2 + mounting, delays.reference),
        Delays(wave, period**2 * (difference @ difference.T), delays.reference),
        hydrophones_m,
        sound_speed_m_s,
        frequency_hz,
    )
    found = estimate_bearing(
        Delays(cycles.delays.delay_s, delays.covariance_s2, delays.reference),
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
    fits = chi_square_p_value(chi2, dof) > _FIT_P
    return tuple(wiring.words for wiring, fit in zip(tried, fits, strict=True) if fit)
