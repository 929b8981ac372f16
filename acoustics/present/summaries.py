"""Results as text for the terminal: tables with units, then sentences."""

from __future__ import annotations

import textwrap

import numpy as np

from acoustics.present.tables import number, percent, table
from acoustics.study.outlook import Outlook
from acoustics.study.pool_map import PoolMap
from acoustics.study.spacing import SpacingStudy


def outlook_text(result: Outlook) -> str:
    """The answer of `pingfix check`."""
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
        ("noise density", f"{result.noise_density_db:.1f} dB re 1 uPa^2/Hz"),
    ]
    width = max(len(name) for name, _ in facts)
    lines = [result.title, ""] + [f"{name.ljust(width)}  {value}" for name, value in facts if value]
    header = (
        "range m",
        "level dB re 1 uPa",
        "clean window ms",
        "2E/N0 dB",
        "timing by phase us",
        "by envelope us",
    )
    rows = [
        (
            f"{r:.4g}",
            f"{level:.1f}",
            number(1e3 * window),
            f"{ratio:.1f}" if np.isfinite(ratio) else "none",
            number(1e6 * phase),
            number(1e6 * envelope),
        )
        for r, level, window, ratio, phase, envelope in zip(
            result.range_m,
            result.received_level_db,
            result.clean_window_s,
            result.energy_ratio_db,
            result.arrival_sd_phase_s,
            result.arrival_sd_envelope_s,
            strict=True,
        )
    ]
    lines += ["", table(header, rows), ""]
    lines.append("Timing: the least standard deviation of one arrival that noise allows (Cramer-Rao bound), from the")
    lines.append("part of the burst inside the clean window.")
    for remark in result.remarks:
        lines += textwrap.wrap(f"Note: {remark}", 100)
    return "\n".join(lines)


def spacing_text(study: SpacingStudy) -> str:
    """The answer of `pingfix spacing`: two tables, each column named bound, prediction or simulation."""
    lines = [
        f"{study.title}: {study.array} scaled; {study.pinger}, {study.frequency_hz / 1e3:g} kHz "
        f"at {study.range_m:.1f} m",
        f"clean window {number(1e3 * study.clean_window_s)} ms, 2E/N0 {study.energy_ratio_db:.1f} dB; {study.bearings}",
        "",
        "Bearing error, RMS in degrees, by shortest baseline",
    ]
    header = (
        "spacing mm",
        "phase, right cycle (bound)",
        "envelope (bound)",
        "wrong cycle",
        "phase (predicted)",
        "phase (simulated, 95 %)",
        "fits hull",
    )
    rows = []
    for spacing, simulated in zip(study.simulated.spacing_m, study.simulated.rms_deg, strict=True):
        k = int(np.argmin(np.abs(study.spacing_m - spacing)))
        mark = " *" if np.isclose(spacing, study.recommendation.spacing_m) else ""
        rows.append(
            (
                f"{1e3 * spacing:.1f}{mark}",
                number(study.right_cycle_deg[k]),
                number(study.envelope_deg[k]),
                percent(study.wrong_cycle[k]),
                number(study.expected_deg[k]),
                f"{number(simulated.value)} ({number(simulated.low)} to {number(simulated.high)})",
                "yes" if spacing <= study.hull_limit_m * (1 + 1e-9) else "no",
            )
        )
    lines += [table(header, rows), ""]
    chosen = int(np.argmin(np.abs(study.spacing_m - study.recommendation.spacing_m)))
    lines.append(
        f"What the sample rate costs at {1e3 * study.recommendation.spacing_m:.1f} mm (bounds, RMS in degrees)"
    )
    rate_header = (
        "sample rate kHz",
        "phase, interpolated",
        "phase, lag rounded to a sample",
        "onset rounded to a sample",
    )
    rates = zip(study.sample_rate_hz, study.phase_deg, study.lag_deg, study.onset_deg, strict=True)
    lines.append(
        table(
            rate_header,
            [
                (
                    f"{rate / 1e3:g}" + (" *" if rate == study.recommendation.sample_rate_hz else ""),
                    *(number(error[chosen]) for error in errors),
                )
                for rate, *errors in rates
            ],
        )
    )
    lines += ["", *textwrap.wrap(f"* {study.recommendation.reason}", 100)]
    for remark in study.remarks:
        lines += textwrap.wrap(f"Note: {remark}", 100)
    return "\n".join(lines)


def map_text(result: PoolMap) -> str:
    """The answer of `pingfix map`: quantiles over the cells."""
    names = {
        "bearing_deg": "bearing error, deg (bound)",
        "position_m": "horizontal position error, m (bound)",
        "simulated_m": "horizontal position error, m (simulated)",
        "refused": "share of pings without a fix (simulated)",
    }
    rows = [(names[name], *(number(v) for v in values)) for name, values in result.quantiles.items()]
    wet = int(np.isfinite(result.clean_window_s).sum())
    lines = [
        f"{result.title}: {result.array}, {result.pinger}; vehicle {result.depth_m:g} m deep, heading "
        f"{result.heading_deg:g} deg; {wet} cells, {result.trials} simulated pings in each (seed {result.seed})",
        "",
        table(("over the cells", "median", "90 %", "95 %"), rows),
        *_agreement_text(result),
        "",
        "One ping, cycle resolved, pinger's depth known to study.pinger_depth_sd_m. Echoes shorten the part of the",
        "burst that counts; what they do inside it is not modelled here. 'none': not observable from there.",
    ]
    return "\n".join(lines)


def _agreement_text(result: PoolMap) -> list[str]:
    ratio = result.simulated_over_bound
    if ratio is None:
        return []
    cells = int(np.sum(result.refused == 0))
    return [
        "",
        f"Where every ping gave a fix ({cells} cells) the simulated error is {ratio.value:.2f} times the bound "
        f"(median, 95 % {ratio.low:.2f} to {ratio.high:.2f}).",
    ]
