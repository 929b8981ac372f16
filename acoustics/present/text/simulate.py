"""What was recorded, as text for the terminal."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.present.text.tables import number, table
from acoustics.study.simulate import SimulatedRecording


def recording_text(result: SimulatedRecording) -> str:
    """The answer of `pingfix simulate`: the files, the pingers in them, and whether the converter clipped."""
    header = ("pinger", "pings", "kHz", "range m", "bearing deg", "level dB", "2E/N0 dB", "paths", "first echo ms")
    rows = [
        (
            p.name,
            str(p.pings),
            f"{p.frequency_hz / 1e3:g}",
            f"{p.range_m:.2f}",
            f"{p.bearing_deg:.1f}",
            f"{p.received_level_db:.1f}",
            f"{p.energy_ratio_db:.1f}",
            str(p.paths),
            number(1e3 * p.first_echo_after_s, 3),
        )
        for p in result.pingers
    ]
    lines = [
        f"{result.title}: {result.seconds:g} s of {len(result.channels)} channels at {result.sample_rate_hz / 1e3:g} "
        f"kHz, {result.encoding} (seed {result.seed})",
        "",
        table(header, rows),
        "",
        f"{result.file}: the samples, in the order {', '.join(result.channels)}",
        f"{result.sidecar}: what the crew would know, with the errors of its instruments",
        f"{result.site}: the site sketch, pool and stations as the crew would have measured them",
        f"{result.truth}: the truth, to score an estimator by",
        "",
        *textwrap.wrap(_drive(result), 100),
    ]
    return "\n".join(lines)


def _drive(result: SimulatedRecording) -> str:
    """Whether the converter's range is well used."""
    peak = f"The loudest sample is at {100 * float(result.peak.max()):.2g} % of the full scale"
    clipped = int(np.sum(result.clipped_samples))
    if clipped:
        return (
            f"{clipped} samples are clipped, up to {int(result.clipped_samples.max())} in one channel: lower "
            "recorder.gain_db to record them whole."
        )
    return f"{peak}; nothing is clipped."
