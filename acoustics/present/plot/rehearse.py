"""The picture of `pingfix rehearse`: the first run from above, where the vehicle was and where it believed to be."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from acoustics.present.plot.pool_view import draw_plan, draw_region, frame_plan, region_key, site_limits
from acoustics.present.plot.style import DEEP, EMBER, INK, STYLE, conclude
from acoustics.present.text.rehearse import share_text
from acoustics.scene.scene import Scene
from acoustics.study.rehearse import Rehearsal

_WIDTH = 8.0


def rehearsal_plot(study: Rehearsal, scene: Scene) -> Figure:
    """One plan."""
    run = study.first
    low, high = site_limits(scene)
    span = high - low
    height = float(np.clip((_WIDTH - 0.9) * span[1] / span[0], 2.0, 9.0)) + 1.9
    with rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH, height), layout="constrained")
        axes = figure.subplots()
        frame_plan(axes, low, high)
        draw_plan(axes, scene)
        axes.set_title(f"The first run: {run.outcome} after {run.time_s:.0f} s, the pinger at {run.station}")
        axes.plot(*run.believed_m[:, :2].T, "--", color=INK, lw=1.0, zorder=5)
        axes.plot(*run.true_m[:, :2].T, "o-", color=DEEP, ms=4, mfc="white", lw=1.2, zorder=6)
        axes.plot(*run.source_m[:2], "*", ms=13, mfc=EMBER, mec=INK, zorder=8)
        handles = [
            Line2D([], [], color=DEEP, marker="o", ms=4, mfc="white", label="where it was, at each ping"),
            Line2D([], [], color=INK, ls="--", label="where it believed to be"),
            Line2D([], [], marker="*", ls="none", ms=11, mfc=EMBER, mec=INK, label="pinger"),
        ]
        if run.half_length_m is not None and run.half_width_m is not None and run.azimuth_deg is not None:
            draw_region(axes, run.fix_m, run.half_length_m, run.half_width_m, run.azimuth_deg)
            handles.append(region_key("95 % ellipse it stated"))
        figure.legend(handles=handles, loc="outside lower center", ncols=2)
        conclude(figure, f"{study.title}: {share_text(study.shares[0])} of {study.runs} runs end at the right station.")
        return figure
