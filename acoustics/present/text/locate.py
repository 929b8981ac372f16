"""The pings of a recording, as text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from acoustics.estimate.locate import Tally, UnknownSound
from acoustics.io.ping import Ping
from acoustics.present.text.echoes import echoes_text
from acoustics.present.text.tables import OFTEN_CLIPPED, counted, number, percent, table
from acoustics.study.locate import LocatedPings

_LEGEND = (
    "Bearing is clockwise from the bow, depression positive downwards, position forward, starboard and down of the "
    "vehicle's origin. Each +- is the standard deviation that the estimator states for itself: noise, sound speed and "
    "mounting, unknown distance, an echo inside the window that the samples do not show. Several directions on one "
    "line all fit: equally well, or by the shares behind them; else: the share of further ones, which the file of "
    "pings lists down to 0.1 %. The window is the part of the burst before the samples show an echo."
)


def located_text(result: LocatedPings) -> str:
    """The pings of a whole recording, as `locate_text`."""
    tally = Tally(
        result.seconds,
        result.pingers,
        list(result.flags),
        result.unknown,
        result.wiring_untold,
        result.clipped_share,
    )
    text = locate_text(result.source, result.pings, tally, None)
    if all(ping.echoes is None for ping in result.pings):
        return text
    return f"{text}\n{echoes_text(result.pings, None)}"


def locate_text(source: str, pings: Sequence[Ping], tally: Tally, out: str | None) -> str:
    """The answer of `pingfix locate`: a line a ping, what was missed, and what is wrong with the channels."""
    lines = [f"{source}: {tally.seconds:.4g} s, {counted(len(pings), 'ping')}", ""]
    if pings:
        lines += [table(_HEADER, [_row(ping) for ping in pings]), ""]
    for p in tally.pingers:
        lines.append(
            f"{p.name} ({p.frequency_hz / 1e3:g} kHz): {counted(p.found, 'ping')}, {p.found - p.refused} with a bearing"
            f"; {p.missed} due and not heard; {p.off_train} sounds off its interval passed over"
        )
        lines += _frequencies(p.name, pings)
    lines += [line for sound in tally.unknown for line in _unknown(sound)]
    shares = [c.depression_share for ping in pings if ping.ok for c in ping.candidates if c.depression_share > 0]
    if shares:
        lines += textwrap.wrap(
            "The hydrophones stand in a line and observe a cone of directions: the unknown depression makes "
            f"{percent(float(np.median(shares)))} of the variance of a bearing (median).",
            100,
        )
    lines += [f"Flag: {line}" for flag in tally.flags for line in textwrap.wrap(flag, 93)]
    if tally.clipped_share > OFTEN_CLIPPED:
        lines += textwrap.wrap(_clipped(tally.clipped_share), 100)
    if tally.wiring_untold:
        lines += textwrap.wrap(_untold_wiring(tally.wiring_untold), 100, break_on_hyphens=False)
    for reason in dict.fromkeys(ping.reason for ping in pings if ping.reason):
        which = [p for p in pings if p.reason == reason]
        refused = sum(not p.ok for p in which)
        what = "no bearing" if refused == len(which) else "note"
        lines += textwrap.wrap(f"{what[0].upper()}{what[1:]} ({counted(len(which), 'ping')}): {reason}", 100)
    if pings:
        lines += ["", *textwrap.wrap(_LEGEND, 100)]
    elif tally.clipped_share > OFTEN_CLIPPED:
        lines.append("No ping was heard, as the recording is clipped throughout.")
    else:
        lines += textwrap.wrap(
            "No ping was heard. See that the pinger is on, that the notes name its frequency, and that its level is "
            "over the noise: pingfix check shows the range at which that ends.",
            100,
        )
    if out is not None:
        lines.append(f"{out}: the pings, one JSON object a line, for pingfix fuse and pingfix calibrate")
    return "\n".join(lines)


def _clipped(share: float) -> str:
    return (
        f"Clipped: {percent(share)} of the samples of the worst channel stand at the ends of the converter's range, so "
        "the recording is too loud throughout, not only in the pings. Lower the gain until the noise alone stays far "
        "below full scale (pingfix check names the gains that suit all ranges), and record again."
    )


def _untold_wiring(untold: Sequence[tuple[str, ...]]) -> str:
    """Which channels may be inverted or swapped without these pings telling, and what to do."""
    inverted = [repr(channels[0]) for channels in untold if len(channels) == 1]
    swapped = [channels for channels in untold if len(channels) == 2]
    names = list(dict.fromkeys(name for pair in swapped for name in pair))
    faults = [f"{_or(inverted)} inverted"] if inverted else []
    if len(swapped) > 1 and len(swapped) == len(names) * (len(names) - 1) // 2:
        faults.append(f"any two of {', '.join(map(repr, names))} swapped")
    else:
        others = {a: [repr(d) for c, d in swapped if c == a] for a, _ in swapped}
        faults += [f"{a!r} swapped with {_or(those)}" for a, those in others.items()]
    if not swapped:
        return f"Not told by these pings: {faults[0]}. Listen where the first echo comes later."
    return (
        f"Not told by these pings: {'; '.join(faults)}. Tap the hydrophones one by one while recording, to see which "
        "channel answers, or mark the cables."
    )


def _or(words: Sequence[str]) -> str:
    return " or ".join(filter(None, [", ".join(words[:-1]), words[-1]]))


def _frequencies(pinger: str, pings: Sequence[Ping]) -> list[str]:
    """At which frequencies a pinger's pings were heard."""
    heard = [p.measured_frequency_hz for p in pings if p.pinger == pinger and np.isfinite(p.measured_frequency_hz)]
    if not heard:
        return []
    low, middle, high = np.quantile(heard, (0.0, 0.5, 1.0)) / 1e3
    return [f"  heard at {middle:.2f} kHz (measured, median; {low:.2f} to {high:.2f} kHz)"]


