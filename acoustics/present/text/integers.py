"""The first line of an answer that rests on the right integers of the carrier where they are often wrong."""

from __future__ import annotations

import textwrap

from acoustics.present.text.tables import percent


def drawn_share(share: float, drawn: int) -> str:
    """A share of drawn pings; of none among so many there is no smaller figure to give."""
    return f"none of {drawn:,} drawn" if share == 0 else percent(share)


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
