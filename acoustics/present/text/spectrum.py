"""What a recording holds, as text: pingers, tones, noise, and the lines for a scenario."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.present.text.tables import OFTEN_CLIPPED, number, percent, table
from acoustics.study.spectrum import MeasuredPinger, Spectrum

_NEAR_FULL_SCALE = 0.9
_LITTLE_OF_SCALE = 0.01  # some six bits go unused
_ALL_CONVERTER_DB = 0.5  # over the converter's own: noise as strong as that would add 3 dB
_STEADY_S = 1e-6  # a pinger that strays less from its clock needs no line of its own


def spectrum_text(result: Spectrum) -> str:
    """The answer of `pingfix spectrum`."""
    unit = f"dB re {result.reference}"
    lines = [
        f"{result.source}: {result.seconds:.4g} s from {result.from_s:g} s on, {len(result.channels)} channels at "
        f"{result.sample_rate_hz / 1e3:g} kHz (measured)",
        "",
        *_pingers(result, unit),
        "",
        "Noise density without tones and bursts, third-octave bands",
        table(
            ("band kHz", *(f"{name} {unit}^2/Hz" for name in result.channels)),
            [
                (f"{band / 1e3:.3g}", *(f"{level:.1f}" for level in levels))
                for band, levels in zip(result.band_hz, result.noise_density_db.T, strict=True)
            ],
        ),
        "",
        "Tones: "
        + (
            ", ".join(f"{t.frequency_hz:.0f} Hz {t.level_db:.1f} {unit}" for t in result.tones)
            or "none stands out of the noise"
        ),
        "Largest sample, share of full scale: "
        + ", ".join(
            f"{name} {'not known' if np.isnan(share) else f'{100 * share:.3g} %'}"
            for name, share in zip(result.channels, result.peak_share, strict=True)
        ),
    ]
    wrapped = [piece for line in lines for piece in (textwrap.wrap(line, 100) if line.startswith("Tones") else [line])]
    return "\n".join([*wrapped, *_remarks(result), "", "Lines for the scenario:", "", scenario_lines(result)])


def heard_in_short(result: Spectrum) -> str:
    """Which pingers are heard, in one line."""
    if not result.pingers:
        return "No pinger stands out of the noise"
    return "; ".join(_named(p) for p in result.pingers[:3])


def _named(pinger: MeasuredPinger) -> str:
    name = f"{pinger.name} " if pinger.name else ""
    times = "once" if pinger.n_pings == 1 else f"{pinger.n_pings} times"
    return f"{name}{pinger.frequency_hz / 1e3:.2f} kHz heard {times}, {pinger.over_noise_db:.0f} dB over noise"


def _pingers(result: Spectrum, unit: str) -> list[str]:
    if not result.pingers:
        return ["Pingers: none stands out of the noise."]
    rows = [
        (
            f"{p.frequency_hz:.0f}",
            p.name or "not in the notes",
            str(p.n_pings),
            f"{np.median(p.level_db):.1f}",
            _or_none(float(np.median(p.direct_level_db)), 4) + doubt,
            f"{np.ptp(p.level_db):.1f}",
            _or_none(1e3 * p.length_s, 3),
            "-" if np.isnan(p.q) else f"{number(p.q, 2)} +-{number(p.q_sd, 1)}{doubt}",
            _or_none(p.pri_s, 4),
            "<0.001" if p.pri_sd_s < _STEADY_S else _or_none(1e3 * p.pri_sd_s, 2),
        )
        for p in result.pingers
        for doubt in (" ?" if p.early_echo else "",)
    ]
    header = (
        "frequency Hz",
        "pinger",
        "pings",
        f"level {unit}",
        f"direct sound {unit}",
        "channels differ dB",
        "length ms",
        "Q",
        "interval s",
        "jitter ms",
    )
    return [
        table(header, rows),
        "",
        "-: the recording does not tell, being too weak or full of early echoes. Level: rms over the burst's length,",
        "echoes included. Direct sound and Q, with its standard deviation: by the first 0.3 ms. ?: an echo came within",
        "them; it is allowed for, but further ones may bend both by more than that. Check them against the data sheet.",
    ]


def _or_none(value: float, digits: int) -> str:
    return "-" if np.isnan(value) else number(value, digits)


def _remarks(result: Spectrum) -> list[str]:
    remarks = []
    shares = dict(zip(result.channels, result.peak_share, strict=True))
    clipped = [n for n, share in zip(result.channels, result.clipped_share, strict=True) if share > OFTEN_CLIPPED]
    if clipped:
        remarks.append(
            f"{', '.join(clipped)}: clipped throughout, up to {percent(float(result.clipped_share.max()))} of the "
            "samples at the ends of the range, so that noise and levels are higher than given. Less gain; record again."
        )
    if loud := [name for name, share in shares.items() if share >= _NEAR_FULL_SCALE and name not in clipped]:
        remarks.append(f"{', '.join(loud)}: within a tenth of full scale; nearer to the pinger they clip. Less gain.")
    if quiet := [name for name, share in shares.items() if share < _LITTLE_OF_SCALE]:
        remarks.append(f"{', '.join(quiet)}: under a hundredth of full scale is used. More gain, or a broken channel.")
    below = np.median(result.noise_density_db, axis=-1) < result.converter_density_db + _ALL_CONVERTER_DB
    if below.any():
        names = ", ".join(name for name, is_below in zip(result.channels, below, strict=True) if is_below)
        remarks.append(
            f"{names}: between bursts the samples hardly change, so that the noise given is that of the converter's "
            "steps. The water's is lower; more gain would show it."
        )
    if result.reference != "1 uPa":
        remarks.append("Without notes of sensitivity and gain levels are re full scale: no scenario takes them.")
    return [piece for remark in remarks for piece in textwrap.wrap(f"Note: {remark}", 100)]


def scenario_lines(result: Spectrum) -> str:
    """What a scenario takes of it; what was not measured is left out."""
    in_water = result.reference == "1 uPa"
    lines = []
    for p in result.pingers:
        if p.n_pings < 2 and len(result.pingers) > 1:
            continue
        lines += ["[[pinger]]", f'name = "{p.name}"' if p.name else "# name: not in the notes"]
        lines.append(f"frequency_hz = {p.frequency_hz:.1f}")
        lines += [] if np.isnan(p.length_s) else [f"length_s = {p.length_s:.3g}"]
        sure = "# early echo, check: " if p.early_echo else ""
        lines += [] if np.isnan(p.q) else [f"{sure}q = {p.q:.2g}"]
        lines += [] if np.isnan(p.pri_s) else [f"pri_s = {p.pri_s:.5g}"]
        lines += [] if not p.pri_sd_s >= _STEADY_S else [f"start_jitter_s = {p.pri_sd_s:.1g}"]
        if in_water and not np.isnan(p.source_level_db):
            lines.append(f"{sure}source_level_db = {p.source_level_db:.1f}")
        elif in_water and not np.isnan(p.q):
            lines.append(
                f"# source_level_db = {np.median(p.direct_level_db):.1f} + 20 log10(range in m); see --range-m"
            )
        lines.append("")
    lines += ["[recorder]", f"sample_rate_hz = {result.sample_rate_hz:.1f}"]
    if in_water:
        lines += ["", *_noise_lines(result)]
    return "\n".join(lines)


def _noise_lines(result: Spectrum) -> list[str]:
    if result.pingers:
        density, where = result.pingers[0].noise_density_db, result.pingers[0].frequency_hz
    else:
        k = int(np.argmin(np.abs(result.band_hz - 30e3)))
        density, where = float(np.median(result.noise_density_db[:, k])), float(result.band_hz[k])
    lines = [
        "[noise]",
        f"self_noise_density_db = {density:.1f}  # all that was heard at {where / 1e3:.3g} kHz, the water's included",
    ]
    for tone in result.tones:
        lines += ["[[noise.tone]]", f"frequency_hz = {tone.frequency_hz:.1f}", f"level_db = {tone.level_db:.1f}"]
    return lines
