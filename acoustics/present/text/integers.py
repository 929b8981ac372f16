"""The first line of an answer that rests on the right integers of the carrier where they are often wrong."""

from __future__ import annotations

import textwrap

from acoustics.base.intervals import Interval
from acoustics.present.text.tables import percent, with_interval


def drawn_share(share: Interval, drawn: int) -> str:
    """A share of so many drawn pings with its 95 % interval."""
    return f"{'none' if share.value == 0 else with_interval(share, percent)} of {drawn:,} drawn"


def drawn_from(share: Interval, drawn: int) -> str:
    """How a share was predicted, and its 95 % interval, to stand in brackets."""
    return f"predicted by {drawn:,} drawn, 95 %: {percent(share.low)} to {percent(share.high)}"


def wrong_integer_warning(share: float, limit: float, where: str, so_what: str) -> list[str]:
    """One sentence, wrapped, if the share of pings with a wrong integer is over the limit; else nothing.

    `where` says of which pings and what kind of figure it is; `so_what` what it means for the answer.
    """
    if not share > limit:
        return []
    over = "just over" if percent(share) == percent(limit) else "over"
    told = (
        f"WRONG CYCLES: {percent(share)} of the pings {where} have the carrier's integer ambiguity resolved wrongly, "
        f"{over} the limit of {percent(limit)} (study.wrong_cycle_limit). {so_what}"
    )
    return textwrap.wrap(told, 100)
