"""The last sections of the report: what it assumes, what to mind, how to repeat it."""

from __future__ import annotations

from acoustics.present.report.blocks import Block, Section, text
from acoustics.study.report import Report


def assumptions(report: Report) -> Section:
    """What every figure rests on."""
    scene = report.scene
    entries = [
        "Bound: by the burst up to the first strong echo; no unbiased estimator that uses this part alone does better "
        "(Cramer-Rao), with the tolerances of the scenario as unknowns. "
        "Prediction: bounds and wrong cycles mixed. Simulation: pings drawn with those errors and estimated, with a "
        "95 % interval or the number of trials.",
        "Rays bend with a profile of the water where that counts. "
        "The pool has vertical walls and a floor of planes; what stands in it casts no shadow.",
        f"Only the part of the burst before the first echo above {scene.study.multipath_threshold_db:g} dB counts "
        "for bounds.",
        "Noise is taken as independent between hydrophones, with the density of the scenario at the carrier.",
        f"The pinger's depth is known to {scene.study.pinger_depth_sd_m:g} m, the heading to "
        f"{scene.vehicle.heading_sd_deg:g} deg (standard deviations).",
    ]
    if scene.noise.self_noise_density_db is None:
        entries.append("The vehicle counts as noiseless, since the scenario gives no noise of its own.")
    return Section("assumptions", "What is assumed", [Block("list", entries=entries)])


def safety(report: Report) -> Section:
    """The usual cautions."""
    entries = [
        "Accuracy estimates are for planning, never for anyone's safety.",
        f"The pinger sends {report.pinger.source_level_db:g} dB re 1 uPa at 1 m. Keep swimmers and divers away from a "
        "powerful source, mind the level that marine life receives, and ask whether the water needs a permit.",
        "Mains power, chargers and batteries stay away from the water's edge and behind residual-current protection. "
        "Have electrical work and lifting done as local codes and licensed practice demand.",
    ]
    return Section("safety", "Cautions", [Block("caution", entries=entries)])


def repeat(report: Report) -> Section:
    """Command, version, seed and hash."""
    command = f"pingfix report {report.scenario} --trials {report.trials} --seed {report.seed}"
    return Section(
        "repeat",
        "How to repeat it",
        [
            Block("code", text=command),
            *text(
                f"pingfix {report.version}, seed {report.seed}, {report.trials:,} trials. SHA-256 of "
                f"{report.scenario}: {report.scenario_sha256}"
            ),
        ],
    )
