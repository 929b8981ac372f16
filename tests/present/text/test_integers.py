"""What rests on the right integers of the carrier says first where they are often wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import acoustics
from acoustics.base.intervals import rate_interval
from acoustics.study.draws import simulate_runs

ROOT = Path(__file__).parents[3]
POOL = acoustics.load_scene(ROOT / "examples" / "mallard-basin.toml")
WIDE = POOL.changed({"array": acoustics.load_array(ROOT / "arrays" / "hull-4.toml")})


def answers(scene):
    """The three that take the integers as resolved, quickly."""
    return (
        acoustics.budget(scene),
        acoustics.map(scene, trials=0, step_m=4.0),
        acoustics.waypoints(scene, trials=0, step_m=8.0),
    )


def test_a_wide_array_is_told_of_first_and_a_half_wave_array_is_not():
    for answer in answers(WIDE):
        assert str(answer).startswith("WRONG CYCLES: "), type(answer).__name__
    for answer in answers(POOL):
        assert "WRONG CYCLES" not in str(answer), type(answer).__name__


@pytest.mark.slow
def test_the_share_of_the_budget_is_that_of_pings_resolved_as_on_the_vehicle():
    """4,000 runs that stand still for one ping: a share of 7 % is known to 0.8 %."""
    place = np.array([WIDE.vehicle.position_m])
    runs = simulate_runs(WIDE, WIDE.pingers[0], place, n_runs=4000, rng=np.random.default_rng(1))
    seen = rate_interval(int(runs.wrong_integer.sum()), 4000)
    assert seen.low < acoustics.budget(WIDE).wrong_integer < seen.high
