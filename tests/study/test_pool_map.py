"""The pool map: bounds and simulation of one ping over the grid."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.errors import ParameterError
from acoustics.scenario import load_array, load_scene, shipped
from acoustics.study.pool_map import map_pool

POOL = load_scene(shipped("examples")["mallard-basin"])
LAKE = load_scene(shipped("examples")["fennel-reservoir"])


def test_cells_outside_the_water_are_empty():
    deep = POOL.model_copy(update={"study": POOL.study.model_copy(update={"map_depth_m": 2.5})})
    result = map_pool(deep, deep.pingers[0], trials=0, seed=1, step_m=1.0)
    # floor: 1.4 m at x = 0 to 3.8 m at x = 25; the array hangs 0.2 m lower, so wet where x > (2.7 - 1.4) / 0.096
    assert np.isnan(result.position_m[:, result.x_m < 13.0]).all()
    assert np.isfinite(result.clean_window_s[:, (result.x_m > 14.0) & (result.x_m < 24.0)]).all()


def test_simulated_fixes_of_a_hull_wide_array_agree_with_the_bound():
    scene = POOL.model_copy(
        update={
            "array": load_array("hull-4"),
            "noise": POOL.noise.model_copy(update={"self_noise_density_db": 55.0, "ambient_density_db": 50.0}),
        }
    )
    result = map_pool(scene, scene.pingers[0], trials=400, seed=1, step_m=2.0)
    good = (result.refused == 0) & (result.position_m < 1.0)
    assert good.sum() > 10
    # Root mean square of 400 ellipses that are nearly lines: known to 1 / sqrt(800) = 3.5 % a cell, so the median
    # ratio over the cells to about 1 %; the rest is the second-order error of long thin ellipses.
    assert np.median(result.simulated_m[good] / result.position_m[good]) == pytest.approx(1.0, abs=0.05)


def test_heading_turns_the_map_with_the_vehicle():
    # Pinger in the middle of a lake without walls: turning the vehicle by 90 degrees turns the map by 90 degrees.
    pinger = LAKE.pingers[0].model_copy(update={"position_m": (20.0, 20.0, 8.0)})
    plan = LAKE.study.model_copy(update={"map_extent_m": (0.0, 0.0, 40.0, 40.0), "map_step_m": 4.0})

    def heading(degrees):
        vehicle = LAKE.vehicle.model_copy(update={"heading_deg": degrees})
        scene = LAKE.model_copy(update={"vehicle": vehicle, "study": plan, "pingers": (pinger,)})
        return map_pool(scene, pinger, trials=0, seed=1).position_m

    assert heading(90.0) == pytest.approx(np.rot90(heading(0.0), -1), rel=1e-6)


def test_a_later_seed_changes_only_the_simulation():
    first = map_pool(POOL, POOL.pingers[0], trials=5, seed=1, step_m=2.5)
    other = map_pool(POOL, POOL.pingers[0], trials=5, seed=2, step_m=2.5)
    assert np.array_equal(first.position_m, other.position_m)
    assert not np.array_equal(first.simulated_m, other.simulated_m)


@pytest.mark.parametrize(("step", "expected"), [(0.01, "at most 200,000"), (None, "study.map_extent_m is missing")])
def test_grids_that_cannot_be_are_refused(step, expected):
    scene = POOL if step else LAKE.model_copy(update={"study": LAKE.study.model_copy(update={"map_extent_m": None})})
    with pytest.raises(ParameterError, match=expected):
        map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=step)
