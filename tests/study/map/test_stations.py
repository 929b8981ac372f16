"""The station that one ping's fix would choose, over a map."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from acoustics.base.frames import wrap_angle
from acoustics.estimate.fuse.station import NONE_OF_THESE, single_ping_posterior, station_posterior
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.map.cells import Cells
from acoustics.study.map.station_prediction import predicted_outcomes
from acoustics.study.map.station_summary import station_map
from acoustics.study.map.stations import (
    OUTCOMES,
    Chooser,
    Sights,
    of_bearing_and_inverse,
    outcomes,
)
from acoustics.study.map.study import MapChoices, map_pool

pytestmark = pytest.mark.usefixtures("few")

POOL = load_scene(shipped("examples")["mallard-basin"])
CHOOSER = Chooser.of(POOL)


def sights(*waypoints, information, pinger=POOL.pingers[0].position_m[:2]):
    waypoints = np.array(waypoints, dtype=float)
    n = len(waypoints)
    return Sights(waypoints, np.tile(pinger, (n, 1)), np.zeros(n), np.broadcast_to(information, (n, 2, 2)))


def posterior_by_integration(waypoint, bearing, inverse_m, bearing_sd, inverse_sd):
    """Bayes' rule with sums over a fine grid: a station's pinger is normal about it, one at none is anywhere."""
    model = CHOOSER.stations
    x, y = np.meshgrid(np.arange(-5, 30, 0.08), np.arange(-5, 18, 0.08))
    away_x, away_y = x - waypoint[0], y - waypoint[1]
    likelihood = norm.pdf(wrap_angle(np.arctan2(away_y, away_x) - bearing), scale=bearing_sd)
    likelihood = likelihood * norm.pdf(1 / np.hypot(away_x, away_y) - inverse_m, scale=inverse_sd)
    weight = []
    for place in model.places_m:
        density = norm.pdf(x - place[0], scale=model.spread_m) * norm.pdf(y - place[1], scale=model.spread_m)
        weight.append(np.sum(likelihood * density))
    inside = (x > 0) & (x < 25) & (y > 0) & (y < 12.5)
    weight.append(np.sum(likelihood * inside) / np.sum(inside) / 0.08**2)
    weight = np.array(weight) * model.probabilities
    return weight / weight.sum()


@pytest.mark.parametrize(
    ("waypoint", "bearing_sd_deg", "inverse_sd"),
    [((6.0, 5.0), 3.0, 0.01), ((6.0, 5.0), 5.0, 0.03), ((14.0, 5.0), 4.0, 0.03), ((23.0, 6.0), 6.0, 0.06)],
)
def test_the_posterior_is_that_of_direct_integration(waypoint, bearing_sd_deg, inverse_sd):
    bearing_sd = np.deg2rad(bearing_sd_deg)
    information = np.diag([bearing_sd**-2.0, inverse_sd**-2.0])
    rng = np.random.default_rng(3)
    for place in CHOOSER.stations.places_m:
        away = place - waypoint
        bearing = np.arctan2(away[1], away[0]) + rng.normal() * bearing_sd
        inverse = 1 / np.hypot(*away) + rng.normal() * inverse_sd
        exact = posterior_by_integration(waypoint, bearing, inverse, bearing_sd, inverse_sd)
        found = single_ping_posterior(
            CHOOSER.stations, np.array([waypoint]), np.array([bearing]), np.array([inverse]), information[None]
        )[0]
        assert np.argmax(found) == np.argmax(exact)
        # A station's spread of 0.5 m, turned into inverse distance, is not quite normal there.
        assert np.abs(found - exact).max() < 0.05


def test_a_sharp_fix_gives_the_posterior_of_that_fix():
    away = CHOOSER.stations.places_m[1] - [12.0, 6.0] + [0.3, -0.2]
    information = np.diag([1e6, 1e8])
    found = single_ping_posterior(
        CHOOSER.stations,
        np.array([[12.0, 6.0]]),
        np.array([np.arctan2(away[1], away[0])]),
        np.array([1 / np.hypot(*away)]),
        information[None],
    )
    assert found[0] == pytest.approx(
        station_posterior(away + [12.0, 6.0], 1e-6 * np.eye(2), CHOOSER.stations), abs=2e-3
    )


def test_nothing_known_leaves_the_priors_and_no_decision():
    posterior = single_ping_posterior(
        CHOOSER.stations, np.zeros((1, 2)), np.array([np.nan]), np.array([np.nan]), np.eye(2)[None]
    )
    assert posterior[0] == pytest.approx(CHOOSER.stations.probabilities)
    assert OUTCOMES[outcomes(CHOOSER, posterior, np.array([0]))[0]] == "undecided"


def test_outcomes_by_hand():
    posterior = np.array([[0.6, 0.4, 0, 0, 0], [0.4, 0.6, 0, 0, 0], [0.1, 0, 0, 0, 0.9], [0.5, 0.5, 0, 0, 0]])
    named = [OUTCOMES[k] for k in outcomes(CHOOSER, posterior, np.zeros(4, dtype=int))]
    assert named == ["right", "other", "none", "undecided"]
    at_none = outcomes(CHOOSER, posterior[2:3], np.array([4]))
    assert OUTCOMES[at_none[0]] == "right"


def test_information_is_turned_by_the_derivatives_taken_numerically():
    away = np.array([[4.0, -3.0], [-0.7, 0.2]])
    level = np.array([[[4.0, 1.0], [1.0, 2.0]], [[3.0, -1.0], [-1.0, 5.0]]])
    found = of_bearing_and_inverse(level, away)
    for k in range(2):

        def place(bearing, inverse):
            return np.array([np.cos(bearing), np.sin(bearing)]) / inverse

        b, q, h = np.arctan2(away[k, 1], away[k, 0]), 1 / np.hypot(*away[k]), 1e-6
        slope = np.column_stack(
            [
                (place(b + h, q) - place(b - h, q)) / (2 * h),
                (place(b, q + h) - place(b, q - h)) / (2 * h),
            ]
        )
        guess = np.diag([3 / np.pi**2, 0.09])
        assert found[k] == pytest.approx(slope.T @ level[k] @ slope + guess, rel=1e-6)


def test_what_is_meant_is_what_an_exact_fix_would_choose():
    pingers = np.array([POOL.pingers[0].position_m[:2], (14.2, 2.1), (5.0, 6.0)])
    assert [CHOOSER.answers[k] for k in CHOOSER.meant(pingers)] == ["amber", "white", NONE_OF_THESE]


def test_prediction_agrees_with_many_draws():
    # 20,000 draws of the same normal errors: known to 0.007; the 128 points of equal probability to about 0.02.
    information = np.diag([np.deg2rad(6.0) ** -2.0, 0.03**-2.0])
    seen = sights((6.0, 5.0), (12.0, 11.0), (22.0, 4.0), information=information)
    predicted = predicted_outcomes(CHOOSER, seen, np.ones(3, dtype=bool))
    rng, n = np.random.default_rng(5), 20_000
    for k in range(3):
        error = rng.normal(size=(n, 2)) * [np.deg2rad(6.0), 0.03]
        posterior = single_ping_posterior(
            CHOOSER.stations,
            np.tile(seen.waypoints_m[k], (n, 1)),
            seen.bearing[k] + error[:, 0],
            seen.inverse_m[k] + error[:, 1],
            np.broadcast_to(information, (n, 2, 2)),
        )
        drawn = np.bincount(outcomes(CHOOSER, posterior, np.zeros(n, dtype=int)), minlength=4) / n
        assert predicted[k] == pytest.approx(drawn, abs=0.04)
    assert predicted.sum(axis=-1) == pytest.approx(1.0)


def test_interpolated_cells_are_near_those_worked_out(monkeypatch):
    monkeypatch.setattr("acoustics.study.map.station_prediction.PREDICTED_CELLS", 100)
    x, y = np.meshgrid(np.linspace(1, 24, 24), np.linspace(1, 11.5, 12))
    seen = sights(*np.column_stack([x.ravel(), y.ravel()]), information=np.diag([np.deg2rad(5.0) ** -2.0, 0.04**-2.0]))
    heard = np.ones(x.size, dtype=bool)
    heard[:5] = False
    some = predicted_outcomes(CHOOSER, seen, heard)
    monkeypatch.setattr("acoustics.study.map.station_prediction.PREDICTED_CELLS", 1000)
    every = predicted_outcomes(CHOOSER, seen, heard)
    # A third of the cells, 1.6 m apart; the share falls from 1 to 0 over some metres where stations fall in line.
    assert np.sqrt(np.mean((some - every) ** 2)) < 0.06
    assert np.array_equal(some[:5], np.tile([0, 0, 0, 1], (5, 1)))


def test_intervals_are_those_of_a_general_library():
    cells = Cells("vehicle", np.arange(3.0), np.zeros(1), np.zeros((1, 3, 3)), np.ones((1, 3), dtype=bool))
    seen = sights((6.0, 5.0), (12.0, 11.0), (22.0, 4.0), information=np.diag([100.0, 100.0]))
    counts = np.array([[40.0, 5, 5, 0], [50, 0, 0, 0], [0, 0, 0, 0]])
    heard = np.array([True, True, False])
    result = station_map(CHOOSER, seen, cells, heard, counts)
    assert result.pings == 50
    for k, hits in enumerate([40, 50, 0]):
        expected = binomtest(hits, 50).proportion_ci(method="wilson")
        assert (result.right_low[0, k], result.right_high[0, k]) == pytest.approx((expected.low, expected.high))
    assert result.simulated.undecided[0].tolist() == [0, 0, 1]
    shares = {share.outcome: share.simulated for share in result.over_cells}
    assert shares["right"].value == pytest.approx(0.6)
    assert shares["right"].low < 0.6 < shares["right"].high
    assert sum(share.value for share in shares.values()) == pytest.approx(1.0)


def test_a_map_without_two_stations_says_nothing_of_them():
    for stations in ((), POOL.stations[:1]):
        scene = POOL.model_copy(update={"stations": stations})
        result = map_pool(scene, scene.pingers[0], trials=2, seed=1, step_m=5.0)
        assert result.stations is None
        assert "not_right_station" not in result.quantiles


def test_with_the_pinger_in_the_cells_the_right_answer_differs_from_cell_to_cell():
    result = map_pool(POOL, POOL.pingers[0], trials=5, seed=1, step_m=1.0, choices=MapChoices(over="pinger"))
    meant = result.stations.meant
    assert np.array_equal(np.isfinite(meant), result.wet)
    x, y = np.meshgrid(result.x_m, result.y_m)
    for k, station in enumerate(POOL.stations):
        apart = np.hypot(x - station.position_m[0], y - station.position_m[1])
        # By hand: the priors 0.95 / 4 and 0.05 over 312.5 m^2 meet where exp(-r^2 / 0.5) falls to 1 / 945, r = 1.85 m.
        assert np.array_equal(meant[result.wet] == k, apart[result.wet] < 1.85)
    shares = [getattr(result.stations.simulated, name)[result.wet] for name in OUTCOMES]
    assert np.sum(shares, axis=0) == pytest.approx(1.0)


def test_the_vehicles_own_place_counts_for_the_station_with_and_without_site_position():
    lost = POOL.model_copy(update={"vehicle": POOL.vehicle.model_copy(update={"position_sd_m": 3.0})})
    known, unsure = (map_pool(s, s.pingers[0], trials=20, seed=1, step_m=2.5) for s in (POOL, lost))
    assert np.array_equal(known.position_m, unsure.position_m, equal_nan=True)
    for name in ("predicted", "simulated"):
        right = [np.nanmean(getattr(result.stations, name).right) for result in (known, unsure)]
        assert right[1] < right[0] - 0.1
