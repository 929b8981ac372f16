"""The picture of `pingfix rehearse`: the first run from above, and what it knew by when."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from acoustics.present.plot.pool_view import draw_plan, draw_region, frame_plan, region_key, site_limits
from acoustics.present.plot.style import DEEP, EMBER, INK, STYLE, conclude
from acoustics.present.text.rehearse import share_text
from acoustics.scene.scene import Scene
from acoustics.study.rehearse import Moment, Rehearsal, RehearsedRun

_WIDTH = 8.0
_ACROSS = 3  # small plans in a row


def rehearsal_plot(study: Rehearsal, scene: Scene) -> Figure:
    """The whole run, and below it a series of small plans of what it knew by when."""
    run = study.first
    low, high = site_limits(scene)
    span = high - low
    tall = float(np.clip((_WIDTH - 0.9) * span[1] / span[0], 2.0, 9.0)) + 1.0
    rows = -(-len(run.moments) // _ACROSS)
    small = float(np.clip(_WIDTH / _ACROSS * span[1] / span[0], 0.9, 3.0)) + 0.35
    with rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH, tall + rows * small + 0.9), layout="constrained")
        grid = figure.add_gridspec(1 + rows, _ACROSS, height_ratios=[tall, *[small] * rows])
        axes = figure.add_subplot(grid[0, :])
        frame_plan(axes, low, high)
        draw_plan(axes, scene)
        axes.set_title(f"The first run: {run.outcome} after {run.time_s:.0f} s, the pinger at {run.station}")
        axes.plot(*run.believed_m[:, :2].T, "--", color=INK, lw=1.0, zorder=5)
        axes.plot(*run.true_m[:, :2].T, "o-", color=DEEP, ms=4, mfc="white", lw=1.2, zorder=6)
        axes.plot(*run.source_m[:2], "*", ms=13, mfc=EMBER, mec=INK, zorder=8)
        handles = [
            Line2D([], [], color=DEEP, marker="o", ms=4, mfc="white", label="where it was, at each ping"),
            Line2D([], [], color=INK, ls="--", label="where it believed itself to be"),
            Line2D([], [], marker="*", ls="none", ms=11, mfc=EMBER, mec=INK, label="pinger"),
        ]
        if run.half_length_m is not None and run.half_width_m is not None and run.azimuth_deg is not None:
            draw_region(axes, run.fix_m, run.half_length_m, run.half_width_m, run.azimuth_deg)
            handles.append(region_key("95 % ellipse it stated"))
        for k, moment in enumerate(run.moments):
            _draw_moment(figure.add_subplot(grid[1 + k // _ACROSS, k % _ACROSS]), run, moment, scene)
        figure.legend(handles=handles, loc="outside lower center", ncols=2)
        runs = "1 run ends" if study.runs == 1 else f"{study.runs} runs end"
        conclude(figure, f"{study.title}: {share_text(study.shares[0])} of {runs} at the right station.")
        return figure


def _draw_moment(axes: Axes, run: RehearsedRun, moment: Moment, scene: Scene) -> None:
    """A small plan without scales, at the same limits as the large one."""
    frame_plan(axes, *site_limits(scene))
    axes.set(xticks=[], yticks=[], xlabel="", ylabel="")
    axes.spines[:].set_visible(False)
    if scene.pool.outline_m is not None:
        axes.fill(*np.transpose(scene.pool.outline_m), fc="none", ec=INK, lw=0.8)
    axes.set_title(f"{moment.time_s:.0f} s, {moment.pings} ping{'s' * (moment.pings > 1)}", fontsize=8)
    way = run.true_m[: moment.pings, :2]
    axes.plot(*way.T, "-", color=DEEP, lw=1.0, zorder=6)
    axes.plot(*way[-1], "o", color=DEEP, ms=4, mfc="white", zorder=7)
    axes.plot(*run.source_m[:2], "*", ms=8, mfc=EMBER, mec=INK, zorder=8)
    if moment.fix_m is not None and moment.half_length_m and moment.half_width_m and moment.azimuth_deg is not None:
        draw_region(axes, moment.fix_m, moment.half_length_m, moment.half_width_m, moment.azimuth_deg)
