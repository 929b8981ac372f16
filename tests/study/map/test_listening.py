"""Where a map says to listen, against cells made by hand."""

from __future__ import annotations

import numpy as np
import pytest

import acoustics
from acoustics.present.text.map import map_text, where_to_listen
from acoustics.scene.scenario import shipped
from acoustics.study.map.listening import listening_place

pytestmark = pytest.mark.usefixtures("few")

CELLS = 10
RANGE_M = np.arange(1.0, CELLS + 1)


def picked(**changed):
    """Ten cells in a row away from the pinger; the position error is a fifth of the range."""
    values = {
        "room_m": np.full(CELLS, np.inf),
        "bearing_deg": np.full(CELLS, 3.0),
        "predicted_m": 0.2 * RANGE_M,
        "wrong_integer": np.zeros(CELLS),
        "simulated_m": np.full(CELLS, np.nan),
        "failed": np.full(CELLS, np.nan),
    }
    places = np.column_stack([RANGE_M, np.zeros(CELLS)])
    return listening_place(places, RANGE_M, **(values | changed))


def test_the_best_cell_is_that_of_the_least_error_and_the_range_that_of_one_metre():
    best = picked()
    assert (best.by, best.kind, best.x_m, best.position_m) == ("position", "prediction", 1.0, pytest.approx(0.2))
    assert best.good_range_m == 5.0  # 0.2 m a metre: one metre at five


def test_nine_cells_in_ten_are_enough_for_the_range():
    error = 0.2 * RANGE_M
    error[:] = 0.5
    error[4] = 2.0  # one bad cell in the middle: 9 of 10 good at the end
    assert picked(predicted_m=error).good_range_m == 10.0
    error[7] = 2.0
    assert picked(predicted_m=error).good_range_m == 4.0


def test_a_cell_where_integers_are_often_wrong_is_passed_over():
    wrong = np.zeros(CELLS)
    wrong[0] = 0.2
    assert picked(wrong_integer=wrong).x_m == 2.0


def test_the_simulation_is_believed_before_the_bound():
    simulated, failed = 0.2 * RANGE_M[::-1], np.zeros(CELLS)
    best = picked(simulated_m=simulated, failed=failed)
    assert (best.kind, best.x_m) == ("simulation", 10.0)
    failed[-1] = 0.5
    assert picked(simulated_m=simulated, failed=failed).x_m == 9.0


def test_without_a_position_the_bearing_decides_and_without_that_nothing():
    nothing = np.full(CELLS, np.inf)
    bearing = np.full(CELLS, 3.0)
    bearing[6] = 2.0
    best = picked(predicted_m=nothing, bearing_deg=bearing)
    assert (best.by, best.x_m, best.good_range_m) == ("bearing", 7.0, 0.0)
    assert picked(predicted_m=nothing, bearing_deg=nothing) is None


@pytest.mark.parametrize(("over", "head"), [("vehicle", "Listen at x "), ("pinger", "Where the vehicle stands ")])
@pytest.mark.slow
def test_a_map_ends_in_one_sentence(over, head):
    scene = acoustics.load_scene(shipped("examples")["mallard-basin"])
    result = acoustics.map(scene, trials=0, step_m=2.5, over=over)
    said = where_to_listen(result)
    assert over == "pinger" or (result.listen.by, result.listen.kind) == ("position", "prediction")
    assert said.startswith(head) and said.count(". ") == 0
    assert map_text(result).replace("\n", " ").endswith(said)


def test_a_metre_is_kept_from_what_the_vehicle_could_touch_or_what_there_is():
    room = np.array([0.2, 0.5, 1.0, *[2.0] * 7])
    assert picked(room_m=room).x_m == 3.0
    assert picked(room_m=0.3 * room / room.max()).x_m == 4.0  # nowhere a metre: the most there is
