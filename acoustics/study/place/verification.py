"""Whether what a placement predicts is what the vehicle's own estimators make of simulated pings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.study.draws import ArrivalErrors, simulate_bearings, simulate_fixes
from acoustics.study.place.criterion import Criterion


@dataclass(frozen=True)
class Check:
    """Simulation of an array over all its directions, each as often as any other.

    RMS of the bearing [deg] with the right cycle, and how often it is wrong; where the position is what counts, RMS of
    the horizontal error of the fixes given [m], right cycle, and the share of pings without a fix.
    """

    trials: int
    right_integer_deg: Interval
    wrong_integer: Interval
    position_m: Interval | None
    refused: Interval | None


def check_placement(criterion: Criterion, hydrophones_m: Floats, trials: int, seed: int) -> Check | None:
    """None without trials, and where the vehicle shadows a hydrophone in some direction.

    Parameters
    ----------
    criterion : Criterion
        Its directions and errors.
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        The array [m].
    trials : int
        About how many pings.
    seed : int
        Equal seeds give equal numbers.
    """
    if trials == 0 or not criterion.heard(hydrophones_m[None]).all():
        return None
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    each = np.resize(np.arange(len(criterion.towards.bearing)), trials)
    bearings = [
        _bearings(criterion, hydrophones_m, each[np.isin(each, alike)], rng) for alike in criterion.towards.alike()
    ]
    error, wrong = (np.concatenate(column) for column in zip(*bearings, strict=True))
    right = np.rad2deg(error[~wrong])
    nothing = Interval(float("nan"), float("nan"), float("nan"))
    position = refused = None
    if criterion.of == "position":
        off, ok = _positions(criterion, hydrophones_m, -(-trials // len(criterion.towards.bearing)), rng)
        position = rms_interval(off[ok], rng) if ok.any() else nothing
        refused = rate_interval(int((~ok).sum()), ok.size)
    return Check(
        trials,
        rms_interval(right, rng) if len(right) else nothing,
        rate_interval(int(wrong.sum()), trials),
        position,
        refused,
    )


def _bearings(
    criterion: Criterion, hydrophones_m: Floats, which: NDArray[np.intp], rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Errors [rad] and wrong cycles of pings from directions of one link."""
    at = criterion.towards.take(which)
    result = simulate_bearings(
        hydrophones_m,
        at.bearing,
        at.depression,
        criterion.sound_speed_m_s,
        ArrivalErrors(at.carrier_variance_s2[0], at.envelope_variance_s2[0], criterion.sizes),
        criterion.frequency_hz,
        rng,
    )
    return result.error, result.wrong_integer


def _positions(
    criterion: Criterion, hydrophones_m: Floats, trials: int, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Horizontal errors [m] of so many pings from each direction, and whether there is a fix; shape (n, trials)."""
    at, known = criterion.towards, criterion.known
    source = at.source_m @ known.upright.T
    fix = simulate_fixes(
        hydrophones_m @ known.upright.T,
        source,
        criterion.sound_speed_m_s,
        ArrivalErrors(at.carrier_variance_s2, at.envelope_variance_s2, criterion.sizes),
        source_depth_sd_m=known.depth_sd_m,
        trials=trials,
        rng=rng,
    )
    return np.linalg.norm((fix.position_m - source[:, None])[..., :2], axis=-1), fix.ok
