"""What a map and a check say of an estimator that knows the pool: the bound itself, and what stands beside it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from acoustics.accuracy.echo_bound import echo_bound
from acoustics.present.text.check import summary_facts
from acoustics.present.text.map import known_pool_rows, map_notes, map_text
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.check import summary
from acoustics.study.map import MapChoices, map_pool

pytestmark = pytest.mark.usefixtures("few")

POOL = load_scene(shipped("examples")["mallard-basin"])


@pytest.mark.slow
@pytest.mark.parametrize("over", ["vehicle", "pinger"])
def test_cells_hold_the_bound_of_their_places(over):
    choices = MapChoices(over=over, known_pool_cells=30)
    known = map_pool(POOL, POOL.pingers[0], trials=0, seed=1, step_m=1.0, choices=choices).known_pool
    assert len(known.x_m) == 30
    assert known.near_whole_burst == np.mean(known.whole_burst_m < 0.5)
    k = 17
    fixed = np.array(POOL.pingers[0].position_m if over == "vehicle" else POOL.vehicle.position_m)
    depth = POOL.study.map_depth_m if over == "vehicle" else POOL.pingers[0].position_m[2]
    moved = np.array([known.x_m[k], known.y_m[k], depth])
    vehicle, source = (moved, fixed) if over == "vehicle" else (fixed, moved)
    heading = np.array([np.deg2rad(POOL.vehicle.heading_deg)])
    bound = echo_bound(POOL, POOL.pingers[0], vehicle[None], heading, source[None])
    assert known.whole_burst_m[k] == pytest.approx(bound.whole_burst_m[0], rel=1e-3)
    assert known.to_first_wall_m[k] == pytest.approx(bound.to_first_wall_m[0], rel=1e-3)


@pytest.mark.slow
def test_share_of_cells_under_half_a_metre():
    """A separate study of the same model in another program has 86 % of such cells by the whole burst, few without.

    200 of the cells: their share has a standard error of 2.5 %; two of them either way.
    """
    known = map_pool(POOL, POOL.pingers[0], trials=0, seed=1, choices=MapChoices(known_pool_cells=200)).known_pool
    assert known.near_whole_burst == pytest.approx(0.86, abs=0.05)
    assert known.near_multipath_free < 0.06
    assert known.near_multipath_free < known.near_to_first_wall < known.near_whole_burst


def test_the_map_names_bounds_and_says_that_none_reaches_them():
    result = map_pool(POOL, POOL.pingers[0], trials=0, seed=1, step_m=5.0, choices=MapChoices(known_pool_cells=9))
    assert "Horizontal position error by one ping (bounds)" in map_text(result)
    assert any("`locate --site` does (experimental)" in note for note in map_notes(result))
    lost = dataclasses.replace(result.known_pool, multipath_free_m=np.full(9, np.inf))
    assert known_pool_rows(lost)[1][0][1:3] == ("none", "none")
    without = map_pool(POOL, POOL.pingers[0], trials=0, seed=1, step_m=5.0)
    assert without.known_pool is None
    assert "pool known" not in map_text(without)


def test_check_tells_a_position_that_is_not_observed():
    """At 14 m the first 85 us tell the range to more than the pool is long; the pool known, all of it is told."""
    seen = summary(POOL, POOL.pingers[0])
    assert np.isinf(seen.position_multipath_free_m)
    assert seen.position_whole_burst_m == pytest.approx(0.21, rel=0.05)
    facts = dict(summary_facts(seen))
    assert facts["position by one ping"] == "not observed before the first echo (bound)"
    assert (
        facts["  with the pool known"] == "1.1 m before the first echo from a wall, 0.21 m by the whole burst (bounds)"
    )
    of_planes = dict(summary_facts(dataclasses.replace(seen, first_echo="floor-11, surface, wall-2")))
    assert of_planes["first strong echo"] == "floor, surface, wall-2 (where the vehicle stands)"
    without_walls = dataclasses.replace(seen, position_to_first_wall_m=0.21, position_whole_burst_m=0.21)
    assert dict(summary_facts(without_walls))["  with the pool known"] == "0.21 m by the whole burst (bounds)"
