"""The answer of `pingfix waypoints` as text: where to stop, with which heading, and what it is worth."""

from __future__ import annotations

import textwrap

from acoustics.present.text.integers import wrong_integer_warning
from acoustics.present.text.tables import number, percent, table, variances, with_interval
from acoustics.study.waypoints import EchoWaypoints, Ellipse, Run, WaypointsStudy

_MEANING = {
    "rms": "RMS: root of the expected square of the horizontal error",
    "area": "size: radius of the circle with the mean (geometric) area of the one-sigma ellipses",
}
_WHERE = {"stations": "at one of the stations", "pool": "anywhere in the water"}
_WORTH_A_DETOUR = 0.1
_LIMITED = 0.7


def waypoints_text(result: WaypointsStudy) -> str:
    """The answer of `pingfix waypoints`."""
    count = len(result.proposed.waypoints)
    lines = [
        *wrong_integer_warning(
            result.wrong_integer,
            result.wrong_cycle_limit,
            "at the waypoints (predicted)",
            "What is predicted below holds for runs without any.",
        ),
        f"{result.title}: {result.array}, {result.pinger} {_WHERE[result.prior.kind]}",
        f"{count} {'waypoint' if count == 1 else 'waypoints'} of {result.pings} pings, {result.speed_m_s:g} m/s, "
        f"at most "
        f"{result.time_limit_s:g} s, from x {result.start_m[0]:.1f}, y {result.start_m[1]:.1f} m, at a depth of "
        f"{result.start_m[2]:.1f} m",
        "",
        "What is known of the pinger's horizontal position after each waypoint (predicted, expected over where it may "
        "be)",
        _waypoints_table(result, result.proposed),
        "",
        "Against other runs with as many waypoints and pings in the same time",
        _runs_table(result),
        "",
        *([] if result.with_echoes is None else _echo_lines(result, result.with_echoes)),
    ]
    for sentence in (_meaning(result), *_conclusions(result)):
        lines += textwrap.wrap(sentence, 100)
    return "\n".join(lines)


def _name(result: WaypointsStudy) -> str:
    return "RMS m" if result.criterion == "rms" else "size m"


def _ellipse(ellipse: Ellipse) -> tuple[str, str]:
    axes = f"{number(ellipse.half_length_m)} x {number(ellipse.half_width_m)}"
    return axes, f"{ellipse.bearing_deg:.0f}"


def _waypoints_table(result: WaypointsStudy, run: Run) -> str:
    header = (
        "waypoint",
        "x m",
        "y m",
        "heading deg",
        "travelled m",
        "leave at s",
        _name(result),
        "95 % ellipse m",
        "along",
    )
    rows: list[tuple[str, ...]] = [
        ("before", "", "", "", "", "", number(result.prior_size_m), *_ellipse(result.prior_ellipse))
    ]
    for k, waypoint in enumerate(run.waypoints, 1):
        rows.append(
            (
                str(k),
                f"{waypoint.position_m[0]:.1f}",
                f"{waypoint.position_m[1]:.1f}",
                f"{waypoint.heading_deg:.0f}",
                f"{waypoint.travelled_m:.1f}",
                f"{waypoint.leaves_s:.0f}",
                number(waypoint.size_m),
                *_ellipse(waypoint.ellipse),
            )
        )
    return table(header, rows)


def _echo_lines(result: WaypointsStudy, plan: EchoWaypoints) -> list[str]:
    """The run proposed by places by echoes, and the one above with them."""
    found = plan.found
    sentence = (
        f"Of {found.pings} rendered pings, from some of the waypoints and places, "
        f"{with_interval(found.usable, percent)} had a place that may be used and is within 1 m. As many waypoints "
        "count by a place that errs as these did, "
        f"{variances(found.variance_scale)}, the others by their bearings; errors of sketch, array, sound speed and "
        "the lasting part of the heading are one for the whole run. No place is taken as wrong."
    )
    rows = [_run_row("as above, with echoes", plan.same), _run_row("proposed with echoes", plan.proposed)]
    return [
        "With places by echoes, as `locate --site` and `fuse --echoes` have them (experimental)",
        _waypoints_table(result, plan.proposed),
        "",
        table(_runs_header(result), rows),
        "",
        *textwrap.wrap(sentence, 100),
        "",
    ]


