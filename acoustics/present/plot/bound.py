"""What an array allows for a given strength of the ping, drawn by bearing."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.figure import Figure

from acoustics.accuracy.array_bound import Bound
from acoustics.present.plot.style import DEEP, EMBER, STYLE, conclude
from acoustics.present.text.bound import bound_headline


def bound_plot(result: Bound) -> Figure:
    """Bound of bearing and depression [deg] against the bearing."""
    order = np.argsort(result.bearing_deg)
    at = result.bearing_deg[order]
    with rc_context(STYLE):
        figure = Figure(figsize=(8.0, 4.0), layout="constrained")
        axes = figure.subplots()
        lines = (
            ("of the bearing", result.bearing_sd_deg, DEEP, "-"),
            ("of the depression", result.depression_sd_deg, EMBER, "--"),
        )
        for name, sd, colour, style in lines:
            seen = np.where(np.isfinite(sd), sd, np.nan)[order]
            if np.isfinite(seen).any():
                axes.plot(at, seen, style, color=colour, lw=2, label=name)
        axes.set(
            xlabel="bearing from the bow [deg]",
            ylabel="standard deviation [deg]",
        )
        axes.set_ylim(bottom=0)
        axes.legend()
        conclude(figure, bound_headline(result))
        return figure
