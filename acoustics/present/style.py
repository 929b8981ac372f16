"""One look for every figure: type scale, palette and page sizes, readable in grey and by the colour-blind."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acoustics.errors import ParameterError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Dark to light in this order also in grey; line styles differ wherever two of them meet.
INK, DEEP, EMBER, MOSS, SAND = "#1b1f24", "#123f5a", "#c8501e", "#6f9a3c", "#b9b2a3"
PAPER = "#ffffff"

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 10,
    "axes.titlesize": 11,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 10,
    "axes.edgecolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.labelsize": 9,
    "ytick.labelsize": 9,
    "legend.fontsize": 9,
    "legend.frameon": False,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.fonttype": "none",
    "svg.hashsalt": "pingfix",
}


def check_picture_name(path: Path) -> str:
    """Format of a picture by its suffix.

    Raises
    ------
    ParameterError
        If the suffix is neither .png nor .svg.
    """
    suffix = path.suffix.lower().removeprefix(".")
    if suffix not in ("png", "svg"):
        raise ParameterError(f"{path}: a picture's name must end in .png or .svg")
    return suffix


def picture_bytes(figure: Figure, kind: str) -> bytes:
    """A figure as PNG or SVG; the same figure gives the same bytes."""
    buffer = io.BytesIO()
    metadata = {"Date": None} if kind == "svg" else None
    figure.savefig(buffer, format=kind, dpi=150, metadata=metadata)
    return buffer.getvalue()
