"""The answer of `pingfix stations` as text: the confusion matrix, what more pings give, and what to conclude."""

from __future__ import annotations

import textwrap

from acoustics.base.intervals import Interval
from acoustics.present.text.integers import wrong_integer_warning
from acoustics.present.text.tables import Rows, number, observed, percent, share_text, table, variances, with_interval
from acoustics.study.stations import TARGET, EchoPlan, StationStudy


def stations_text(study: StationStudy) -> str:
    """Shares of decisions by truth, with intervals for the right ones."""
    route = study.route
    where = f"along {route.leg_m:g} m at {route.leg_deg:g} deg" if route.leg_m else "where the vehicle stands"
    lines = [
        *integer_warning(study),
        f"{study.title}: {study.array}, {study.pinger}; {route.n_pings} pings {where}; {study.trials} simulated runs "
        f"for each truth (seed {study.seed})",
        "",
        "Share of decisions (simulated)",
    ]
    lines += [table(*station_rows(study)), "", "Right station by number of pings over the same leg (simulated, 95 %)"]
    lines += [table(("pings", "right"), [(str(row.pings), _shares(row.right)) for row in study.by_pings]), ""]
    if study.with_echoes is not None:
        lines += [*_echo_lines(study, study.with_echoes), ""]
    for sentence in station_conclusions(study):
        lines += textwrap.wrap(sentence, 100)
    return "\n".join(lines)


def integer_warning(study: StationStudy) -> list[str]:
    """What comes first where the integers are often wrong."""
    return wrong_integer_warning(
        study.wrong_integer.value,
        study.wrong_cycle_limit,
        "past the stations (simulated)",
        "The shares below count them.",
    )


def station_rows(study: StationStudy) -> Rows:
    """Shares of decisions, one row for each truth."""
    header = ("pinger at", *study.answers, "right (95 %)", "RMS m (predicted, median)")
    rows = []
    for truth, counts, right, rms in zip(study.truths, study.decided, study.right, study.median_rms_m, strict=True):
        shares = [percent(c / counts.sum()) if c else "0" for c in counts]
        rows.append((truth, *shares, _shares(right), number(float(rms))))
    return header, rows


def _echo_lines(study: StationStudy, plan: EchoPlan) -> list[str]:
    """The same runs without and with places by echoes, side by side."""
    found, told = plan.outcome, plan.rendered
    errors = zip(study.right, found.right, study.median_rms_m.tolist(), found.median_rms_m.tolist(), strict=True)
    by_truth = [
        (truth, _shares(alone), _shares(by_echoes), number(rms), number(rms_by_echoes))
        for truth, (alone, by_echoes, rms, rms_by_echoes) in zip(study.truths, errors, strict=True)
    ]
    counts = zip(study.by_pings, found.by_pings, strict=True)
    by_pings = [(str(alone.pings), _shares(alone.right), _shares(more.right)) for alone, more in counts]
    sentence = (
        f"With places by echoes the right station is chosen with probability {_shares(found.overall)}, without with "
        f"{_shares(study.overall)}. Errors of sketch, array and navigation are the same all the run. Whether a ping "
        f"has a place, and a wrong one, goes as in {told.runs} rendered runs of a sketch as good as pool.wall_sd_m, "
        f"floor_sd_m and floor_slope_sd say: of {told.pings} pings {_shares(told.usable)} had a place that may be "
        f"used, of these {_shares(told.far)} over 1 m off; {_shares(told.given_up)} of the runs gave the sketch up. "
        f"The other places err as theirs did, {variances(told.variance_scale)}."
    )
    return [
        "Without and with places by echoes, as `locate --site` and `fuse --echoes` have them (experimental; simulated)",
        table(("pinger at", "right (95 %)", "with echoes", "RMS m (predicted, median)", "with echoes"), by_truth),
        "",
        table(("pings", "right (95 %)", "with echoes"), by_pings),
        "",
        *textwrap.wrap(sentence, 100),
    ]


def _shares(share: Interval) -> str:
    return with_interval(share, percent)


def stations_headline(study: StationStudy) -> str:
    """The study in one sentence: how often the right station."""
    return (
        f"{study.title}, {study.array}: {study.route.n_pings} pings lead to the right station in "
        f"{_shares(study.overall)} of the runs ({study.trials} simulated for each truth)."
    )


def station_conclusions(study: StationStudy) -> list[str]:
    """What to conclude, in sentences."""
    target = f"{100 * TARGET:.0f} %"
    found = [
        f"The right station is chosen with probability {_shares(study.overall)}, stations weighted by their priors. "
        f"The vehicle's own figure averages {percent(study.stated)} where {_shares(study.sure_share)} of its decisions "
        "are right."
    ]
    short = [k for k, row in enumerate(study.by_pings) if row.right.value < TARGET]
    enough = [row.pings for row in study.by_pings[max(short, default=-1) + 1 :]]
    if study.overall.value < TARGET:
        found.append(
            f"From {enough[0]} pings over the same leg on it is {target} or more, as far as the simulation tells."
            if enough
            else f"Even {study.by_pings[-1].pings} pings over the same leg are not seen to reach {target}: what lasts, "
            "heading and mounting, does not average out. Listen over a longer leg, or across the line to the stations."
        )
    found.append(
        f"For {target} a fix would need a horizontal error of {number(study.needed_sd_m)} m RMS or less, alike in all "
        "directions (simulated)."
        if study.needed_sd_m
        else f"No accuracy of the fix reaches {target}: the stations stand too close for station_spread_m = "
        f"{study.spread_m:g} m."
    )
    found.append(_who_knows_the_pool(study))
    found.append(
        f"Stations stand for pingers within {study.spread_m:g} m of them (one sd along x and y); none of these has a "
        f"prior of {percent(study.none_prior)}. Cycles are resolved as on the vehicle: "
        f"{_shares(study.wrong_integer)} of the pings have a wrong one (simulated). Each ping is measured by the "
        "vehicle's own window rule, which knows nothing of the pool, with the echoes inside its window."
    )
    return found


def _who_knows_the_pool(study: StationStudy) -> str:
    """What echoes as measurements could tell; where no wall echoes within the burst, in one figure."""
    by_wall = f"{_span(study, 'to_first_wall_m')} RMS by the sound before the first echo from a wall, and of "
    right = f"{share_text(study.right_to_first_wall)} and "
    if all(bound.to_first_wall_m == bound.whole_burst_m for bound in study.known_pool):
        by_wall = right = ""
    return (
        "Who knows the pool and takes echoes as measurements could tell the pinger's place from one ping at the start "
        f"of the leg with an error of {by_wall}{_span(study, 'whole_burst_m')} by the whole burst (bounds); with "
        f"errors of that size, alike in all directions, the right station is chosen in {right}"
        f"{share_text(study.right_whole_burst)} (prediction)."
    )


def _span(study: StationStudy, name: str) -> str:
    """From the best to the worst station."""
    errors = sorted(getattr(bound, name) for bound in study.known_pool)
    low, high = observed(errors[0], "m"), observed(errors[-1], "m")
    return low if low == high else f"{low} to {high}"
