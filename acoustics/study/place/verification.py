"""What the vehicle's own estimator will make of pings with the array found, echoes and wrong integers included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval, rms_interval
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import (
    JOINED,
    ArrivalErrors,
    BearingOutcome,
    TurnedBearings,
    simulate_fixes,
    simulate_turned,
    turned_about,
    with_hydrophones,
)
from acoustics.study.place.criterion import Criterion


@record
class Check:
    """Simulation of an array over all its directions, each as often as any other.

    Bearings after one ping and after four joined at one place, as `spacing` has them: by the vehicle's own estimator
    with the echoes in its window. Where the position is what counts, RMS of the horizontal error of the fixes given
    [m], right cycle and no echoes, and the share of pings without a fix.
    """

    trials: int
    one_ping: BearingOutcome
    four_pings: BearingOutcome
    position_m: Interval | None
    refused: Interval | None


def check_placement(
    scenes: Sequence[Scene], pinger: Pinger, criterion: Criterion, hydrophones_m: Floats, trials: int, seed: int
) -> Check | None:
    """None without trials, and where the vehicle shadows a hydrophone in some direction.

    Parameters
    ----------
    scenes : sequence of Scene
        With the vehicle at each of the criterion's ranges.
    pinger : Pinger
        Theirs.
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
    bearings = _bearings(scenes, pinger, criterion, hydrophones_m, trials, rng)
    if bearings is None:
        return None
    nothing = Interval(float("nan"), float("nan"), float("nan"))
    position = refused = None
    if criterion.of == "position":
        off, ok = _positions(criterion, hydrophones_m, -(-trials // len(criterion.towards.bearing)), rng)
        position = rms_interval(off[ok], rng) if ok.any() else nothing
        refused = rate_interval(int((~ok).sum()), ok.size)
    one, four = (BearingOutcome.of(drawn, rng) for drawn in bearings)
    return Check(trials, one, four, position, refused)


def _bearings(
    scenes: Sequence[Scene],
    pinger: Pinger,
    criterion: Criterion,
    hydrophones_m: Floats,
    trials: int,
    rng: np.random.Generator,
) -> list[TurnedBearings] | None:
    """Of single pings and of joined ones; None where turned all round a hydrophone would leave the water."""
    bearings = np.unique(criterion.towards.bearing)
    parts: list[list[TurnedBearings]] = [[], []]
    for k, scene in enumerate(scenes):
        placed = with_hydrophones(scene, hydrophones_m - np.array(scene.array.mount_m), criterion.mounting.tolerance_m)
        heard = turned_about(placed, pinger, bearings, rng)
        if heard is None:
            return None
        heard = replace(heard, place=heard.place + k * len(bearings))
        for joined, part in zip((1, JOINED), parts, strict=True):
            part.append(simulate_turned(heard, -(-trials // len(scenes)), rng, joined=joined))
    return [TurnedBearings.alike(part) for part in parts]


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
        profile=known.profile,
    )
    return np.linalg.norm((fix.position_m - source[:, None])[..., :2], axis=-1), fix.ok
