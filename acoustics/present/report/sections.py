"""The sections of the report, in the order in which a review asks."""

from __future__ import annotations

import numpy as np

from acoustics.base.intervals import RANGE_LOST
from acoustics.present.plot.array_view import array_views
from acoustics.present.plot.budget import budget_plot
from acoustics.present.plot.check import link_plot
from acoustics.present.plot.map import map_plot
from acoustics.present.plot.pool_view import site_views
from acoustics.present.plot.rehearse import rehearsal_plot
from acoustics.present.plot.spacing import spacing_plot
from acoustics.present.plot.stations import stations_plot
from acoustics.present.plot.validate import validation_plot
from acoustics.present.report.blocks import Block, Section, figure_block, table_block, text
from acoustics.present.report.closing import assumptions, repeat, safety
from acoustics.present.report.live import live_block
from acoustics.present.text.budget import (
    LEGEND,
    advice,
    budget_notes,
    budget_rows,
    budget_warning,
    known_pool_sentence,
)
from acoustics.present.text.check import (
    LINK_NOTE,
    electronics_words,
    link_rows,
    noise_rows,
    pinger_rows,
    stop_to_listen,
    summary_facts,
    who_decides,
)
from acoustics.present.text.map import KNOWN_POOL_TITLE, echo_rows, known_pool_rows, map_notes, map_rows, map_warning
from acoustics.present.text.map import station_rows as map_station_rows
from acoustics.present.text.rehearse import outcome_rows, rehearsal_conclusions, rule_text
from acoustics.present.text.sound_speed import WATER_NOTE, water_rows
from acoustics.present.text.spacing import (
    alternative_rows,
    alternative_verdict,
    rate_rows,
    recommendation_sentence,
    spacing_rows,
)
from acoustics.present.text.stations import integer_warning, station_conclusions, station_rows
from acoustics.present.text.tables import number, observed, percent
from acoustics.present.text.validate import (
    VALIDATION_NOTE,
    error_rows,
    share_rows,
    validation_conclusions,
)
from acoustics.study.report import Report, live_energy_ratio_db


def sections(report: Report) -> list[Section]:
    """All sections; those for which the scene has nothing to show are left out."""
    parts = [
        _glance,
        _scene,
        _array,
        _spacing,
        _link,
        _budget,
        _map,
        _stations,
        _rehearsal,
        _validation,
        _live,
        assumptions,
        safety,
        repeat,
    ]
    return [section for part in parts if (section := part(report)) is not None]


def _glance(report: Report) -> Section:
    choice, budget = report.spacing.recommendation, report.budget
    entries = [
        (
            "Take this spacing and sample rate",
            f"{1e3 * choice.spacing_m:.0f} mm, {choice.sample_rate_hz / 1e3:g} kHz",
            f"bearing error {number(choice.expected_deg)} deg RMS, prediction",
        ),
        (
            f"Bearing in the site from {budget.range_m:.1f} m",
            f"{number(budget.bearing_deg)} deg",
            "the array as it is, heading error included; bound, by the burst before the first strong echo",
        ),
        (
            "The same by the vehicle's own estimator",
            f"{number(budget.predicted.bearing_deg)} deg",
            f"in {percent(budget.predicted.answered)} of the pings, by {number(1e3 * budget.predicted.window_s)} ms of "
            "the burst with the echoes in them; prediction",
        ),
        ("Horizontal position, one ping from there", *_position(budget.position_m, budget.range_m)),
        (
            "Multipath-free window there",
            f"{number(1e3 * budget.multipath_free_s)} ms",
            "until the first strong echo, from the geometry",
        ),
    ]
    if report.stations is not None:
        share = report.stations.overall
        said = f"{percent(share.low)} to {percent(share.high)}, simulation of runs of 4 m with 4 pings"
        entries.append(("Right station", percent(share.value), said))
    if report.pool_map is not None:
        median, _, _ = report.pool_map.quantiles["position_m"]
        over = observed(median, "m")
        entries.append(("Horizontal position, one ping, over the site", over, "median over the cells, bound"))
    advice = text(recommendation_sentence(report.spacing))
    return Section("glance", "At a glance", [Block("glance", entries=entries), *advice])


def _position(error_m: float, range_m: float) -> tuple[str, str]:
    """The error and what it is; not observed, as in `check`, where it says that one ping does not give the range."""
    if not RANGE_LOST * range_m < error_m < np.inf:
        return observed(error_m, "m"), "RMS, bound"
    much = f"{number(error_m)} m RMS, bound, is over {100 * RANGE_LOST:g} % of the range"
    return observed(np.inf, "m"), f"{much}: one ping tells this array the bearing only"


