"""The page of `pingfix fuse - --page`: the running solution, on a page that loads itself again and again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from markupsafe import Markup

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.present.report.template import template
from acoustics.present.text.tables import number, share_text
from acoustics.scene.scene import Scene
from acoustics.study.fuse import FusedPing, FusedRun
from acoustics.study.live import LiveAnswer

_HERE = Path(__file__).parent
_WIDE = 900.0  # of the plan, in units of the drawing
_MARGIN = 30.0
_LATEST = 8  # pings in the table
_LEAST_SPAN_M = 4.0


def watch_page(answer: LiveAnswer, scene: Scene | None) -> str:
    """The page as text; names from files are escaped by the template."""
    run = answer.solution
    title = "run" if scene is None else scene.title
    return template("watch.html.j2").render(
        title=title,
        lead=_lead(answer, scene),
        refresh=answer.event != "end",
        glance=[] if run is None else [*_decision(answer), *_position(run), *_next(answer)],
        flags=answer.flags,
        plan=None if run is None else _plan(answer, run, scene),
        stations=[] if run is None else _stations(run),
        pings=[] if run is None else [_row(ping, answer) for ping in run.pings[: -_LATEST - 1 : -1]],
        css=Markup((_HERE / "page.css").read_text(encoding="utf-8")),
    )


def _lead(answer: LiveAnswer, scene: Scene | None) -> str:
    name = "" if answer.solution is None else f"{answer.solution.pinger}: "
    limit = "" if scene is None else f" of {scene.study.time_limit_s:g} s"
    ended = " The run has ended." if answer.event == "end" else ""
    count = "1 ping" if answer.heard == 1 else f"{answer.heard} pings"
    return f"{name}{count} heard in {answer.elapsed_s:.1f} s{limit}.{ended}"


def _stations(run: FusedRun) -> list[tuple[str, str, float]]:
    return [(name, share_text(p), p) for name, p in zip(run.stations, run.probabilities, strict=True)]


def _decision(answer: LiveAnswer) -> list[tuple[str, str, str]]:
    commit = answer.commit
    if commit is None:
        return []
    what = f"Go to {commit.station}" if commit.now else "Not yet"
    return [("Decision", what, f"{commit.station}, {share_text(commit.probability)}: {commit.why}")]


def _position(run: FusedRun) -> list[tuple[str, str, str]]:
    if run.line is not None:
        towards = f"towards {run.line.bearing_deg:.0f} deg of the site"
        return [("Line of bearing", towards, f"{number(run.line.half_width_deg)} deg to each side: {run.reason}")]
    if not np.isfinite(run.position_m).all():
        return [("Position", "none", run.reason)]
    x, y = run.position_m[:2]
    size = f"95 % ellipse {number(run.semi_major_95_m)} by {number(run.semi_minor_95_m)} m, predicted"
    return [("Position", f"x {x:.2f}, y {y:.2f} m", size if run.ok else f"not to go by: {run.reason}")]


def _next(answer: LiveAnswer) -> list[tuple[str, str, str]]:
    stop = answer.next_waypoint
    if stop is None:
        return []
    place = f"x {stop.position_m[0]:.1f}, y {stop.position_m[1]:.1f} m"
    gain = f"RMS {number(stop.rms_now_m)} m predicted now, {number(stop.rms_after_m)} m there by the bound"
    return [("Next waypoint", place, f"bow to {stop.heading_deg:.0f} deg, {stop.takes_s:.0f} s; {gain}")]


def _row(ping: FusedPing, answer: LiveAnswer) -> tuple[str, ...]:
    why = next((rejected.why for rejected in answer.rejected if rejected.ping == ping.ping), ping.reason)
    shown = ("-" if v is None else format(v, f) for v, f in ((ping.site_bearing_deg, ".1f"), (ping.misfit, ".1f")))
    return (str(ping.ping), f"{ping.time_s:.2f}", *shown, ping.status + (f": {why}" if why else ""))


@record
class _Plan:
    """Shapes of the plan, in units of the drawing; y is downwards, as the site is seen from above."""

    height: float
    outline: str
    zones: list[str]
    way: str
    bearings: list[tuple[Floats, bool]]
    poses: list[tuple[float, float]]
    ellipse: tuple[float, float, float, float, float] | None
    stations: list[tuple[float, float, str]]
    waypoint: tuple[float, float, float] | None
    bar: tuple[float, str]


def _plan(answer: LiveAnswer, run: FusedRun, scene: Scene | None) -> _Plan:
    low, high = _limits(run, scene)
    scale = (_WIDE - 2 * _MARGIN) / float(high[0] - low[0])

    def at(places: Iterable[Sequence[float] | Floats]) -> Floats:
        return np.array([_MARGIN + scale * (np.asarray(place)[:2] - low) for place in places]).reshape(-1, 2).round(1)

    def points(places: Iterable[Sequence[float] | Floats]) -> str:
        return " ".join(f"{x:g},{y:g}" for x, y in at(places))

    poses = [ping.position_m for ping in run.pings]
    finite = np.isfinite([*run.position_m, run.semi_major_95_m]).all()
    stations = () if scene is None else scene.stations
    places = at(s.position_m for s in stations)
    stop = answer.next_waypoint
    metres = 5 if high[0] - low[0] > 15 else 1
    return _Plan(
        height=float(np.ceil(scale * (high[1] - low[1]) + 2 * _MARGIN)),
        outline="" if scene is None else points(scene.pool.outline_m or ()),
        zones=[] if scene is None else [points(zone.corners_m) for zone in scene.keep_outs],
        way=points(poses),
        bearings=[
            (at([ping.position_m, _far_along(ping, high - low)]), ping.status == "inlier")
            for ping in run.pings
            if ping.site_bearing_deg is not None
        ],
        poses=[(x, y) for x, y in at(poses).tolist()],
        ellipse=(
            *at([run.position_m])[0].tolist(),
            round(scale * run.semi_major_95_m, 1),
            round(scale * run.semi_minor_95_m, 1),
            run.azimuth_deg,
        )
        if finite
        else None,
        stations=[(x, y, station.name) for (x, y), station in zip(places.tolist(), stations, strict=True)],
        waypoint=None if stop is None else (*at([stop.position_m])[0].tolist(), stop.heading_deg),
        bar=(round(scale * metres, 1), f"{metres} m"),
    )


def _far_along(ping: FusedPing, span_m: Floats) -> Floats:
    """A place outside of the plan in the direction of a ping's bearing."""
    angle = np.deg2rad(ping.site_bearing_deg or 0.0)
    return np.asarray(ping.position_m[:2] + 2 * np.hypot(*span_m) * np.array([np.cos(angle), np.sin(angle)]))


def _limits(run: FusedRun, scene: Scene | None) -> tuple[Floats, Floats]:
    """The water's outline, or all that is drawn."""
    places = [ping.position_m[:2] for ping in run.pings]
    if scene is not None:
        places += [np.array(corner) for corner in scene.pool.outline_m or ()]
        places += [np.array(station.position_m[:2]) for station in scene.stations]
    if np.isfinite(run.position_m).all() and (scene is None or scene.pool.outline_m is None):
        places.append(run.position_m[:2])
    low, high = np.min(places, axis=0), np.max(places, axis=0)
    middle, half = 0.5 * (low + high), 0.5 * np.maximum(high - low, _LEAST_SPAN_M)
    return middle - half, middle + half
