"""The uneven array that the hull allows beside the scaled one: what a crew will see of either, and which to take."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.study.draws import (
    JOINED,
    BearingOutcome,
    simulate_turned,
    turned_about,
    with_hydrophones,
)
from acoustics.study.place import Aim, quick_placement
from acoustics.study.spacing.recommendation import Recommendation
from acoustics.study.spacing.sweep import Sweep
from acoustics.study.spacing.work import A_MEASURED_PING, A_SEARCH, AN_OUTCOME, Work

_FEWEST = 3


@record
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


@record
class Alternative:
    """The scaled array that `spacing` recommends and the uneven one of `place`.

    `better_after_one`, `better_after_four`: whether the uneven one is surely better after one ping, or after four.
    """

    scaled: Choice
    uneven: Choice
    better_after_one: bool
    better_after_four: bool


def alternative(sweep: Sweep, choice: Recommendation, *, trials: int, seed: int, work: Work) -> Alternative | None:
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
    work.did(A_SEARCH)
    mount = np.array(scene.array.mount_m)
    placed = with_hydrophones(scene, placed_m - mount, scene.mounting.on(scene.vehicle).tolerance_m)
    first, *children = (np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(5))
    heard = turned_about(placed, sweep.pinger, sweep.bearings, first)
    if heard is None:
        return None
    work.did(A_MEASURED_PING * len(sweep.bearings))
    ours = sweep.turned(choice.spacing_m)
    outcomes = []
    for pings, joined, rng in zip((ours, ours, heard, heard), 2 * (1, JOINED), children, strict=True):
        outcomes.append(BearingOutcome.of(simulate_turned(pings, trials, rng, joined=joined), rng))
        work.did(AN_OUTCOME)
    scaled, uneven = outcomes[:2], outcomes[2:]
    limit = scene.study.wrong_cycle_limit
    return Alternative(
        Choice(mount + choice.spacing_m * sweep.shape_m, *scaled),
        Choice(placed_m, *uneven),
        *(theirs.surely_better_than(ours, limit) for ours, theirs in zip(scaled, uneven, strict=True)),
    )
