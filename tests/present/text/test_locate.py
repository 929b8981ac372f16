"""What `locate` says of a recording beside its pings: wiring that they do not tell, and clipping throughout."""

from __future__ import annotations

import pytest

from acoustics.estimate.locate import Tally
from acoustics.present.text.locate import locate_text


def said(**tally):
    return " ".join(locate_text("a.wav", [], Tally(6.0, **tally), None).split())


@pytest.mark.parametrize(
    ("untold", "words"),
    [
        ([("a",), ("b",)], "Not told by these pings: 'a' or 'b' inverted. Listen where the first echo comes later."),
        ([("a", "c")], "Not told by these pings: 'a' swapped with 'c'. Tap the hydrophones one by one"),
        (
            [("a", "b"), ("a", "d"), ("b", "c")],
            "Not told by these pings: 'a' swapped with 'b' or 'd'; 'b' swapped with 'c'.",
        ),
        ([("a", "b"), ("a", "c"), ("b", "c")], "Not told by these pings: any two of 'a', 'b', 'c' swapped."),
        ([("d",), ("a", "b")], "Not told by these pings: 'd' inverted; 'a' swapped with 'b'."),
    ],
)
def test_wirings_that_the_pings_leave_open_are_named_once_with_what_to_do(untold, words):
    assert words in said(wiring_untold=tuple(untold))


def test_a_recording_clipped_throughout_is_called_so_where_no_ping_is_heard():
    text = said(clipped_share=0.42)
    assert "Clipped: 42 % of the samples of the worst channel" in text and "Lower the gain" in text
    assert "No ping was heard, as the recording is clipped throughout." in text and "the pinger is on" not in text
    assert "the pinger is on" in said(clipped_share=0.004) and "Clipped" not in said(clipped_share=0.004)
