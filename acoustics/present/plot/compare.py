"""The picture of `pingfix compare`: what decides between scenes, a panel a quantity."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, SAND, STYLE, conclude
from acoustics.present.text.compare import difference_text, headline, value_text
from acoustics.study.compare import ComparedQuantity, Comparison

_PANELS = (
    "bearing error",
    "bearing error over the site",
    "position error",
    "position error over the site",
    "wrong integers",
    "wrong integers over the site",
    "multipath-free window",
    "2E/N0 in it",
)
_COLOURS = (DEEP, EMBER, MOSS, SAND, INK, "#7d5ba6")
_LONGEST_NAME = 18


def comparison_plot(result: Comparison) -> Figure:
    """Bars of what decides, each with its difference against the first scene."""
    found = {quantity.name: quantity for quantity in result.quantities}
    n = len(result.names)
    with rc_context(STYLE):
        figure = Figure(figsize=(9.0, 1.6 + 4 * (0.75 + 0.3 * n)), layout="constrained")
        all_axes = figure.subplots(4, 2)
        for axes, name in zip(all_axes.flat, _PANELS, strict=True):
            _panel(axes, found[name], result.names)
        conclude(figure, headline(result))
        return figure


def _panel(axes: Axes, quantity: ComparedQuantity, names: tuple[str, ...]) -> None:
    """One bar a scene, the first on top; what is not finite has a word in place of a bar."""
    finite = np.isfinite(quantity.value)
    lengths = np.where(finite, quantity.value, 0.0)
    rows = np.arange(len(names))
    axes.barh(rows, lengths, color=_COLOURS[: len(names)], height=0.65)
    for k in range(len(names)):
        difference = difference_text(quantity, k) if k else ""
        said = value_text(quantity, k) + (f" ({difference})" if difference not in ("", "-", "differs") else "")
        axes.annotate(
            said, (max(lengths[k], 0.0), k), xytext=(4, 0), textcoords="offset points", va="center", fontsize=9
        )
    axes.set_yticks(rows, [textwrap.shorten(name, _LONGEST_NAME, placeholder="...") for name in names])
    axes.invert_yaxis()
    axes.set_xlim(min(lengths.min(), 0.0), (lengths.max() if lengths.max() > 0 else 1.0) * 1.6)
    axes.set_title(f"{quantity.name[0].upper()}{quantity.name[1:]} ({quantity.kind})", fontsize=10)
    axes.set_xlabel(quantity.unit)