def _scene(report: Report) -> Section:
    scene = report.scene
    facts = [(name, value) for name, value in summary_facts(report.summary)]
    return Section(
        "scene",
        "The scene",
        [
            figure_block(
                site_views(scene),
                "site",
                name="The site from above and from the side",
                alt=f"{scene.title} from above and from the side with stations, pingers and {scene.vehicle.name}",
                caption="Stars: pingers. Squares: stations. Circle and arrow: the vehicle and its heading.",
            ),
            table_block((("what", "value"), facts), "What follows from the scene"),
            table_block(water_rows(report.water), "Sound speed by depth, and what one degree changes"),
            *text(WATER_NOTE),
        ],
    )


def _array(report: Report) -> Section:
    array, result = report.scene.array, report.summary
    header = ("hydrophone", "x forward mm", "y starboard mm", "z down mm", "tolerance mm")
    rows = [
        (h.name, *(f"{1e3 * x:.1f}" for x in place), number(1e3 * h.tolerance_m))
        for h, place in zip(array.hydrophones, array.positions_m, strict=True)
    ]
    told = [f"It observes {result.observes}."]
    told += [f"Good for: {result.good_for}."] if result.good_for else []
    told += [f"It cannot observe: {result.cannot_observe}."] if result.cannot_observe else []
    return Section(
        "array",
        "The array, and what it observes",
        [
            Block("list", entries=told),
            figure_block(
                array_views(report.scene),
                "array",
                name="The array in three views",
                alt=f"{array.name} from above, from starboard and from behind, with dimensions in millimetres",
                caption="To scale in the body frame; the shaded box is the hull that hydrophones may span.",
            ),
            table_block(
                (header, rows), "Places in the body frame; tolerance is one standard deviation along each axis"
            ),
        ],
    )


def _spacing(report: Report) -> Section:
    study = report.spacing
    choice, other = study.recommendation, study.alternative
    verdict = [alternative_verdict(other, study.wrong_cycle_limit)] if other else []
    return Section(
        "spacing",
        "Spacing and sample rate",
        [
            *text(recommendation_sentence(study), *verdict, *study.remarks),
            figure_block(
                spacing_plot(study),
                "spacing",
                name="Bearing error by spacing",
                alt=(
                    f"Bearing error against shortest baseline; recommended {1e3 * choice.spacing_m:.0f} mm with "
                    f"{number(choice.expected_deg)} degrees"
                ),
                caption=(
                    "A wider array has a finer bearing until cycles of the carrier can be mistaken for one another. "
                    "Take the spacing at the diamond."
                ),
            ),
            table_block(spacing_rows(study), "Bearing error, RMS in degrees, by shortest baseline"),
            *(
                [table_block(alternative_rows(study), "Scaled or uneven (simulated with echoes, 95 %; RMS in degrees)")]
                if study.alternative
                else []
            ),
            table_block(rate_rows(study), "What the sample rate costs at that spacing (bounds, RMS in degrees)"),
        ],
    )


def _link(report: Report) -> Section:
    ratio = live_energy_ratio_db(report.scene, report.pinger, report.live)
    return Section(
        "link",
        "Link budget and multipath-free window",
        [
            table_block(link_rows(report.summary), "The link by range from the pinger"),
            *_all_pingers(report),
            *_noise_states(report),
            figure_block(
                link_plot(report.live, ratio),
                "link",
                name="Multipath-free window and signal to noise ratio by range",
                alt="Multipath-free window in milliseconds and 2E/N0 in decibels against range from the pinger",
                caption="Both fall with range: echoes come sooner after the direct sound, which is weaker as well.",
            ),
            *text(LINK_NOTE, *electronics_words(report.summary), *report.summary.remarks),
        ],
    )


def _all_pingers(report: Report) -> list[Block]:
    if not report.summary.pingers:
        return []
    rows = table_block(pinger_rows(report.summary), "All pingers from where the vehicle stands")
    return [rows, *text(who_decides(report.summary))]


def _noise_states(report: Report) -> list[Block]:
    if not report.summary.noise_states:
        return []
    rows = table_block(noise_rows(report.summary), "The vehicle's noise states, where it stands")
    return [rows, *text(stop_to_listen(report.summary))]


def _warned(lines: list[str]) -> list[str]:
    """A wrapped warning as one paragraph, or none."""
    return [" ".join(lines)] if lines else []


