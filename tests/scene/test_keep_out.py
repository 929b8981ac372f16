"""Keep-out zones: what is inside, what a straight way crosses, and outlines that are refused."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.path import Path
from pydantic import ValidationError

from acoustics.scene.keep_out import KeepOut
from acoustics.scene.scenario import load_scene, shipped

# An L, so that the zone is not convex.
ELL = KeepOut(outline_m=((0.0, 0.0), (4.0, 0.0), (4.0, 1.0), (1.0, 1.0), (1.0, 3.0), (0.0, 3.0)))


def test_inside_agrees_with_matplotlib():
    places = np.random.default_rng(1).uniform(-1, 5, (4000, 2))
    assert np.array_equal(ELL.contains(places), Path(ELL.outline_m).contains_points(places))


@pytest.mark.slow
def test_ways_through_the_zone_agree_with_a_walk_along_them():
    rng = np.random.default_rng(2)
    ends = rng.uniform(-1, 5, (4000, 2))
    ends = ends[~ELL.contains(ends)]
    a, b = ends[: len(ends) // 2], ends[len(ends) // 2 :][: len(ends) // 2]
    share = np.linspace(0, 1, 2001)[:, None, None]
    walked = ELL.contains(a + share * (b - a)).any(axis=0)
    crossed = ELL.crossed_by(a, b)
    # A walk of 2000 steps can miss a corner cut by less than its step; it never finds what is not there.
    assert not np.any(walked & ~crossed)
    assert np.mean(walked != crossed) < 0.005


def test_a_way_along_an_edge_or_past_a_corner_is_free_and_one_through_corners_is_not():
    assert not ELL.crossed_by([4.5, -1.0], [4.5, 2.0])
    assert not ELL.crossed_by([1.1, 3.0], [4.0, 1.1])
    square = KeepOut(outline_m=((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)))
    assert square.crossed_by([-1.0, -1.0], [2.0, 2.0])


@pytest.mark.parametrize("outline", [ELL.outline_m, ELL.outline_m[::-1]])
def test_turning_places_lie_outside_in_either_sense_of_the_outline(outline):
    turns = KeepOut(outline_m=outline).corners_outside_m(0.1)
    assert not ELL.contains(turns).any()
    assert np.linalg.norm(turns - ELL.corners_m, axis=-1) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("outline", "problem"),
    [
        (((0.0, 0.0), (1.0, 0.0)), "at least 3"),
        (((0.0, 0.0), (0.0, 0.0), (1.0, 1.0)), "coincide"),
        (((0.0, 0.0), (2.0, 2.0), (2.0, 0.0), (0.0, 1.0)), "crosses itself"),
        (((0.0, 0.0), (1.0, 1.0), (2.0, 2.0)), "encloses nothing"),
    ],
)
def test_outlines_that_are_none_are_refused(outline, problem):
    with pytest.raises(ValidationError, match=problem):
        KeepOut(outline_m=outline)


def test_a_vehicle_that_starts_inside_a_zone_is_refused():
    scene = load_scene(shipped("examples")["mallard-basin"])
    zone = {"name": "ladder", "outline_m": ((5.0, 4.0), (7.0, 4.0), (7.0, 6.0), (5.0, 6.0))}
    with pytest.raises(ValidationError, match="ladder has vehicle.position_m inside"):
        type(scene).model_validate(scene.model_dump(by_alias=True) | {"keep_out": (zone,)})
