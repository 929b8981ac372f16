"""What `stations` says of one ping to who knows the pool."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from acoustics.estimate.fuse import StationModel
from acoustics.present.text.stations import station_conclusions, stations_text
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import Route, route_positions
from acoustics.study.known_pool import known_pool_bound, known_pool_bounds
from acoustics.study.rendered_run import rendered_run
from acoustics.study.stations import pingers_at_stations, study_stations
from acoustics.study.stations.study import _Choice

POOL = load_scene(shipped("examples")["mallard-basin"])


def test_each_station_has_the_bound_of_a_pinger_there():
    stations = [POOL.pingers[0].model_copy(update={"position_m": s.position_m}) for s in POOL.stations]
    bounds = known_pool_bounds(POOL, stations, POOL.vehicle.position_m)
    for pinger, bound in zip(stations, bounds, strict=True):
        alone = known_pool_bound(POOL.model_copy(update={"pingers": (pinger,)}), pinger)
        assert bound.to_first_wall_m == pytest.approx(alone.to_first_wall_m, rel=1e-4)
        assert bound.whole_burst_m == pytest.approx(alone.whole_burst_m, rel=1e-4)
        assert bound.whole_burst_m < bound.to_first_wall_m


def test_two_stations_are_told_apart_as_the_normal_distribution_says():
    """Halfway between them the choice changes: right with ``Phi(d / 2 sd)``; 8,000 draws tell that to 0.6 %."""
    model = StationModel(
        np.array([[5.0, 5.0], [8.0, 5.0]]), np.ones(2), [[0, 0], [20, 0], [20, 10], [0, 10]], 1e-3, 0.0
    )
    choice = _Choice(model, np.zeros(2), np.random.default_rng(1))
    for sd in (0.5, 1.0, 3.0):
        assert choice.right(np.full(2, sd)) == pytest.approx(norm.cdf(1.5 / sd), abs=3 * 0.006)
    unequal = (norm.cdf(1.5 / 0.1) + norm.cdf(1.5 / 0.3)) / 2
    assert choice.right(np.array([0.1, 0.3])) == pytest.approx(unequal, abs=0.01)


def planned(monkeypatch, usable, off_m=0.0, given_up=False):
    """A plan of two pings with places by echoes as given, nothing rendered."""

    def found(run):
        n = len(run.path_m)
        return {
            "usable": np.full(n, usable),
            "away_m": np.broadcast_to([off_m, 0.0], (n, 2)),
            "heard": np.ones(n, dtype=bool),
            "given_up": np.array(given_up),
        }

    monkeypatch.setattr("acoustics.study.stations.echoes._found", found)
    return study_stations(POOL, POOL.pingers[0], Route(2, 1.0, 20.0), trials=20, seed=1, further=False, echo_runs=2)


@pytest.mark.slow
def test_places_by_echoes_help_where_there_are_any(monkeypatch):
    refused, used = planned(monkeypatch, usable=True, given_up=True), planned(monkeypatch, usable=True)
    np.testing.assert_array_equal(refused.decided, refused.with_echoes.outcome.decided)
    np.testing.assert_array_equal(refused.decided, used.decided)
    assert used.with_echoes.outcome.overall.value > used.overall.value
    assert (used.with_echoes.outcome.median_rms_m < 0.5 * used.median_rms_m).all()
    assert "8 rendered runs of a sketch as good as" in " ".join(stations_text(used).split())
    assert "with echoes" not in stations_text(replace(used, with_echoes=None))


@pytest.mark.slow
def test_a_rendered_run_has_places():
    """One ping, samples and all: what is noted is off by what was drawn."""
    path = route_positions(POOL, Route(1, 0.0, 20.0))
    (ping,) = rendered_run(POOL, pingers_at_stations(POOL, POOL.pingers[0])[3], path, np.random.default_rng(1))
    assert ping.ping == 1 and ping.echoes is not None and ping.echoes.modes
    assert ping.pose.position_m == POOL.vehicle.position_m
    assert 0 < abs(ping.sound_speed_m_s - POOL.sound_speed_m_s) < 4 * POOL.sound_speed_sd_m_s


@pytest.mark.slow
def test_the_text_says_it():
    study = study_stations(POOL, POOL.pingers[0], Route(1, 0.0, 0.0), trials=2, seed=1, further=False)
    assert study.right_to_first_wall < study.right_whole_burst <= 1.0
    best, worst = min(b.whole_burst_m for b in study.known_pool), max(b.whole_burst_m for b in study.known_pool)
    assert f"{best:.2f} m to {worst:.2f} m by the whole burst (bounds)" in " ".join(station_conclusions(study))
    assert "before the first echo from a wall" in " ".join(station_conclusions(study))
    no_walls = tuple(replace(bound, to_first_wall_m=bound.whole_burst_m) for bound in study.known_pool)
    said = " ".join(station_conclusions(replace(study, known_pool=no_walls)))
    assert "wall" not in said and f"{best:.2f} m to {worst:.2f} m by the whole burst (bounds)" in said
