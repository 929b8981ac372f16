"""The pool map as text for the terminal: tables over the cells, then sentences."""

from __future__ import annotations

import textwrap
from collections.abc import Callable

import numpy as np

from acoustics.base.intervals import Interval, quantiles
from acoustics.present.text.integers import drawn_from, drawn_share, wrong_integer_warning
from acoustics.present.text.tables import Rows, number, percent, table, with_interval
from acoustics.study.map import PREDICTED_CELLS, SAMPLED_CELLS, KnownPool, PoolMap, StationMap

KNOWN_POOL_TITLE = "Horizontal position error by one ping (bounds)"

_OUTCOMES = {
    "right": "the right answer",
    "other": "another station",
    "none": "none of these, wrongly",
    "undecided": "undecided",
}


def map_text(result: PoolMap) -> str:
    """The answer of `pingfix map`: quantiles over the cells, the station chosen, and what echoes do."""
    lines = [
        *map_warning(result),
        f"{result.title}: {result.array}, {result.pinger}; {place_text(result)}; {int(result.wet.sum())} cells, "
        f"{result.trials} simulated pings in each (seed {result.seed})",
        "",
        table(*map_rows(result)),
        *_agreement_text(result),
    ]
    if result.stations is not None:
        lines += [
            "",
            f"What one ping's fix says of the station: {_meant(result.stations)}",
            table(*station_rows(result)),
        ]
    if result.known_pool is not None:
        lines += ["", KNOWN_POOL_TITLE, table(*known_pool_rows(result.known_pool))]
    if result.echoes:
        lines += ["", "What echoes do to the bearing from the bow, deg (rendered pings)", table(*echo_rows(result))]
    notes = [line for note in map_notes(result) for line in textwrap.wrap(note, 100)]
    return "\n".join([*lines, "", *notes, "", *textwrap.wrap(where_to_listen(result), 100)])


def map_headline(result: PoolMap) -> str:
    """What the map concludes, in as few words as fit over a picture."""
    best = result.listen
    head = f"{result.title}, {result.array}"
    if best is None:
        return f"{head}: nowhere does one ping tell more than a guess would"
    verb = "listen" if result.over == "vehicle" else "told best is a pinger"
    what = (
        f"position to {number(best.position_m)} m RMS ({best.kind})"
        if best.by == "position"
        else f"bearing to {number(best.bearing_deg)} deg (prediction), no position"
    )
    return f"{head}: {verb} at x {best.x_m:.1f}, y {best.y_m:.1f} m, one ping gives the {what}"


def where_to_listen(result: PoolMap) -> str:
    """The map in one sentence: where to listen, and how good it is there."""
    best = result.listen
    if best is None:
        return "Nowhere here does one ping tell more than a guess would: come nearer, be quieter, or change the array."
    place = f"x {best.x_m:.1f}, y {best.y_m:.1f} m"
    head = (
        f"Listen at {place}, {best.range_m:.1f} m from {result.pinger} across"
        if result.over == "vehicle"
        else f"Where the vehicle stands it is told best of a pinger at {place}, {best.range_m:.1f} m off"
    )
    bearing = f"the bearing to {number(best.bearing_deg)} deg (prediction)"
    if best.by == "bearing":
        return (
            f"{head}: one ping there gives {bearing} and no position, so listen from two places and let the bearings "
            "cross (pingfix waypoints)."
        )
    lost = f"{percent(best.failed)} of the pings fail" if result.trials else f"{percent(best.failed)} wrong integers"
    reach = (
        f"up to {best.good_range_m:.1f} m from the pinger the position is good to {best.good_m:g} m"
        if best.good_range_m
        else f"nowhere near the pinger is the position good to {best.good_m:g} m for nine places in ten"
    )
    return (
        f"{head}: one ping there gives the position to {number(best.position_m)} m RMS ({best.kind}) and {bearing}, "
        f"{lost}; {reach}."
    )


def map_warning(result: PoolMap) -> list[str]:
    """What comes first where the integers are often wrong."""
    own = result.own_estimator
    how = "predicted" if own is None or own.drawn == 0 else drawn_from(own.wrong_integer_share, own.drawn)
    return wrong_integer_warning(
        result.wrong_integer_share,
        result.wrong_cycle_limit,
        f"over the cells ({how})",
        "Bounds and fixes below hold for the others.",
    )


def place_text(result: PoolMap) -> str:
    """What stands in the cells, how deep, and the vehicle's heading."""
    heading = "worst heading in each" if result.heading_deg is None else f"vehicle heading {result.heading_deg:g} deg"
    return f"{result.over} anywhere at {result.depth_m:g} m depth, {heading}"


def map_rows(result: PoolMap) -> Rows:
    """Quantiles over the cells."""
    names: dict[str, tuple[str, Callable[[float], str]]] = {
        "bearing_deg": ("bearing error, deg (bound)", number),
        "position_m": ("horizontal position error, m (bound)", number),
        "own_position_m": ("horizontal position error, m (own estimator, predicted)", number),
        "wrong_integer": ("pings with a wrong cycle (own estimator, predicted)", percent),
        "simulated_m": ("horizontal position error, m (own estimator, simulated)", number),
        "refused": ("pings without a fix (simulated)", percent),
        "failed": ("pings that fail (simulated and predicted)", percent),
        "not_right_station": ("pings that do not tell the station (predicted)", percent),
        "not_right_station_simulated": ("pings that do not tell the station (simulated)", percent),
    }
    rows = [(names[key][0], *(names[key][1](v) for v in values)) for key, values in result.quantiles.items()]
    if result.own_estimator is not None:
        errors = quantiles(result.own_estimator.bearing_deg)
        rows.insert(1, ("bearing error, deg (own estimator, predicted)", *(number(value) for value in errors)))
    return ("over the cells", "median", "90 %", "95 %"), rows


