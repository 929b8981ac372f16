"""The train of pings: what fits it, what does not, and how it is found again."""

from __future__ import annotations

import numpy as np

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


def test_a_train_lost_for_long_begins_anew():
    train = PriTracker(2.0)
    assert [train.accept(t, 100.0) for t in (1.0, 3.0, 12.2, 14.2)] == [True, True, True, True]
