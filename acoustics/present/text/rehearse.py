"""The answer of `pingfix rehearse` as text: how the runs ended, what they took, and what to conclude."""

from __future__ import annotations

import textwrap

from acoustics.base.intervals import Interval
from acoustics.present.text.tables import Rows, percent, table, with_interval
from acoustics.study.rehearse import Rehearsal


def rehearsal_text(study: Rehearsal) -> str:
    """Shares of the outcomes, medians of time and distance, and what `stations` predicts beside them."""
    lines = [
        f"{study.title}: {study.array}, {study.pinger}; {study.runs} runs from samples to the decision, at most "
        f"{study.time_limit_s:g} s each (seed {study.seed});",
        f"{rule_text(study)}",
        "",
        "How runs end (simulated, 95 %)",
    ]
    lines += [table(*outcome_rows(study)), ""]
    medians = (("time s", study.time_s), ("distance m", study.distance_m), ("waypoints gone to", study.stops))
    rows = [(name, with_interval(value)) for name, value in medians if value is not None]
    if rows:
        lines += [table(("of the runs that commit", "median (simulated, 95 %)"), rows), ""]
    for sentence in rehearsal_conclusions(study):
        lines += textwrap.wrap(sentence, 100)
    return "\n".join(lines)


def outcome_rows(study: Rehearsal) -> Rows:
    """How the runs ended."""
    shares = [(name, share_text(share)) for name, share in zip(study.outcomes, study.shares, strict=True)]
    return ("outcome", "share of runs"), shares


def rule_text(study: Rehearsal) -> str:
    """When the runs commit."""
    if study.wrong_station_cost_s is None:
        return f"they commit from a probability of {study.commit_probability:g} on"
    cost = f"{study.wrong_station_cost_s:g} s"
    return f"they commit when listening costs more than mistakes, a wrong station counting as {cost}"


def share_text(share: Interval) -> str:
    """A share with its interval."""
    return with_interval(share, lambda part: percent(part) if part else "0")


def rehearsal_conclusions(study: Rehearsal) -> list[str]:
    """What to make of it, in whole sentences."""
    found = []
    if study.stated is not None and study.right_of_committed is not None and study.covered is not None:
        right = study.right_of_committed
        found.append(
            f"Runs commit at a stated probability of {percent(study.stated)} on average, and "
            f"{share_text(right)} of them are right (simulated)."
        )
        if study.stated > right.high:
            found.append("That is less than they state: some error is larger than the scenario says, or seen too late.")
        found.append(f"The stated 95 % ellipse holds the pinger in {share_text(study.covered)} of them.")
    found.append(
        f"`stations` gives {share_text(study.stations_right)} for four pings on 4 m ahead, without samples and without "
        "a choice of waypoints (simulated at TDOA level)."
    )
    low = study.shares[0].low, study.stations_right.low
    high = study.shares[0].high, study.stations_right.high
    if max(low) > min(high):
        found.append(
            "The two differ by more than chance: "
            + (
                "a run may choose where to listen, and wait until it is sure."
                if study.shares[0].value > study.stations_right.value
                else "a run must be sure within the time, hears thrusters and echoes, and takes no doubtful answer."
            )
        )
    return found
