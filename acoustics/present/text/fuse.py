"""The answer of `pingfix fuse`: text for people, CSV for a mission planner."""

from __future__ import annotations

import csv
import io
import textwrap

import numpy as np

from acoustics.estimate.fuse import ClockEvidence
from acoustics.present.text.tables import counted, number, share_text, table
from acoustics.study.fuse import BearingLine, FusedMode, FusedRun

_POSITION_COLUMNS = (
    "pinger",
    "ok",
    "x_m",
    "y_m",
    "z_m",
    "sd_x_m",
    "sd_y_m",
    "sd_z_m",
    "covariance_xy_m2",
    "semi_major_95_m",
    "semi_minor_95_m",
    "azimuth_deg",
    "p_value",
    "pings_accepted",
    "pings_rejected",
    "station",
    "station_probability",
    "reason",
)
_PING_COLUMNS = (
    "ping",
    "time_s",
    "x_m",
    "y_m",
    "z_m",
    "heading_deg",
    "site_bearing_deg",
    "bearing_residual_deg",
    "misfit",
    "p_value",
    "weight",
    "status",
    "reason",
)
_SURE = 0.95
_DEAD_RECKONED = (
    "Poses: taken as dead reckoned from the first, so that a heading error turned the way between them as well; "
    "--measured-places where each place was measured by itself."
)
_MEASURED = (
    "Poses: each place taken as measured by itself; --dead-reckoned where compass and log made them one from the other."
)


def fusion_text(run: FusedRun) -> str:
    """Position and ellipse, one line a ping, the stations, and what to conclude."""
    counts = f"{counted(run.inliers, 'inlier')}, {counted(run.outliers, 'outlier')}, {run.not_measured} not measured"
    lines = [f"{run.pinger}: {counted(len(run.pings), 'ping')}, {counts}"]
    if np.isfinite(run.position_m).all() and run.line is None:  # along a line no place is worth a row
        bias = round(run.heading_bias_deg, 1) + 0.0  # no minus zero
        sd = np.sqrt(np.diag(run.covariance_m2))
        rows = [(axis, f"{run.position_m[k]:.2f}", number(sd[k])) for k, axis in enumerate(("x", "y", "z"))]
        lines += ["", table(("site frame", "position m", "sd m (predicted)"), rows), ""]
        lines.append(
            f"95 % ellipse (predicted): {number(run.semi_major_95_m)} by {number(run.semi_minor_95_m)} m (semi-axes), "
            f"the longer at {run.azimuth_deg:.0f} deg from x; consistency p = {run.p_value:.2g} ({run.dof} dof)"
        )
        lines.append(
            f"heading error found: {bias:+.1f} deg +- {run.heading_bias_sd_deg:.1f}, to be added to the heading"
        )
    lines += ["", _ping_rows(run)]
    if run.stations:
        shares = [(name, share_text(p)) for name, p in zip(run.stations, run.probabilities, strict=True)]
        lines += ["", table(("station", "probability"), shares)]
    for sentence in _conclusions(run):
        lines += ["", *textwrap.wrap(sentence, 100)]
    return "\n".join(lines)


def _ping_rows(run: FusedRun) -> str:
    header = ("ping", "time s", "pose x m", "y m", "site bearing deg", "residual deg", "misfit", "status")

    def shown(value: float | None, form: str) -> str:
        return "-" if value is None else format(value, form)

    rows = [
        (
            str(p.ping),
            f"{p.time_s:.3f}",
            f"{p.position_m[0]:.2f}",
            f"{p.position_m[1]:.2f}",
            shown(p.site_bearing_deg, ".1f"),
            shown(p.bearing_residual_deg, "+.1f"),
            shown(p.misfit, ".1f"),
            f"{p.status}, by echoes" if p.by_echoes else p.status,
        )
        for p in run.pings
    ]
    return table(header, rows)


