"""The array drawn to scale in three views, with its dimensions."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from acoustics.base.frames import Floats
from acoustics.present.plot.style import DEEP, INK, SAND, STYLE, conclude
from acoustics.scene.scene import Scene

_TOO_NEAR = 0.2  # of half the view
# Body axes: x forward, y starboard, z down. Each view names what points right and what points up.
_VIEWS = (
    ("From above", 1, 0, "y starboard [mm]", "x forward [mm]", False),
    ("From starboard", 0, 2, "x forward [mm]", "z down [mm]", True),
    ("From behind", 1, 2, "y starboard [mm]", "z down [mm]", True),
)


def array_views(scene: Scene) -> Figure:
    """Hydrophones from above, from starboard and from behind, about the array's centre, all on one scale."""
    positions = 1e3 * scene.array.positions_m
    centre = (positions.min(axis=0) + positions.max(axis=0)) / 2
    half = 0.75 * max(float(np.ptp(positions, axis=0).max()), 1.0)
    with rc_context(STYLE):
        figure = Figure(figsize=(8.0, 3.8), layout="constrained")
        for axes, view in zip(figure.subplots(1, 3), _VIEWS, strict=True):
            _view(axes, scene, positions, centre, half, view)
        names = ", ".join(f"{k} {h.name}" for k, h in enumerate(scene.array.hydrophones, 1))
        key = textwrap.fill(f"{names}. Shaded: the hull's box.", 110)
        figure.supxlabel(key, x=0.01, ha="left", fontsize=9)
        conclude(figure, f"{scene.array.name} spans {scene.array.observes}.")
        return figure


def _view(
    axes: Axes,
    scene: Scene,
    positions: Floats,
    centre: Floats,
    half: float,
    view: tuple[str, int, int, str, str, bool],
) -> None:
    title, right, up, x_label, y_label, downwards = view
    hull = 1e3 * np.array(scene.vehicle.hull_m)
    corner = (-hull[right] / 2, -hull[up] / 2)
    axes.add_patch(Rectangle(corner, hull[right], hull[up], fc=SAND, ec="none", alpha=0.35, zorder=0))
    axes.plot(positions[:, right], positions[:, up], "o", ls="", ms=8, mfc="white", mec=DEEP, mew=2, zorder=5)
    groups = _together(positions[:, [right, up]], _TOO_NEAR * half)
    for (x, y), numbers in groups:
        # Above, or below where the label of a place to the left would reach as far.
        taken = any(0 < x - other[0] < half and abs(y - other[1]) < _TOO_NEAR * half for other, _ in groups)
        axes.annotate(
            ", ".join(map(str, numbers)),
            (x, y),
            xytext=(7, -14 if taken else 6),
            textcoords="offset points",
            fontsize=9,
            bbox={"fc": "white", "ec": "none", "alpha": 0.75, "pad": 0.5},
            zorder=6,
        )
    spans = [np.ptp(positions[:, axis]) for axis in (right, up)]
    axes.set(
        title=title,
        xlabel=f"{x_label}\nspan {spans[0]:.4g}",
        ylabel=f"{y_label}\nspan {spans[1]:.4g}",
        xlim=(centre[right] - half, centre[right] + half),
        ylim=(centre[up] + half, centre[up] - half) if downwards else (centre[up] - half, centre[up] + half),
        aspect="equal",
    )
    axes.locator_params(nbins=5)
    axes.grid(color=INK, alpha=0.12, lw=0.6)


def _together(places: Floats, reach: float) -> list[tuple[Floats, list[int]]]:
    """Numbers, counted from one, of places too near each other for a label each, with the place of the first."""
    groups: list[tuple[Floats, list[int]]] = []
    for number, place in enumerate(places, 1):
        near = [numbers for first, numbers in groups if np.hypot(*(place - first)) < reach]
        if near:
            near[0].append(number)
        else:
            groups.append((place, [number]))
    return groups
