"""What a scene implies, as text for the terminal and as the tables of the report."""

from __future__ import annotations

import re
import textwrap

import numpy as np

from acoustics.present.text.tables import Rows, decibels, known_pool_words, number, observed, percent, table
from acoustics.study.check import Summary
from acoustics.study.electronics import Electronics

_WIDEST = 100
_NO_GAIN_DB = 1.0
LINK_NOTE = (
    "Heard: the share of pings over the threshold of the detector that locate uses, at one false alarm an hour "
    "(prediction, whole burst, no echoes). Timing: the least standard deviation of one arrival that noise allows "
    "(Cramer-Rao bound), from the part of the burst inside the multipath-free window."
)


def summary_text(result: Summary) -> str:
    """The answer of `pingfix check`."""
    facts = summary_facts(result)
    width = max(len(name) for name, _ in facts)
    lines = [result.title, ""] + [f"{name.ljust(width)}  {value}" for name, value in facts]
    lines += ["", table(*link_rows(result)), "", *textwrap.wrap(LINK_NOTE, 100)]
    if result.pingers:
        lines += ["", table(*pinger_rows(result)), "", *textwrap.wrap(who_decides(result), _WIDEST)]
    lines += ["", *(piece for line in electronics_words(result) for piece in textwrap.wrap(line, _WIDEST))]
    if result.noise_states:
        lines += ["", table(*noise_rows(result)), "", *textwrap.wrap(stop_to_listen(result), _WIDEST)]
    if result.assumed:
        lines += ["", "Assumed, since the scenario does not say (pingfix new --explain KEY tells more):"]
        lines += assumed_lines(result)
    for remark in result.remarks:
        lines += textwrap.wrap(f"Note: {remark}", 100)
    return "\n".join(lines)


def summary_facts(result: Summary) -> list[tuple[str, str]]:
    """Name and value of what follows from the scene."""
    facts = [
        ("pinger", f"{result.pinger}, {result.frequency_hz / 1e3:g} kHz"),
        (
            "sound speed at the vehicle",
            f"{result.sound_speed_m_s:.1f} m/s +- {result.sound_speed_sd_m_s:.1f}",
        ),
        ("wavelength", f"{1e3 * result.wavelength_m:.1f} mm"),
        ("spacing free of ambiguity", f"up to {1e3 * result.free_spacing_m:.1f} mm"),
        ("array", f"{result.array}, {result.n_hydrophones} hydrophones"),
        ("baselines", f"{1e3 * result.shortest_baseline_m:.1f} to {1e3 * result.longest_baseline_m:.1f} mm"),
        ("observes", result.observes),
        ("good for", result.good_for),
        ("cannot observe", result.cannot_observe),
        ("first strong echo", f"{_by_faces(result.first_echo) or 'none within the burst'} (where the vehicle stands)"),
        ("position by one ping", f"{observed(result.position_multipath_free_m, 'm')} before the first echo (bound)"),
        (
            "  with the pool known",
            f"{known_pool_words(result.position_to_first_wall_m, result.position_whole_burst_m)} (bounds)",
        ),
        ("noise density", f"{result.noise_density_db:.1f} dB re 1 uPa^2/Hz"),
    ]
    return [(name, value) for name, value in facts if value]


def _by_faces(first_echo: str) -> str:
    """Without the numbers of a floor's planes, which tell a reader nothing; a wall's is that of the outline's side."""
    return re.sub(r"\bfloor-\d+", "floor", first_echo)


def electronics_words(result: Summary) -> list[str]:
    """Volts, gain, bits, filter and multiplexing, each with what to do."""
    e = result.electronics
    lines = [
        f"Electronics (prediction): at {e.near_range_m:.3g} m {number(e.near_peak_v)} V peak at the converter, at "
        f"{e.far_range_m:.4g} m {number(e.far_peak_v)} V, of {e.full_scale_v:g} V full scale.",
        _gain_in_words(e),
        f"Bits: {_bits_in_words(e)}. Anti-alias filter: Butterworth of order {e.antialias_order}, 3 dB down at the "
        "top of the pinger's band, stops by 20 dB what folds onto it.",
    ]
    if e.skew_s > 0:
        lines.append(
            f"Multiplexed: the last channel is sampled {1e6 * e.skew_s:.2g} us after the first, "
            f"{e.skew_phase_deg:.0f} deg of the carrier; not corrected, that turns the bearing by up to "
            f"{e.skew_bearing_deg:.2g} deg. The converter runs {result.n_hydrophones} times as fast as each channel."
        )
    return lines


def _gain_in_words(e: Electronics) -> str:
    set_to = f"Gain: it is set to {e.gain_db:g} dB"
    if e.least_gain_db > e.largest_gain_db:
        return (
            f"{set_to}. None suits all ranges: over {e.largest_gain_db:.0f} dB clips at {e.near_range_m:.3g} m, under "
            f"{e.least_gain_db:.0f} dB quantisation counts. Take more bits, or do not go so near."
        )
    suits = f"from {e.least_gain_db:.0f} to {e.largest_gain_db:.0f} dB it neither clips nor quantises too coarsely"
    if e.gain_db > e.largest_gain_db:
        return f"{set_to}, which clips within {number(e.clips_within_m)} m of the pinger; {suits}."
    if e.gain_db < e.least_gain_db:
        return f"{set_to}, under which quantisation raises the noise by over 0.4 dB; {suits}."
    return f"{set_to}, which suits all ranges: {suits}."