def _conclusions(run: FusedRun) -> list[str]:
    found = []
    if len({tuple(ping.position_m[:2]) for ping in run.pings}) > 1:
        found.append(_DEAD_RECKONED if run.dead_reckoned else _MEASURED)
    if not run.ok:
        found.append(f"No position to go by: {run.reason}.")
    elif run.reason:
        found.append(f"Note: {run.reason}.")
    if run.line is not None:
        found.append(_line(run.line))
    if run.modes:
        found.append(_modes(run.modes))
    elif run.alternative_m is not None:
        found.append("The second place: " + ", ".join(f"{v:.2f}" for v in run.alternative_m) + " m.")
    if run.clock is not None:
        found.append(_clock(run.clock))
    if run.echoes is not None:
        told = f"{run.echoes.used} stand for the bearings of their pings" if run.echoes.used else run.echoes.reason
        found.append(f"Places by echoes (experimental): {told}.")
    if run.dof and run.p_value < 0.001:
        found.append("The pings do not agree as well as their stated errors allow: some error is larger than stated.")
    if run.outliers:
        found.append(
            "Rejected: further from what the other pings predict than a right one comes five times in a thousand, such "
            "as a wrong cycle, an echo, or another pinger."
        )
    if run.stations:
        found.append(_decision(run))
    return found


def _modes(modes: tuple[FusedMode, ...]) -> str:
    places = [
        f"x {mode.position_m[0]:.2f}, y {mode.position_m[1]:.2f} m ({share_text(mode.weight)}; ellipse "
        f"{number(mode.semi_major_95_m)} by {number(mode.semi_minor_95_m)} m)"
        for mode in modes
    ]
    return "Places that the integers of the carrier leave, predicted: " + "; ".join(places) + "."


def _clock(clock: ClockEvidence) -> str:
    if not clock.used:
        return f"Arrival times: {clock.reason}."
    off = f"; {len(clock.off_clock)} off the clock left out" if clock.off_clock else ""
    odd = f"; {clock.reason}" if clock.reason else ""
    return f"Arrival times: {clock.used} count, with a jitter of {1e6 * clock.jitter_sd_s:.0f} us{off}{odd}."


def _line(line: BearingLine) -> str:
    x, y = line.from_m[:2]
    near = number(line.nearest_m)
    how_far = (
        f"it is at least {near} m away, and how far the pings do not tell"
        if line.farthest_m is None
        else f"it is {near} to {number(line.farthest_m)} m away"
    )
    return (
        f"Line of bearing (predicted, 95 %): from the last pose, at x {x:.2f}, y {y:.2f} m, towards "
        f"{line.bearing_deg:.0f} deg of the site, {number(line.half_width_deg)} deg to each side. The pinger lies "
        f"along it: {how_far}."
    )


def _decision(run: FusedRun) -> str:
    best = max(run.probabilities)
    text = f"Station: {run.decision}, probability {share_text(best)}."
    if best >= _SURE or run.needed is None:
        return text
    if run.needed.pings is None:
        return (
            text
            + f" No sharper fix at this place would bring it to {100 * _SURE:.0f} %: listen from elsewhere, or doubt "
            "the stations' spread."
        )
    return (
        text + f" For {100 * _SURE:.0f} % at this place the horizontal error would have to fall to "
        f"{number(run.needed.sd_m)} m RMS: {run.needed.pings} pings in all if their errors were independent; a lasting "
        "heading error does not average out, so a waypoint in another direction is worth more."
    )


def position_csv(run: FusedRun) -> str:
    """The position as one row under a header; empty where there is none."""
    sd = np.sqrt(np.diag(run.covariance_m2))
    best = max(run.probabilities) if run.probabilities else np.nan
    numbers = (*run.position_m, *sd, run.covariance_m2[0, 1])
    ellipse = (run.semi_major_95_m, run.semi_minor_95_m, run.azimuth_deg, run.p_value)
    row = (run.pinger, str(run.ok).lower(), *numbers, *ellipse, run.inliers, run.outliers)
    return _csv(_POSITION_COLUMNS, [(*row, run.decision, best, run.reason)])


def ping_csv(run: FusedRun) -> str:
    """One row a ping under a header."""
    rows = [
        (
            p.ping,
            p.time_s,
            *p.position_m,
            p.heading_deg,
            p.site_bearing_deg,
            p.bearing_residual_deg,
            p.misfit,
            p.p_value,
            p.weight,
            p.status,
            p.reason,
        )
        for p in run.pings
    ]
    return _csv(_PING_COLUMNS, rows)


def _csv(header: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """CSV by RFC 4180; what is missing or not finite is empty."""

    def cell(value: object) -> str:
        if value is None or (isinstance(value, float) and not np.isfinite(value)):
            return ""
        return f"{float(value):.9g}" if isinstance(value, float) else str(value)

    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(header)
    writer.writerows([[cell(value) for value in row] for row in rows])
    return text.getvalue()