def station_rows(result: PoolMap) -> Rows:
    """Shares of what comes of one ping, mean over the cells; none without stations."""
    if result.stations is None:
        return (), []
    rows = [
        (_OUTCOMES[share.outcome], percent(share.predicted), _interval(share.simulated, percent))
        for share in result.stations.over_cells
    ]
    return ("pings, mean over the cells", "predicted", "simulated (95 %)"), rows


def known_pool_rows(known: KnownPool) -> Rows:
    """Single-ping position by what of the burst counts; the first row is for who knows nothing of the pool."""
    near = f"cells under {known.near_m:g} m"
    rows = [
        (name, *(number(value) for value in quantiles(errors)[:2]), percent(share))
        for name, errors, share in (
            ("to the first echo, pool unknown", known.multipath_free_m, known.near_multipath_free),
            ("to the first echo from a wall, pool known", known.to_first_wall_m, known.near_to_first_wall),
            ("whole burst, pool known", known.whole_burst_m, known.near_whole_burst),
        )
    ]
    return ("samples that count", "median m", "90 % m", near), rows


def echo_rows(result: PoolMap) -> Rows:
    """One row a place at which pings were rendered."""
    header = (
        "x m",
        "y m",
        "bound",
        "RMS without",
        "RMS with echoes",
        "added by echoes, mean (95 %)",
        "refused",
        "fixes",
        "added to distance, m",
    )
    rows = [
        (
            f"{place.x_m:.1f}",
            f"{place.y_m:.1f}",
            number(place.bound_deg),
            "none" if place.without_rms_deg is None else number(place.without_rms_deg.value),
            _interval(place.rms_deg, number),
            _interval(place.bias_deg, _signed),
            percent(place.refused),
            percent(place.fixes),
            _interval(place.range_bias_m, _signed),
        )
        for place in result.echoes
    ]
    # Where hardly a ping gives a position there is nothing to compare.
    kept = len(header) - all(place.range_bias_m is None for place in result.echoes)
    return header[:kept], [row[:kept] for row in rows]


def map_notes(result: PoolMap) -> list[str]:
    """What the figures rest on and leave out, in paragraphs."""
    own = "in the site" if result.site_position else "relative to the vehicle"
    notes = [
        f"One ping; position {own}; pinger's depth known to study.pinger_depth_sd_m. Bounds and fixes take "
        f"the cycle as resolved; how often it is not has a row of its own, worked out in up to {SAMPLED_CELLS} cells "
        "and interpolated. Failed: no fix, or a wrong cycle. For bounds only the part of the burst before the first "
        "strong echo counts. 'none': not observable from there."
    ]
    own_estimator = result.own_estimator
    if own_estimator is not None:
        wrong = drawn_share(own_estimator.wrong_integer_share, own_estimator.drawn)
        notes.append(
            f"Own estimator: bearings in {len(own_estimator.x_m)} of the cells, by the window that the vehicle finds; "
            "it knows nothing of the pool and uses two cycles at least, with the echoes inside them. Wrong cycles "
            f"there: {wrong}. Its noise and shifts there, by the length of the multipath-free window, stand for all "
            "cells. It may be below the bound, which counts less of the burst, or above it."
        )
    if result.stations is not None:
        notes.append(
            "Station: the most probable answer counts if it is more probable than all others together, also where the "
            f"position itself is refused; else undecided. Predicted in up to {PREDICTED_CELLS} cells and interpolated."
        )
    if result.known_pool is not None:
        notes.append(
            f"Pool known: bounds in {len(result.known_pool.x_m)} of the cells, for an estimator that is told outline "
            "and floor to within pool.wall_sd_m, floor_sd_m and floor_slope_sd and takes echoes as measurements, as "
            "`locate --site` does (experimental)."
        )
    if result.echoes:
        notes.append(
            f"Echoes: {result.echoes[0].pings} pings at each place, each rendered with and without them and put "
            "through the whole of locate; RMS with mounting and skew errors. Added: the difference for one and the "
            "same ping."
        )
    shadowed = result.shadowed[result.wet]
    if shadowed.any():
        notes.append(
            f"Corners of the pool, or bodies of the vehicle, hide the pinger from {percent(float(shadowed.mean()))} of "
            "the hydrophones, mean over the cells. Bounds and simulated fixes do without those, and locate leaves "
            "out a channel that does not hear a ping."
        )
    return notes


def _signed(value: float) -> str:
    decimals = 1 if abs(value) >= 1 else 2
    return f"{round(value, decimals) + 0.0:+.{decimals}f}"  # no minus before what rounds to nothing


def _meant(stations: StationMap) -> str:
    """Which answer is right."""
    meant = np.unique(stations.meant[np.isfinite(stations.meant)]).astype(int)
    if len(meant) == 1:
        return f"it is {stations.answers[meant[0]]}"
    return "the right answer is that of an exact fix"


def _interval(value: Interval | None, form: Callable[[float], str]) -> str:
    return "none" if value is None else with_interval(value, form)


def _agreement_text(result: PoolMap) -> list[str]:
    ratio = result.simulated_over_predicted
    if ratio is None:
        return []
    cells = int(np.sum(result.refused == 0))
    told = (
        f"Where every ping gave a fix ({cells} cells) the simulated error is {ratio.value:.2f} times the one predicted "
        f"(median, 95 % {ratio.low:.2f} to {ratio.high:.2f})."
    )
    return ["", *textwrap.wrap(told, 100)]
