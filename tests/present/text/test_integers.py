"""What rests on the right integers of the carrier says first where they are often wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

import acoustics
from acoustics.present.text.tables import percent

ROOT = Path(__file__).parents[3]
POOL = acoustics.load_scene(ROOT / "examples" / "mallard-basin.toml")
# With 6 dB more noise, as about one ping in a hundred is wrong at the pool's own, no more than the limit.
LOUDER_DB = POOL.noise.self_noise_density_db + 6.0
WIDE = POOL.changed(
    {"array": acoustics.load_array(ROOT / "arrays" / "hull-4.toml"), "noise.self_noise_density_db": LOUDER_DB}
)


def answers(scene):
    """The three that take the integers as resolved, quickly."""
    return (
        acoustics.budget(scene),
        acoustics.map(scene, trials=0, step_m=4.0),
        acoustics.waypoints(scene, trials=0, step_m=8.0),
    )


@pytest.mark.slow
def test_a_wide_array_is_told_of_first_and_a_half_wave_array_is_not():
    for answer in answers(WIDE):
        assert str(answer).startswith("WRONG CYCLES: "), type(answer).__name__
    for answer in answers(POOL):
        assert "WRONG CYCLES" not in str(answer), type(answer).__name__


@pytest.mark.slow
def test_a_share_that_was_drawn_has_its_interval():
    budget, over_pool, _ = answers(WIDE)
    for answer, found in (
        (budget, budget.predicted.wrong_integer),
        (over_pool, over_pool.own_estimator.wrong_integer_share),
    ):
        assert found.low < found.value < found.high
        assert f"{percent(found.low)} to {percent(found.high)})" in " ".join(str(answer).split())
