"""Stations, waypoints and calibration on the runner: the same bits from one process, from two, and from one that goes on."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from acoustics.base.errors import OutputError
from acoustics.present.text.tables import to_json
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.calibrate.geometry import RunPlan
from acoustics.study.calibrate.plan import plan_calibration
from acoustics.study.draws import Route, join_runs, simulate_runs
from acoustics.study.execution.chunks import Running, Workers
from acoustics.study.stations.runs import RunsAlong, _batches, decide
from acoustics.study.stations.study import station_model, study_stations
from acoustics.study.waypoints.study import study_waypoints

POOL = load_scene(shipped("examples")["mallard-basin"])
QUAY = load_scene(shipped("examples")["quay-nine"])
PINGER = POOL.pingers[0]
ONE_POST = QUAY.model_copy(update={"study": QUAY.study.model_copy(update={"waypoints": 1})})
STUDIES = {
    "stations": partial(study_stations, POOL, PINGER, Route(2, 2.0, 20.0), trials=8, seed=3),
    "waypoints": partial(study_waypoints, ONE_POST, QUAY.pingers[0], trials=30, step_m=20.0, seed=3),
    "calibrate": partial(plan_calibration, POOL, PINGER, RunPlan(3, 1), runs=60, seed=3),
}


pytestmark = pytest.mark.usefixtures("few")


@pytest.mark.parametrize("name", STUDIES)
@pytest.mark.slow
@pytest.mark.thorough
def test_one_process_two_and_one_stopped_on_the_way_give_the_same(name, tmp_path):
    study = STUDIES[name]
    here = to_json(study(running=Running(folder=tmp_path)))
    chunks = sorted(tmp_path.glob("chunk-*.npz"))
    assert len(chunks) >= 2
    chunks[-1].unlink()  # as if stopped before the last was done
    told, written = [], [chunk.stat().st_mtime_ns for chunk in chunks[:-1]]
    assert to_json(study(running=Running(folder=tmp_path), progress=lambda *done: told.append(done))) == here
    assert told[-2][0] < told[-1][0] == told[-1][1]
    assert [chunk.stat().st_mtime_ns for chunk in chunks[:-1]] == written  # that chunk alone was worked on
    assert to_json(study(running=Running(Workers(2)))) == here


@pytest.mark.slow
def test_a_folder_of_another_study_is_refused(tmp_path):
    STUDIES["calibrate"](running=Running(folder=tmp_path))
    more_headings = partial(plan_calibration, POOL, PINGER, RunPlan(4, 1), runs=60, seed=3)
    for other in (more_headings, partial(STUDIES["calibrate"], seed=4), STUDIES["stations"]):
        with pytest.raises(OutputError, match="holds the chunks of another study"):
            other(running=Running(folder=tmp_path))


def test_runs_joined_are_those_drawn_apart():
    path = np.array(POOL.vehicle.position_m) + [[0.0, 0, 0], [1.0, 0, 0]]
    moved = PINGER.model_copy(update={"position_m": (15.0, 3.0, 2.0)})
    parts = [
        simulate_runs(POOL, pinger, path, n_runs=n, rng=np.random.default_rng(k), wrong_share=0.3)
        for k, (pinger, n) in enumerate([(PINGER, 3), (moved, 2)])
    ]
    both = join_runs(parts)
    assert both.run.tdoa_s.shape[0] == both.outlier.shape[0] == len(both.source_depth_m) == 5
    for part, rows in zip(parts, (slice(0, 3), slice(3, 5)), strict=True):
        assert np.array_equal(both.run.tdoa_s[rows], part.run.tdoa_s)
        assert np.array_equal(both.run.covariance_s2[rows], part.run.covariance_s2)
        assert np.array_equal(both.track.position_m[rows], part.track.position_m)
        assert np.array_equal(both.outlier[rows], part.outlier)


def test_every_run_asked_for_is_decided_and_a_pinger_out_of_hearing_gives_no_fix():
    path, model = np.array(POOL.vehicle.position_m)[None], station_model(POOL)
    silent = PINGER.model_copy(update={"name": "silent", "source_level_db": 60.0})
    plan = RunsAlong(path, (PINGER, silent), (120, 7), tuple(np.random.SeedSequence(1).spawn(2)))
    assert [batch.runs for batch in _batches(plan)] == [(100, 7), (20, 0)]
    ((found, none),), _ = decide(POOL, model, [plan], fingerprint="", running=Running(), progress=lambda *done: None)
    assert found.chosen.shape == found.stated.shape == found.rms_m.shape == (120,)
    assert np.mean(found.chosen == 0) > 0.2 and np.all(np.isfinite(found.rms_m))
    no_fix = len(model.prior) + 1
    assert none.chosen.tolist() == [no_fix] * 7 and none.stated.tolist() == [0.0] * 7


@pytest.mark.slow
@pytest.mark.thorough
def test_runs_of_other_numbers_of_pings_change_nothing_of_the_routes_own():
    ask = partial(study_stations, POOL, PINGER, Route(3, 2.0, 0.0), trials=8, seed=1)
    alone, beside = ask(further=False), ask(further=True)
    assert len(alone.by_pings) == 1 < len(beside.by_pings)
    assert np.array_equal(alone.decided, beside.decided) and np.array_equal(alone.median_rms_m, beside.median_rms_m)
    assert alone.overall == next(row.right for row in beside.by_pings if row.pings == 3)
    assert ask(enough=0.0).by_pings == alone.by_pings  # where the route's own are enough the others are left out
    where_missed = ask(enough=1.1)
    assert where_missed.by_pings == beside.by_pings and np.array_equal(where_missed.decided, beside.decided)