def _runs_header(result: WaypointsStudy) -> tuple[str, ...]:
    predicted = f"{_name(result)} (predicted)"
    return "run", "time s", predicted, "RMS m (simulated, 95 %)", "inside 95 % ellipse (simulated)"


def _runs_table(result: WaypointsStudy) -> str:
    rows = [_run_row("proposed", result.proposed)]
    if result.straight is not None:
        rows.append(_run_row("straight", result.straight))
    if result.random is not None:
        random = result.random
        middle = (
            f"{number(random.median_m)} (95 % of {random.n_sets}: {number(random.low_m)} to {number(random.high_m)})"
        )
        rows.append(("random, median", "", middle, "", ""))
    return table(_runs_header(result), rows)


def _run_row(name: str, run: Run) -> tuple[str, ...]:
    simulated, inside = "-", "-"
    if run.simulated is not None:
        rms, share = run.simulated.rms_m, run.simulated.inside_95
        simulated = with_interval(rms)
        inside = f"{100 * share.value:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f})"
    return name, f"{run.waypoints[-1].leaves_s:.0f}", number(run.size_m), simulated, inside


def _meaning(result: WaypointsStudy) -> str:
    return (
        f"{_MEANING[result.criterion]}. Ellipses by their half axes and the site bearing of the long one. The straight "
        "run leads from the start through the middle of where the pinger may be, bow ahead, as long as is best; random "
        "waypoints have the bow to that middle and are visited by the shortest way. The cycle, and the side of a plane "
        "array, are taken as known; mounting, skew, sound speed and the lasting part of the heading are one error for "
        "the whole run. Noise is that of the vehicle's own estimator, and so are the echoes inside its window: as one "
        "error for all pings of a waypoint."
    )


def _conclusions(result: WaypointsStudy) -> list[str]:
    """What to do, in whole sentences."""
    said = []
    if len(result.proposed.waypoints) < result.waypoints_asked:
        said.append(
            f"Only {len(result.proposed.waypoints)} of {result.waypoints_asked} waypoints: a further one does "
            "not fit into "
            "the "
            "time, or does not help."
        )
    gains = []
    if result.gain_over_straight is not None:
        gains.append(f"{_gain(result.gain_over_straight)} than the best straight run")
    if result.gain_over_random is not None:
        gains.append(f"{_gain(result.gain_over_random)} than the median of random waypoints")
    if gains:
        said.append(f"* The proposed waypoints leave a {' and a '.join(gains)} (predicted).")
    if result.gain_over_straight is not None and result.gain_over_straight < _WORTH_A_DETOUR:
        said.append("A straight run does nearly as well here, and is easier to steer.")
    if result.criterion == "rms" and result.navigation_rms_m > _LIMITED * result.proposed.size_m:
        said.append(
            f"Heading, log and start alone put the position out by {number(result.navigation_rms_m)} m (RMS, "
            "predicted): they turn, stretch and shift the whole run, and further waypoints hardly help. Improve "
            "vehicle.heading_sd_deg first."
        )
    simulated = result.proposed.simulated
    if simulated is not None and simulated.rms_m.low > simulated.predicted_m:
        said.append(
            f"Note: the simulated error is above the {number(simulated.predicted_m)} m predicted: that is linear about "
            "each place, and errors of this size, with a pinger beside the place, are not. Take the simulated figure."
        )
    return said


def _gain(gain: float) -> str:
    return f"{100 * gain:.0f} % smaller error" if gain >= 0 else f"{-100 * gain:.0f} % larger error"