def _budget(report: Report) -> Section:
    result = report.budget
    return Section(
        "budget",
        "Error budget",
        [
            *text(*_warned(budget_warning(result))),
            Block(
                "list",
                entries=[
                    f"Bearing: {advice(result.improve_bearing, 'bearing', 'deg', result.bearing_deg)}.",
                    f"Position: {advice(result.improve_position, 'position', 'm', result.position_m)}.",
                ],
            ),
            figure_block(
                budget_plot(result),
                "budget",
                name="Contributions to bearing and position error",
                alt="Bars of the contributions to the bearing error and to the position error, largest first",
                caption="Work on the longest dark bar first. Diamonds: the total with that one error halved.",
            ),
            table_block(budget_rows(result), "Contributions at the vehicle's place"),
            *text(known_pool_sentence(result), LEGEND, *(note[0].upper() + note[1:] for note in budget_notes(result))),
        ],
    )


def _map(report: Report) -> Section | None:
    result = report.pool_map
    if result is None:
        return None
    blocks = [table_block(map_rows(result), "One ping from anywhere: quantiles over the cells")]
    if result.stations is not None:
        blocks.append(table_block(map_station_rows(result), "What one ping from anywhere says of the station"))
    if result.known_pool is not None:
        blocks.append(table_block(known_pool_rows(result.known_pool), KNOWN_POOL_TITLE))
    if result.echoes:
        blocks.append(table_block(echo_rows(result), "What echoes do to the bearing from the bow [deg], rendered"))
    blocks += text(*map_notes(result))
    if min(result.position_m.shape) >= 2:
        figure = figure_block(
            map_plot(result, report.scene, report.pinger),
            "map",
            name="Error over the site",
            alt="Maps of the site: bearing error in degrees, position error in metres, share of pings that fail or do "
            "not tell the station, and the multipath-free window with what echoes add at some places",
            caption="Listen from where the shade is light: there one ping is enough. Elsewhere it gives a bearing.",
        )
        blocks.insert(0, figure)
    blocks = [*text(*_warned(map_warning(result))), *blocks]
    return Section("map", "Where the fix is good", blocks)


def _stations(report: Report) -> Section | None:
    study = report.stations
    if study is None:
        return None
    right = percent(study.overall.value)
    return Section(
        "stations",
        "Which station",
        [
            *text(*_warned(integer_warning(study)), *station_conclusions(study)),
            figure_block(
                stations_plot(study, report.scene),
                "stations",
                name="The run and the decisions",
                alt=f"Plan of the run past the stations and the share of decisions for each; right in {right}",
                caption="Rows: where the pinger is. Columns: where the vehicle would go. Off the diagonal: wrong.",
            ),
            table_block(station_rows(study), f"Share of decisions (simulation, {study.trials} runs for each truth)"),
        ],
    )


def _rehearsal(report: Report) -> Section | None:
    study = report.rehearsal
    if study is None:
        return None
    moments = study.first.moments
    return Section(
        "rehearsal",
        "Whole runs, rehearsed",
        [
            *text(*rehearsal_conclusions(study)),
            figure_block(
                rehearsal_plot(study, report.scene),
                "rehearsal",
                name="The first run, and what it knew by when",
                alt=f"Plan of the first run, and {len(moments)} small plans of the position stated in its course",
                caption=f"It ended: {study.first.outcome}. Below, the ellipse that it stated after so many pings.",
            ),
            table_block(outcome_rows(study), f"How runs end (simulation of {study.runs}; {rule_text(study)})"),
        ],
    )


def _validation(report: Report) -> Section:
    result = report.validation
    return Section(
        "validation",
        "The estimator on rendered samples",
        [
            *text(*validation_conclusions(result.overall)),
            figure_block(
                validation_plot(result),
                "validation",
                name="Bearing error against signal to noise ratio",
                alt="Bearing error of the built-in estimator against signal to noise ratio with the bound beside it",
                caption="Where the marks lie on the line the estimator is as good as theory allows.",
            ),
            table_block(
                error_rows((result.overall, *result.by_echoes, *result.by_range)),
                f"Bearing error in degrees (simulation of {result.overall.trials} pings, 95 % interval in brackets)",
            ),
            table_block(share_rows((result.overall, *result.by_echoes)), "Shares and efficiency (the same simulation)"),
            *text(VALIDATION_NOTE),
        ],
    )


def _live(report: Report) -> Section:
    choice = report.spacing.recommendation
    return Section(
        "live",
        "Try other values",
        [
            *text(
                "Change spacing, sample rate, range and water temperature. The bounds are those of the sections above, "
                "computed in this page; no network is used."
            ),
            live_block(report.live, choice.spacing_m, choice.sample_rate_hz),
        ],
    )