def _unknown(sound: UnknownSound) -> list[str]:
    return textwrap.wrap(
        f"Unknown sound, no pinger of the notes: {sound.frequency_hz / 1e3:.1f} kHz, heard {sound.count} times from "
        f"{sound.first_s:.2f} s on, up to {sound.over_noise_db:.0f} dB over the noise. pingfix spectrum measures it.",
        100,
    )


_LEAST_SHOWN, _MOST_SHOWN = 0.05, 4  # share and number of directions in a row
_WORTH_TELLING = 0.005  # of all that are not shown
_HEADER = ("pinger", "time s", "2E/N0 dB", "window ms", "bearing deg", "depression deg", "position m", "+- m")


def _row(ping: Ping) -> tuple[str, ...]:
    measured = (ping.pinger, f"{ping.time_s:.6f}", _fixed(ping.energy_ratio_db, 1), _fixed(1e3 * ping.window_s, 3))
    if not ping.ok or not ping.candidates:
        return (*measured, "none", "none", "none", "")
    shown, rest = _shown(ping)
    alike = rest < _WORTH_TELLING and max(share for _, share in shown) - min(share for _, share in shown) < 1e-9
    shares = ["" if alike else f" ({percent(share)})" for _, share in shown]
    bearing = " or ".join(_with_sd(d[0], d[1]) + share for (d, _), share in zip(shown, shares, strict=True))
    bearing += f", else {percent(rest)}" if rest >= _WORTH_TELLING else ""
    depression = " or ".join(_with_sd(d[2], d[3]) for d, _ in shown)
    if ping.position_m is None or ping.position_covariance_m2 is None:
        return (*measured, bearing, depression, "none", "")
    place = ", ".join(f"{x:.1f}" for x in ping.position_m)
    spread = number(float(np.sqrt(np.trace(ping.position_covariance_m2))))
    return (*measured, bearing, depression, place, spread)


def _shown(ping: Ping) -> tuple[list[tuple[tuple[float, float, float, float], float]], float]:
    """Directions worth a place in the row, in degrees, with their shares; and the share of all others.

    A mirror image that coincides with the other candidate counts to it.
    """
    found: list[tuple[tuple[float, float, float, float], float]] = []
    for c in ping.candidates:
        bearing, spread, depression, depression_spread = np.rad2deg(
            [c.bearing, c.bearing_sd, c.depression, c.depression_sd]
        )
        near = [k for k, (f, _) in enumerate(found) if abs(bearing - f[0]) < 0.05 and abs(depression - f[2]) < 0.05]
        if near:
            found[near[0]] = found[near[0]][0], found[near[0]][1] + c.probability
        elif not found or (c.probability >= _LEAST_SHOWN and len(found) < _MOST_SHOWN):
            found.append(((bearing, spread, depression, depression_spread), c.probability))
    return found, max(1.0 - sum(share for _, share in found), 0.0)


def _with_sd(value: float, sd: float) -> str:
    return f"{value:.1f} +-{number(sd)}" if np.isfinite(sd) else f"{value:.1f} assumed"


def _fixed(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if np.isfinite(value) else "none"
