"""The places of pings by their echoes, as text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from acoustics.io.echo_fix import FAR_M, EchoFix
from acoustics.io.ping import Ping
from acoustics.present.text.tables import number, percent, table

_LEGEND = (
    "Site frame. +- is the radius of a circle as large as the stated 95 % ellipse; other places that fit follow with "
    "their probability. Experimental: tried on simulated pools alone. It rests on the site sketch, and on the pose in "
    "the notes: see the guide's figures.md for what was measured, and how often a wrong sketch goes unnoticed."
)


def echoes_text(pings: Sequence[Ping], surveyed_m: tuple[float, float, float] | None) -> str:
    """A line a ping: place by echoes and its region, or why there is none; with a surveyed place, how far off it is."""
    header = ["pinger", "time s", "x, y, z m", "+- m", "heading deg"]
    header += ["off by m", "in region"] if surveyed_m is not None else []
    place = None if surveyed_m is None else np.array(surveyed_m)
    rows = [
        (ping.pinger, f"{ping.time_s:.6f}", *_answer(ping.echoes), *_checked(ping.echoes, place))
        for ping in pings
        if ping.echoes is not None
    ]
    if not rows:
        return "By echoes (experimental): no ping to use"
    lines = ["By echoes (experimental)", table(tuple(header), rows)]
    for ping in pings:
        fix = ping.echoes
        if fix is None:
            continue
        others = [
            f"{', '.join(f'{x:.1f}' for x in mode.position_m)} ({percent(mode.probability)})"
            for mode in fix.modes[1:]
            if mode.probability >= 0.01 and not fix.modes[0].holds(mode.position_m)
        ]
        if others:
            lines.append(f"{ping.time_s:.6f} s, also: {'; '.join(others)}")
        if not fix.ok:
            lines += textwrap.wrap(f"{ping.time_s:.6f} s, not to be used: {fix.reason}", 100)
        elif not fix.sure:
            lines.append(
                f"{ping.time_s:.6f} s, not sure to {FAR_M:g} m: farther off with a probability of "
                f"{percent(fix.far_probability)}"
            )
    if place is not None:
        lines += _summary([p.echoes for p in pings if p.echoes is not None and p.echoes.modes], place)
    return "\n".join([*lines, "", *textwrap.wrap(_LEGEND, 100)])


def _answer(fix: EchoFix | None) -> tuple[str, ...]:
    if fix is None or not fix.modes:
        return "none", "", ""
    best = fix.modes[0]
    turn, sd = np.rad2deg([fix.heading_correction, fix.heading_correction_sd])
    place = ", ".join(f"{x:.2f}" for x in best.position_m)
    return place + ("" if fix.ok else " (refused)"), number(best.radius_m), f"{turn:+.1f} +-{number(sd)}"


def _checked(fix: EchoFix | None, place_m: np.ndarray | None) -> tuple[str, ...]:
    """How far off the best place is, and the probability that the stated regions give to the surveyed one."""
    if place_m is None:
        return ()
    if fix is None or not fix.modes:
        return "", ""
    off = float(np.linalg.norm((fix.modes[0].position_m - place_m)[:2]))
    return number(off), "yes" if _holds(fix, place_m) else "no"


def _holds(fix: EchoFix, place_m: np.ndarray) -> bool:
    return fix.credible_level(place_m) <= 0.95


def _summary(fixes: Sequence[EchoFix], place_m: np.ndarray) -> list[str]:
    used = [fix for fix in fixes if fix.ok]
    if not used:
        return [f"Against the surveyed place: all of {len(fixes)} refused."]
    off = [float(np.linalg.norm((fix.modes[0].position_m - place_m)[:2])) for fix in used]
    held = sum(_holds(fix, place_m) for fix in used)
    return [
        f"Against the surveyed place, a measurement: {len(used)} of {len(fixes)} not refused, median error on the map "
        f"{number(float(np.median(off)))} m, {held} of {len(used)} in the stated region."
    ]
