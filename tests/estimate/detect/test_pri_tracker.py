"""The train of pings: what fits it, what does not, and how it is found again."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.estimate.detect.pri_tracker import PriTracker


def test_a_train_with_jitter_a_slow_clock_and_gaps_is_kept():
    rng = np.random.default_rng(1)
    times = 0.7 + 2.0 * 1.01 * np.arange(40) + 2e-3 * rng.standard_normal(40)
    heard = np.delete(times, [5, 6, 20])
    train = PriTracker(2.0)
    assert all(train.accept(t, 100.0) for t in heard)
    train.nothing_until(times[-1] + 4.5)
    assert (train.accepted, train.rejected, train.missed) == (37, 0, 3 + 2)


def test_sounds_off_the_interval_are_passed_over():
    train = PriTracker(2.0)
    answers = [train.accept(t, 100.0) for t in (1.0, 1.9, 3.0, 3.4, 5.0, 6.1, 7.0)]
    assert answers == [True, False, True, False, True, False, True]
    assert (train.rejected, train.missed) == (3, 0)


def test_a_false_start_is_left_for_the_true_train():
    # A knock first, then a train out of step with it, no stronger: two of its pings settle it.
    train = PriTracker(2.0)
    assert [train.accept(t, 100.0) for t in (0.3, 1.3, 3.3, 5.3, 7.3)] == [True, False, True, True, True]
    # Far stronger than the knock: at once.
    train = PriTracker(2.0)
    assert [train.accept(t, p) for t, p in ((0.3, 100.0), (1.3, 1000.0), (3.3, 1000.0))] == [True, True, True]


def test_a_train_lost_for_long_begins_again():
    train = PriTracker(2.0)
    assert [train.accept(t, 100.0) for t in (1.0, 3.0, 12.2, 14.2)] == [True, True, True, True]


@pytest.mark.parametrize(("interval", "width"), [(2.0, 0.07), (0.5, 0.025)])
def test_the_gate_is_ten_milliseconds_and_three_per_cent_of_the_interval(interval, width):
    for early_or_late in (-1, 1):
        for share, inside in ((0.95, True), (1.05, False)):
            train = PriTracker(interval)
            train.accept(1.0, 100.0)
            assert train.accept(1.0 + interval + early_or_late * share * width, 100.0) is inside


def test_a_train_out_of_step_is_believed_from_six_decibels_on_or_after_three_intervals():
    for db, taken in ((5.0, False), (7.0, True)):
        train = PriTracker(2.0)
        assert [train.accept(t, p) for t, p in ((1.0, 100.0), (2.0, 100.0 * 10 ** (db / 10)))] == [True, taken]
    for intervals, taken in ((3.3, False), (3.6, True)):
        train = PriTracker(2.0)
        assert [train.accept(t, 100.0) for t in (1.0, 1.0 + 2.0 * intervals)] == [True, taken]


def test_the_interval_is_learnt_by_a_quarter_and_to_five_per_cent():
    train = PriTracker(2.0)
    train.accept(0.0, 100.0)
    train.accept(2.04, 100.0)
    assert train.interval_s == pytest.approx(2.01)
    time = 2.04
    for _ in range(60):  # ever slower, as far as the gate lets it
        time += train.interval_s + 0.06
        assert train.accept(time, 100.0)
    assert train.interval_s == pytest.approx(2.1)
