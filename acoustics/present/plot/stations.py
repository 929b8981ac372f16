"""The picture of `pingfix stations`: the run and the stations from above, and the decisions by truth."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from acoustics.present.plot.pool_view import draw_plan, frame_plan, site_limits
from acoustics.present.plot.style import DEEP, EMBER, INK, STYLE, conclude
from acoustics.present.text.stations import stations_headline
from acoustics.scene.scene import Scene
from acoustics.study.stations import StationStudy

_WIDTH = 8.0
_LETTERS = 14  # of a name in a line under a column


def stations_plot(study: StationStudy, scene: Scene) -> Figure:
    """A plan above, the confusion matrix below."""
    low, high = site_limits(scene)
    span = high - low
    plan = float(np.clip((_WIDTH - 0.9) * span[1] / span[0], 2.0, 7.0))
    matrix = 1.6 + 0.42 * len(study.truths)
    with rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH, plan + matrix + 1.0), layout="constrained")
        above, below = figure.subplots(2, 1, height_ratios=[plan, matrix])
        frame_plan(above, low, high)
        above.set_title("Run (orange) and stations")
        draw_plan(above, scene)
        above.plot(*study.path_m[:, :2].T, "o-", color=EMBER, ms=5, mfc="white", lw=1.5, zorder=7)
        _matrix(below, study)
        conclude(figure, stations_headline(study))
        return figure


def _matrix(axes: Axes, study: StationStudy) -> None:
    share = 100 * study.decided / study.decided.sum(axis=1, keepdims=True)
    colours = LinearSegmentedColormap.from_list("share", ["white", DEEP])
    axes.imshow(share, cmap=colours, vmin=0, vmax=100, aspect="auto")
    for (row, column), value in np.ndenumerate(share):
        ink = "white" if value > 55 else INK
        axes.text(column, row, f"{value:.0f}", ha="center", va="center", color=ink, fontsize=9)
    for set_ticks, names in ((axes.set_xticks, study.answers), (axes.set_yticks, study.truths)):
        set_ticks(range(len(names)), [textwrap.fill(name, _LETTERS) for name in names])
    axes.set(title="Decisions (simulated) [% of runs]", xlabel="decided", ylabel="pinger at")
    axes.tick_params(length=0)
