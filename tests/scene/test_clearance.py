"""Room at a place, by hand in the shipped pool, and kept by what says where to go."""

from __future__ import annotations

import numpy as np
import pytest

import acoustics
from acoustics.scene.clearance import room_m, roomy
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.map import map_pool

ZONE = {"name": "lane", "outline_m": [[1.0, 8.0], [4.0, 8.0], [4.0, 11.0], [1.0, 11.0]]}
SCENE = load_scene(shipped("examples")["mallard-basin"]).changed({"keep_out": [ZONE]})


def test_room_is_measured_from_walls_stations_pingers_and_zones():
    # 25 m by 12.5 m; a station at 14, 2; the pinger at 20, 8, a station at 20, 8.5; inside the lane; the middle.
    places = np.array([[24.5, 6.0], [14.0, 3.5], [20.0, 7.8], [2.0, 9.0], [8.0, 6.25]])
    assert room_m(SCENE, places, pingers=True) == pytest.approx([0.5, 1.5, 0.2, -1.0, 6.25])
    assert room_m(SCENE, places, pingers=False)[2] == pytest.approx(0.7)


def test_a_metre_is_enough_and_else_the_most_there_is():
    assert roomy(np.array([0.5, 1.0, 3.0])).tolist() == [False, True, True]
    assert roomy(np.array([0.2, 0.6])).tolist() == [False, True]
    assert roomy(np.array([])).tolist() == []


def test_the_map_says_to_listen_where_there_is_room():
    best = map_pool(SCENE, SCENE.pingers[0], trials=0, seed=1, step_m=1.0).listen
    assert room_m(SCENE, np.array([[best.x_m, best.y_m]]), pingers=True)[0] >= 1.0


@pytest.mark.slow
def test_waypoints_keep_clear_of_stations_and_walls():
    found = acoustics.waypoints(SCENE, trials=10, step_m=2.5)
    stops = np.array([waypoint.position_m for waypoint in found.proposed.waypoints])
    assert (room_m(SCENE, stops, pingers=False) >= 1.0).all()
