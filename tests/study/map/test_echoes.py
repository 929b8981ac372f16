"""Rendered pings at chosen cells of a map: what echoes add to the bearing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ttest_1samp

import acoustics
from acoustics.base.errors import ParameterError
from acoustics.cli.main import pingfix
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.execution.chunks import Running, Workers
from acoustics.study.map.cells import grid_cells
from acoustics.study.map.echoes import _mean_interval, echo_places
from acoustics.study.map.study import MapChoices, map_pool

pytestmark = pytest.mark.usefixtures("few")

POOL = load_scene(shipped("examples")["mallard-basin"])
QUIET = {"self_noise_density_db": 50.0, "ambient_density_db": 45.0}


def mapped(scene, *, running=None, seed=1, **choices):
    return map_pool(
        scene,
        scene.pingers[0],
        trials=0,
        seed=seed,
        step_m=2.5,
        choices=MapChoices(**choices),
        **({} if running is None else {"running": running}),
    )


@pytest.mark.slow
def test_water_without_faces_adds_nothing():
    pool = {"pool": POOL.pool.model_validate({"surface_reflects": False})}
    plan = POOL.study.model_copy(update={"map_extent_m": (4.0, 2.0, 16.0, 10.0)})
    scene = POOL.model_copy(update=pool | {"study": plan})
    for place in mapped(scene, echo_cells=2, echo_pings=3).echoes:
        assert (place.refused, place.without_refused) == (0, 0)
        assert (place.bias_deg.value, place.bias_deg.low, place.bias_deg.high) == (0, 0, 0)
        assert place.rms_deg.value == place.without_rms_deg.value
        assert place.range_bias_m is None or place.range_bias_m.value == 0


@pytest.mark.slow
def test_errors_without_echoes_are_of_the_size_of_the_bound_where_mounting_sets_it():
    # In quiet water mounting sets the bound almost alone, so that the length of the window does not matter.
    scene = POOL.model_copy(update={"noise": POOL.noise.model_copy(update=QUIET)})
    places = mapped(scene, echo_cells=2, echo_pings=8).echoes
    assert len(places) == 2
    ratio = np.mean([(p.without_rms_deg.value / p.bound_deg) ** 2 for p in places])
    # The mean of 16 squared normal errors over their variance is known to sqrt(2 / 16) = 0.35.
    assert ratio == pytest.approx(1.0, abs=2.5 * 0.35)


@pytest.mark.slow
def test_two_processes_and_a_resumed_folder_give_the_same_places(tmp_path):
    choice = {"echo_cells": 2, "echo_pings": 2}
    here = mapped(POOL, **choice)
    spread = mapped(POOL, **choice, running=Running(Workers(2), tmp_path / "map"))
    next((tmp_path / "map").glob("chunk-*.npz")).unlink()
    resumed = mapped(POOL, **choice, running=Running(folder=tmp_path / "map"))
    assert here.echoes == spread.echoes == resumed.echoes
    assert here.echoes != mapped(POOL, **choice, seed=2).echoes


@pytest.mark.slow
def test_with_the_pinger_in_the_cells_it_is_the_pinger_that_moves():
    result = mapped(POOL, over="pinger", echo_cells=2, echo_pings=2)
    for place in result.echoes:
        row, column = np.argmin(np.abs(result.y_m - place.y_m)), np.argmin(np.abs(result.x_m - place.x_m))
        assert (place.x_m, place.y_m) == (result.x_m[column], result.y_m[row])
        assert result.wet[row, column]
        # The bearing from the bow is not that in the site: the heading's error is left out of its bound.
        heading_sd = POOL.vehicle.heading_sd_deg
        assert np.hypot(place.bound_deg, heading_sd) == pytest.approx(result.bearing_deg[row, column], rel=0.05)


@pytest.mark.slow
def test_the_bound_of_a_place_leaves_out_hydrophones_behind_a_body():
    tube = {"kind": "cylinder", "from_m": (-0.3, 0.0, 0.12), "to_m": (0.25, 0.0, 0.12), "radius_m": 0.1}
    bodies = POOL.mounting.model_validate({"shadow": [tube]})
    scene = POOL.model_copy(update={"mounting": bodies, "array": load_array("hull-4")})
    result = mapped(scene, echo_cells=4, echo_pings=2)
    some = 0
    for place in result.echoes:
        row, column = np.argmin(np.abs(result.y_m - place.y_m)), np.argmin(np.abs(result.x_m - place.x_m))
        some += result.shadowed[row, column] > 0
        # Two routes to one bound: the map's in the frame that stands level, with the error of the heading.
        site = np.hypot(place.bound_deg, scene.vehicle.heading_sd_deg)
        assert site == pytest.approx(result.bearing_deg[row, column], rel=0.05)
    assert some > 0


@pytest.mark.parametrize(("trials", "cells"), [(2, 6), (0, 0)])
def test_from_python_and_from_the_command_line_echoes_are_shown_at_as_many_cells(trials, cells, monkeypatch):
    asked = []

    def told(*_, choices, **__):
        asked.append(choices)
        raise ParameterError("enough")

    monkeypatch.setattr("acoustics.api.planning.map_pool", told)  # first: it takes the other's when it is imported
    monkeypatch.setattr("acoustics.study.map.map_pool", told)
    with pytest.raises(ParameterError, match="enough"):
        acoustics.map(POOL, trials=trials)
    with pytest.raises(ParameterError, match="enough"):
        pingfix.main(["map", str(shipped("examples")["mallard-basin"]), "--trials", f"{trials}"], standalone_mode=False)
    assert asked[0] == asked[1]
    assert asked[0].echo_cells == cells


def test_places_spread_over_the_cells_that_hear():
    scene, pinger = POOL, POOL.pingers[0]
    cells = grid_cells(scene, pinger, over="vehicle", step_m=1.0, headings=np.zeros(1))
    places = cells.places_m[cells.wet]
    heard = places[:, 0] > 10
    chosen = echo_places(scene, cells, np.zeros(len(places)), heard, 6)
    assert heard[chosen].all()
    level = places[chosen, :2]
    apart = np.linalg.norm(level[:, None] - level, axis=-1) + 100 * np.eye(6)
    # Six even parts of 15 by 12 m are 5 by 6 m.
    assert apart.min() > 3.5
    nearest = np.linalg.norm(places[heard][:, None, :2] - level, axis=-1).min(axis=-1)
    assert nearest.max() < 5.5
    assert len(echo_places(scene, cells, np.zeros(len(places)), heard, 0)) == 0
    assert len(echo_places(scene, cells, np.zeros(len(places)), np.arange(len(places)) < 3, 6)) == 3


def test_cells_where_a_hydrophone_could_leave_the_water_are_not_taken():
    plan = POOL.study.model_copy(update={"map_depth_m": 1e-3})
    flat = POOL.array.model_copy(update={"mount_m": (0.0, 0.0, 0.0)})
    scene = POOL.model_copy(update={"study": plan, "array": flat})
    assert mapped(scene, echo_cells=4, echo_pings=2).echoes == ()


def test_the_interval_of_a_mean_is_students():
    values = np.random.default_rng(1).normal(2.0, 3.0, 9)
    expected = ttest_1samp(values, 0.0).confidence_interval(0.95)
    found = _mean_interval(values)
    assert (found.value, found.low, found.high) == pytest.approx((values.mean(), expected.low, expected.high))
    assert _mean_interval(values[:1]) is None