def _bits_in_words(e: Electronics) -> str:
    if not e.enough_bits:
        return f"{e.bits}; no converter spans these ranges at one gain"
    return f"{e.enough_bits} are enough for all ranges at one gain; there are {e.bits}"


def assumed_lines(result: Summary) -> list[str]:
    """Each key that is left out, the value that counts instead, and what it is in one sentence."""
    names = max(len(assumed.key) for assumed in result.assumed)
    values = max(len(assumed.value) for assumed in result.assumed)
    lines = []
    for assumed in result.assumed:
        sentence = assumed.says.split(". ")[0].rstrip(".")
        head = f"  {assumed.key.ljust(names)}  {assumed.value.ljust(values)}  "
        room = max(_WIDEST - len(head), 30)
        first, *more = textwrap.wrap(sentence, room)
        lines += [head + first, *(" " * len(head) + line for line in more)]
    return lines


def pinger_rows(result: Summary) -> Rows:
    """The pingers that array and recorder must serve together, from where the vehicle stands."""
    header = (
        "pinger",
        "kHz",
        "range m",
        "free spacing mm",
        "window ms",
        "2E/N0 dB",
        "heard",
        "wrong cycle",
        "bearing deg (bound)",
        "position m (bound)",
    )
    rows = [
        (
            each.pinger,
            f"{each.frequency_hz / 1e3:g}",
            f"{each.range_m:.1f}",
            f"{1e3 * each.free_spacing_m:.1f}",
            number(1e3 * each.multipath_free_s),
            decibels(each.energy_ratio_db),
            percent(each.heard),
            "-" if np.isnan(each.wrong_integer) else percent(each.wrong_integer),
            number(each.bearing_deg),
            number(each.position_m),
        )
        for each in result.pingers
    ]
    return header, rows


def who_decides(result: Summary) -> str:
    """Which of several pingers array and recorder must be chosen for, in one sentence."""
    highest = max(result.pingers, key=lambda each: each.band_top_hz)
    hardest = max(result.pingers, key=lambda each: (each.bearing_deg, -each.energy_ratio_db))
    how_good = "not observed" if np.isinf(hardest.bearing_deg) else f"good to {number(hardest.bearing_deg)} deg"
    counted = "Both" if len(result.pingers) == 2 else f"All {len(result.pingers)}"
    return (
        f"{counted} pingers count: {highest.pinger} decides the spacing free of ambiguity, up to "
        f"{1e3 * highest.free_spacing_m:.1f} mm, and the sample rate, its band ending at "
        f"{highest.band_top_hz / 1e3:.1f} kHz; {hardest.pinger} decides the accuracy, its bearing {how_good} (bound)."
    )


def noise_rows(result: Summary) -> Rows:
    """The noise states side by side, where the vehicle stands."""
    header = (
        "noise state",
        "density dB re 1 uPa^2/Hz",
        "2E/N0 dB",
        "heard",
        "nine in ten heard up to m",
        "bearing deg (bound)",
        "position m (bound)",
    )
    rows = [
        (
            listening.state,
            f"{listening.noise_density_db:.1f}",
            decibels(listening.energy_ratio_db),
            percent(listening.heard),
            number(listening.well_heard_m, 3),
            number(listening.bearing_deg),
            number(listening.position_m),
        )
        for listening in result.noise_states
    ]
    return header, rows


def stop_to_listen(result: Summary) -> str:
    """What the quietest noise state is worth against the loudest, in one sentence."""
    loud, quiet = (pick(result.noise_states, key=lambda s: s.noise_density_db) for pick in (max, min))
    gain_db = loud.noise_density_db - quiet.noise_density_db
    if gain_db < _NO_GAIN_DB:
        return f"Between the loudest and the quietest noise state lies less than {_NO_GAIN_DB:g} dB: nothing to gain."
    changes = [
        (percent(quiet.heard), percent(loud.heard), "pings heard (prediction)"),
        (f"{number(quiet.well_heard_m, 3)} m", f"{number(loud.well_heard_m, 3)} m", "nine in ten heard up to"),
        (observed(quiet.bearing_deg, "deg"), observed(loud.bearing_deg, "deg"), "error of the bearing (bound)"),
    ]
    worth = "; ".join(f"{what} {now}, not {before}" for now, before, what in changes if now != before)
    return f"Stop to listen: '{quiet.state}' in place of '{loud.state}' takes {gain_db:.0f} dB of noise away" + (
        f": {worth}." if worth else ", and changes nothing here."
    )


def link_rows(result: Summary) -> Rows:
    """The link by range."""
    header = (
        "range m",
        "level dB re 1 uPa",
        "heard",
        "multipath-free window ms",
        "2E/N0 dB",
        "timing by phase us",
        "by envelope us",
    )
    rows = [
        (
            f"{r:.4g}",
            f"{level:.1f}",
            percent(heard),
            number(1e3 * window),
            decibels(ratio),
            number(1e6 * phase),
            number(1e6 * envelope),
        )
        for r, level, heard, window, ratio, phase, envelope in zip(
            result.range_m,
            result.received_level_db,
            result.heard,
            result.multipath_free_s,
            result.energy_ratio_db,
            result.arrival_sd_phase_s,
            result.arrival_sd_envelope_s,
            strict=True,
        )
    ]
    return header, rows
