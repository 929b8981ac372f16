"""Bearings of turned arrays by the vehicle's estimators: some draws stand for others, and intervals count places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import (
    BearingOutcome,
    TurnedBearings,
    simulate_turned,
    turned_about,
    with_hydrophones,
)
from acoustics.study.draws.turned_bearings import _linearised, _standing_in

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]
BEARINGS = np.arange(12) * np.pi / 6


def heard(spacing_m):
    """Pings of a square, in noise that leaves the carrier's integers in doubt now and then."""
    square = spacing_m * (np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]) - [0.5, 0.5, 0.0])
    return turned_about(with_hydrophones(POOL, square), PINGER, BEARINGS, np.random.default_rng(1))


def test_draws_beyond_so_many_are_told_as_those_of_their_kind_in_turn():
    kind = np.array([3, 1, 3, 3, 1, 3, 3])
    instead = _standing_in(kind, np.where(kind == 3, 2, 5))
    assert instead.tolist() == [0, 1, 2, 0, 4, 2, 0]


@pytest.mark.slow
def test_some_draws_stand_for_all_without_bias(monkeypatch):
    pings = heard(0.12)
    some = _linearised(pings, 60, np.random.default_rng(2), 1)
    monkeypatch.setattr("acoustics.study.draws.turned_bearings.takes_longer", lambda *array: False)
    whole = _linearised(pings, 60, np.random.default_rng(2), 1)
    # The same draws are searched, so no more is left than the choice among them: a quarter of the RMS with the right
    # integers is known to 6 %, and a share of some percent, a third of which is looked at, to a point.
    assert len(some.error) == pytest.approx(len(whole.error), abs=12)
    right = [np.sqrt(np.mean(one.error[~one.wrong_integer] ** 2)) for one in (some, whole)]
    assert right[0] == pytest.approx(right[1], rel=0.18)
    assert some.wrong_integer.mean() == pytest.approx(whole.wrong_integer.mean(), abs=0.02)
    assert whole.wrong_integer.any() and some.worth < whole.worth <= 12 * 60


@pytest.mark.slow
def test_weak_pings_of_a_wide_array_go_through_the_estimator_as_samples():
    pings = heard(0.1)
    assert np.median(pings.pings.energy_ratio_2e_n0) < 100.0
    one, four = (simulate_turned(pings, 480, np.random.default_rng(3), joined=joined) for joined in (1, 4))
    assert len(one.error) <= 4 * 12 < len(four.error)


@pytest.mark.parametrize("spacing_m", [0.018, 0.1])
def test_pings_that_are_not_answered_are_guesses(spacing_m):
    pings = heard(spacing_m)
    silent = replace(pings, pings=replace(pings.pings, answered=np.zeros(12, dtype=bool)))
    found = BearingOutcome.of(simulate_turned(silent, 600, np.random.default_rng(4)), np.random.default_rng(5))
    assert found.wrong_integer.value == 1.0 and np.isnan(found.right_integer_deg.value)
    # A uniform guess: 600 know its RMS to 2 %.
    assert found.rms_deg.value == pytest.approx(180.0 / np.sqrt(3.0), rel=0.06)


def test_parts_count_alike_however_many_draws_they_have():
    few = TurnedBearings(np.full(10, 1.0), np.ones(10, dtype=bool), np.arange(10), 10.0)
    many = TurnedBearings(np.full(1000, 0.0), np.zeros(1000, dtype=bool), 10 + np.arange(1000) % 10, 1000.0)
    both = TurnedBearings.alike([few, many])
    assert both.wrong_integer.mean() == 0.5 and both.worth == 20.0
    assert np.bincount(both.place).tolist() == [100] * 20
