"""The uneven array that the hull allows beside the scaled one: what a crew will see of either, and which to take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.study.draws import JOINED, BearingOutcome, measure_turned, simulate_turned, with_hydrophones
from acoustics.study.place import Aim, quick_placement
from acoustics.study.spacing.recommendation import Recommendation
from acoustics.study.spacing.sweep import Sweep

_FEWEST = 3


@dataclass(frozen=True)
class Choice:
    """An array, and the bearing errors that a crew will see after one ping and after four joined at one place.

    Both are simulated for the vehicle's own estimator, with the echoes inside its window and wrong integers.
    """

    hydrophones_m: Floats
    one_ping: BearingOutcome
    four_pings: BearingOutcome

    @property
    def shortest_baseline_m(self) -> float:
        """[m]."""
        first, second = np.triu_indices(len(self.hydrophones_m), k=1)
        return float(np.linalg.norm(self.hydrophones_m[first] - self.hydrophones_m[second], axis=-1).min())


@dataclass(frozen=True)
class Alternative:
    """The scaled array that `spacing` recommends and the uneven one of `place`.

    `better_after_one`, `better_after_four`: whether the uneven one is surely better after one ping, or after four.
    `reason` says so in words, with what either risks.
    """

    scaled: Choice
    uneven: Choice
    better_after_one: bool
    better_after_four: bool
    reason: str


def alternative(sweep: Sweep, choice: Recommendation, *, trials: int, seed: int) -> Alternative | None:
    """The uneven array of as many hydrophones that a quick search of the mounting finds, beside the scaled one.

    None where `place` cannot search: under three or over eight hydrophones, or no room where the vehicle stands.
    """
    scene, count = sweep.scene, len(sweep.shape_m)
    if not _FEWEST <= count <= LARGEST_DIMENSION + 1:
        return None
    try:
        placed_m = quick_placement(scene, sweep.pinger, count, aim=Aim(), seed=seed)
    except ParameterError:
        return None
    mount = np.array(scene.array.mount_m)
    placed = with_hydrophones(scene, placed_m - mount, scene.mounting.on(scene.vehicle).tolerance_m)
    first, *children = (np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(5))
    pings = measure_turned(placed, sweep.pinger, sweep.bearings, first, about=True)
    if pings is None:
        return None
    pings = pings.some(np.flatnonzero(pings.answered))
    bearing, depression = np.resize(sweep.bearings, trials), np.full(trials, sweep.depression)
    scaled, uneven = [], []
    for joined, ours, theirs in zip((1, JOINED), children[:2], children[2:], strict=True):
        scaled.append(BearingOutcome.of(sweep.draw(choice.spacing_m, bearing, ours, joined=joined), ours))
        drawn = simulate_turned(placed, sweep.pinger, placed_m, pings, bearing, depression, theirs, joined=joined)
        uneven.append(BearingOutcome.of(drawn, theirs))
    limit = scene.study.wrong_cycle_limit
    after_one, after_four = (
        theirs.surely_better_than(ours, limit) for ours, theirs in zip(scaled, uneven, strict=True)
    )
    return Alternative(
        Choice(mount + choice.spacing_m * sweep.shape_m, *scaled),
        Choice(placed_m, *uneven),
        after_one,
        after_four,
        _reason(uneven, scaled, limit, after_one=after_one, after_four=after_four),
    )


def _reason(
    uneven: list[BearingOutcome], scaled: list[BearingOutcome], limit: float, *, after_one: bool, after_four: bool
) -> str:
    """Which array to take after one ping and after four, and what the uneven one risks."""
    one, four = uneven
    if one.wrong_integer.value > 0:
        risk = (
            f"{_percent(one.wrong_integer.value)} of its single pings have a wrong cycle, perhaps twice as many, and "
            f"err by {_figures(one.wrong_integer_deg)} deg RMS or more; the others by "
            f"{_figures(one.right_integer_deg.value)}"
        )
    else:
        risk = f"none of its simulated pings had a wrong cycle, so under {_percent(one.wrong_integer.high)} have"
    if after_one and after_four:
        return f"Better: the uneven array, after one ping and after four. Its risk: {risk}."
    if after_four:
        return (
            f"A crew that acts on single pings keeps the scaled array, {_why_not(one, scaled[0], limit)}. One that "
            f"joins {JOINED} pings at one place before it acts takes the uneven one: "
            f"{_figures(four.rms_deg.value)} deg then, in place of {_figures(scaled[1].rms_deg.value)}. "
            f"Its risk: {risk}."
        )
    if after_one:
        return (
            f"Better after one ping: the uneven array; after four not, {_why_not(four, scaled[1], limit)}. Its risk: "
            f"{risk}."
        )
    return (
        f"Keep the scaled array. The uneven one is not surely better after one ping, "
        f"{_why_not(one, scaled[0], limit)}, nor after four, {_why_not(four, scaled[1], limit)}. Its risk: {risk}."
    )


def _why_not(uneven: BearingOutcome, scaled: BearingOutcome, limit: float) -> str:
    if uneven.rms_deg.high >= scaled.rms_deg.low:
        return f"as {_figures(uneven.rms_deg.value)} deg is not surely less than {_figures(scaled.rms_deg.value)}"
    return f"as wrong cycles of the uneven one may exceed the limit of {_percent(limit)}"


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %"


def _figures(value: float) -> str:
    """Two significant figures, or whole numbers from a hundred on."""
    return f"{value:.2g}" if value < 99.5 else f"{value:.0f}"
