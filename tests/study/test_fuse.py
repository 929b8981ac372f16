"""What `fuse` makes of places by echoes: used, or left out with a reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acoustics.estimate.fuse import fuse_pings, track_of_pings, wrong_sketch_probability
from acoustics.present.text.fuse import fusion_text
from acoustics.study.fuse import RunErrors, errors_of_run, fuse_run
from tests.estimate.fuse.test_echo_places import SOURCE, heard_run, moved


@pytest.fixture(scope="module")
def run():
    return heard_run(np.random.default_rng(1))


def fused(pings):
    errors = errors_of_run(pings, None, RunErrors())
    return fuse_run(pings, track_of_pings(pings), errors, None, by_echoes=True)


def doubting(pings, probability):
    return [replace(p, echoes=replace(p.echoes, wrong_sketch_probability=probability)) for p in pings]


def test_what_pings_say_of_one_sketch_multiplies(run):
    """Three sketches in ten are wrong beforehand: even odds by a ping speak 7 to 3 for it, by two 49 to 9."""
    assert wrong_sketch_probability(doubting(run[:1], 0.5)) == pytest.approx(0.5)
    assert wrong_sketch_probability(doubting(run[:2], 0.5)) == pytest.approx(0.7)
    assert wrong_sketch_probability(doubting(run[:1] * 3, 0.5)) == pytest.approx(0.5)  # the same echoes again
    assert np.isnan(wrong_sketch_probability(run))


def test_places_count_unless_the_pings_together_deny_the_sketch(run):
    kept = fused(doubting(run, 0.05))
    assert kept.echoes.used == len(run) and kept.echoes.wrong_sketch_probability < 0.05
    assert np.linalg.norm(kept.position_m[:2] - SOURCE[:2]) < 0.5
    denied = fused(doubting(run, 0.7))
    assert denied.echoes.used == 0 and denied.echoes.wrong_sketch_probability > 0.99
    assert not any(ping.by_echoes for ping in denied.pings) and not denied.ok
    assert "the site sketch is wrong with a probability of over 99 %" in " ".join(fusion_text(denied).split())


def test_a_sketch_given_up_is_not_fitted_with(run, monkeypatch):
    fits = []

    def counted(*args, **options):
        fits.append(args[0].echoes is not None)
        return fuse_pings(*args, **options)

    monkeypatch.setattr("acoustics.study.fuse.fuse_pings", counted)
    fused(doubting(run, 0.7))
    assert fits == [False]
    fused(doubting(run, 0.05))
    assert fits == [False, False, True]


def test_places_off_the_bearings_are_left_out(run):
    aside = np.array([SOURCE[1] - 4.0, 4.0 - SOURCE[0]])  # across the way, towards which the bearings agree
    shifted = [replace(p, echoes=replace(p.echoes, modes=(moved(p, 0.6 * aside),))) for p in run]
    result = fused(shifted)
    assert "contradict the bearings" in result.echoes.reason
    np.testing.assert_array_equal(result.position_m, fused([replace(p, echoes=None) for p in run]).position_m)
