"""Places that are no box: each goes through the commands that a crew would ask."""

from __future__ import annotations

import re

import numpy as np
import pytest

import acoustics
from acoustics.scene.scenario import shipped
from tests.quick import QUICK, good, refused

BASIN = shipped("examples")["mallard-basin"].read_text(encoding="utf-8")
# Where the shipped scenario's stations are not in the water of an L.
MOVED = {"[20.0, 8.0, 2.4]": "[20.0, 4.0, 2.4]", "[20.0, 8.5, 2.4]": "[20.0, 4.5, 2.4]", "10.5, 2.4]": "5.5, 2.4]"}
PLACES = {
    "ell": "outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 6.0], [12.0, 6.0], [12.0, 12.5], [0.0, 12.5]]\ndepth_m = 2.5",
    "round-ends": "outline_m = [[5.0, 0.0], [20.0, 0.0], [23.0, 1.2], [25.0, 4.5], [25.0, 8.0], [23.0, 11.3], "
    "[20.0, 12.5], [5.0, 12.5], [2.0, 11.3], [0.0, 8.0], [0.0, 4.5], [2.0, 1.2]]\ndepth_m = 2.5",
    "shelf": "outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]]\n"
    "depth_profile_m = [[0.0, 1.3], [8.0, 1.4], [13.0, 3.5], [25.0, 3.5]]",
    "hopper": "outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]]\n"
    "floor_points_m = [[0.0, 0.0, 1.5], [25.0, 0.0, 1.5], [25.0, 12.5, 1.5], [0.0, 12.5, 1.5], [8.0, 3.0, 3.5], "
    "[21.0, 3.0, 3.5], [21.0, 9.5, 3.5], [8.0, 9.5, 3.5]]",
}

LAKE = shipped("examples")["fennel-reservoir"].read_text(encoding="utf-8")
# Shallow, warm above and cold below, the pinger so far off that straight rays bring the surface echo first.
THERMOCLINE = """profile = [
  { depth_m = 0.0, temperature_degc = 21.0 },
  { depth_m = 3.0, temperature_degc = 20.0 },
  { depth_m = 5.0, temperature_degc = 13.0 },
  { depth_m = 8.0, temperature_degc = 10.0 },
]"""
SHELF = "depth_profile_m = [[0.0, 4.0], [30.0, 6.0], [60.0, 9.0], [90.0, 9.0]]\nfloor"
FAR = {
    "depth_m = 12.0\nfloor": "depth_m = 8.0\nfloor",
    "[40.0, 12.0, 8.0]": "[80.0, 12.0, 6.0]",
    "[10.0, 0.0, 2.0]": "[10.0, 0.0, 4.0]",
    "[40.5, 12.0, 8.0]": "[80.5, 12.0, 6.0]",
    "[32.0, 20.0, 8.0]": "[60.0, 20.0, 6.0]",
    "map_depth_m = 2.0": "map_depth_m = 4.0",
}


@pytest.fixture
def place(tmp_path):
    def write(name):
        if "lake" in name:
            text = re.sub(r"profile = \[.*?\n\]", THERMOCLINE, LAKE, count=1, flags=re.DOTALL)
        else:
            text = re.sub(r"outline_m = .*\nfloor_points_m = .*", PLACES[name], BASIN, count=1)
        for old, new in {"ell": MOVED, "lake": FAR, "shelf-lake": FAR | {"depth_m = 12.0\nfloor": SHELF}}.get(
            name, {}
        ).items():
            text = text.replace(old, new)
        path = tmp_path / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "command"),
    [(name, command) for name in (*PLACES, "lake") for command in ("check", "map", "validate")]
    + [("hopper", "spacing"), ("lake", "spacing"), ("shelf-lake", "check"), ("shelf-lake", "validate")],
)
def test_each_place_is_answered(place, name, command):
    good(command, str(place(name)), *QUICK.get(command, []))


def test_a_pinger_behind_a_corner_is_said_to_be_out_of_sight(place):
    path = place("ell")
    path.write_text(path.read_text(encoding="utf-8").replace("[6.0, 5.0, 0.8]", "[9.0, 11.0, 0.8]"), encoding="utf-8")
    for command in ("check", "spacing"):
        assert "amber pinger is not in sight from [9.0, 11.0, 0.8]: a corner" in refused(command, str(path))[0]


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("name", ["ell", "hopper"])
def test_check_spacing_and_place_count_on_the_same_window_and_limit(place, name):
    scene = acoustics.load_scene(place(name))
    implied, spaced = acoustics.check(scene), acoustics.spacing(scene, trials=100)
    placed = acoustics.place(scene, hydrophones=3, starts=1)
    here = int(np.argmin(np.abs(implied.range_m - spaced.range_m)))
    for of in ("multipath_free_s", "energy_ratio_db"):
        assert getattr(implied, of)[here] == pytest.approx(getattr(spaced, of)) == getattr(placed, of)[0]
    assert spaced.wrong_cycle_limit == placed.wrong_cycle_limit
    assert spaced.recommendation.free_spacing_m == pytest.approx(implied.free_spacing_m)
