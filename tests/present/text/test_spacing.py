"""The words for the uneven array beside the scaled one follow from errors and shares of wrong integers."""

import numpy as np
import pytest

from acoustics.base.intervals import Interval
from acoustics.present.text.spacing import alternative_verdict
from acoustics.study.draws import BearingOutcome
from acoustics.study.spacing import Alternative, Choice

LIMIT = 0.01


def outcome(rms, low, high, right, share, most):
    return BearingOutcome(Interval(rms, low, high), Interval(right, right, right), Interval(share, 0.0, most))


@pytest.mark.parametrize(
    "one, four, expected",
    [
        (outcome(0.2, 0.1, 0.3, 0.2, 0.001, 0.003), outcome(0.1, 0.1, 0.1, 0.1, 0.0, 0.001), "Better: the uneven"),
        (outcome(0.4, 0.3, 0.5, 0.2, 0.004, 0.012), outcome(0.1, 0.1, 0.1, 0.1, 0.0, 0.001), "acts on single pings"),
        (outcome(9.0, 6.0, 12.0, 0.2, 0.01, 0.02), outcome(5.0, 4.0, 6.0, 0.1, 0.01, 0.02), "Keep the scaled array"),
        (outcome(0.2, 0.1, 0.3, 0.2, 0.001, 0.003), outcome(5.0, 4.0, 6.0, 0.1, 0.0, 0.02), "after four not, as 5.0"),
        (outcome(0.2, 0.1, 0.3, 0.2, 0.0, 0.0), outcome(0.1, 0.1, 0.1, 0.1, 0.0, 0.0), "so under 0.01 % have"),
    ],
)
def test_the_verdict_follows_from_error_and_share_after_one_ping_and_four(one, four, expected):
    square = [outcome(4.8, 4.7, 4.9, 4.8, 0.0, 0.001), outcome(3.6, 3.5, 3.7, 3.6, 0.0, 0.001)]
    better = [theirs.surely_better_than(ours, LIMIT) for ours, theirs in zip(square, (one, four), strict=True)]
    somewhere = np.eye(4, 3)
    found = Alternative(Choice(somewhere, *square), Choice(somewhere, one, four), *better)
    assert expected in alternative_verdict(found, LIMIT)
