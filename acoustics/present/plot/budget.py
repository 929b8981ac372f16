"""The picture of `pingfix budget`: what each error contributes, largest first, and the total with it halved."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from acoustics.base.record import record
from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, SAND, STYLE, conclude
from acoustics.present.text.budget import budget_headline
from acoustics.present.text.tables import number
from acoustics.study.budget import Budget

_LEAST_SHARE = 1e-3  # of the total: a bar below it could not be seen
# Colour and hatch of what the team can change, what it cannot, biases and rounding.
_OURS, _GIVEN, _BIAS, _ROUNDING = (DEEP, ""), (SAND, ""), (EMBER, "///"), (MOSS, "...")


@record
class _Bar:
    name: str
    value: float
    halved: float
    look: tuple[str, str]


def budget_plot(result: Budget) -> Figure:
    """Horizontal bars, one panel for the bearing and one for the position, each sorted by size."""
    looks = {"bias": _BIAS, "rounding": _ROUNDING}
    panels = [
        (
            "Bearing in the site frame",
            "deg",
            result.bearing_deg,
            [
                _Bar(c.name, c.bearing_deg, c.bearing_halved_deg, looks.get(c.kind, _OURS if c.changeable else _GIVEN))
                for c in result.contributions
            ],
        ),
        (
            "Horizontal position from one ping",
            "m",
            result.position_m,
            [
                _Bar(c.name, c.position_m, c.position_halved_m, looks.get(c.kind, _OURS if c.changeable else _GIVEN))
                for c in result.contributions
            ],
        ),
    ]
    shown = [_shown(bars, total) for _, _, total, bars in panels]
    rows = [max(len(bars) + 1, 3) for bars in shown]
    with rc_context(STYLE | {"hatch.color": "white", "hatch.linewidth": 0.8}):
        figure = Figure(figsize=(8.0, 2.1 + 0.3 * sum(rows)), layout="constrained")
        all_axes = figure.subplots(2, 1, height_ratios=rows)
        for axes, (title, unit, total, _), bars in zip(all_axes, panels, shown, strict=True):
            _panel(axes, title, unit, total, bars)
        figure.legend(handles=_legend(shown), loc="outside lower left", ncols=2)
        conclude(figure, budget_headline(result))
        return figure


def _shown(bars: list[_Bar], total: float) -> list[_Bar]:
    """The bars that can be seen, largest first."""
    if not np.isfinite(total):
        return []
    return sorted((b for b in bars if b.value > _LEAST_SHARE * total), key=lambda b: b.value, reverse=True)


def _panel(axes: Axes, title: str, unit: str, total: float, bars: list[_Bar]) -> None:
    axes.set_title(title)
    if not np.isfinite(total):
        axes.set_axis_off()
        axes.text(0.0, 0.6, "not observed", transform=axes.transAxes)
        return
    names = ["total (bound)", *(b.name for b in bars)]
    values = [total, *(b.value for b in bars)]
    place = np.arange(len(names))
    drawn = axes.barh(place, values, color=[INK, *(b.look[0] for b in bars)], height=0.68)
    for patch, bar in zip(drawn[1:], bars, strict=True):
        patch.set_hatch(bar.look[1])
    axes.axvline(total, color=INK, lw=0.8, ls=(0, (1, 3)))
    halved = np.array([b.halved for b in bars])
    axes.plot(halved, place[1:], "D", ms=6, mfc="white", mec=INK, mew=1.2, zorder=4)
    width = 1.1 * max(values)
    for k, value in enumerate(values):
        # The number keeps clear of a diamond that stands at the end of the bar.
        near = k > 0 and -0.015 * width < halved[k - 1] - value < 0.055 * width
        start = halved[k - 1] if near else value
        axes.annotate(
            number(value),
            (start, place[k]),
            xytext=(7 if near else 4, 0),
            textcoords="offset points",
            va="center",
            fontsize=9,
            zorder=5,
            bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.5},
        )
    axes.set_yticks(place, names)
    axes.invert_yaxis()
    axes.tick_params(axis="y", length=0)
    what = "standard deviation or bias" if any(b.look == _BIAS for b in bars) else "standard deviation"
    axes.set(xlabel=f"{what} [{unit}]", xlim=(0, width))


def _legend(shown: list[list[_Bar]]) -> list[Patch | Line2D]:
    """What occurs in the picture, in words."""
    texts = {
        _OURS: "contribution that the team can change (bound)",
        _GIVEN: "contribution that it cannot change (bound)",
        _BIAS: "bias of a simpler model, not in the total",
        _ROUNDING: "avoided by interpolation, not in the total",
    }
    present = {bar.look for bars in shown for bar in bars}
    handles: list[Patch | Line2D] = [
        Patch(fc=look[0], hatch=look[1], label=text) for look, text in texts.items() if look in present
    ]
    diamond = Line2D([], [], ls="", marker="D", ms=6, mfc="white", mec=INK, mew=1.2, label="total with this one halved")
    return [*handles, diamond]
