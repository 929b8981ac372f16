"""One look for every figure: type scale, palette and page sizes, readable in grey and by the colour-blind."""

from __future__ import annotations

import io
import re
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acoustics.base.errors import OutputError
from acoustics.base.files import check_free, write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# Dark to light in this order also in grey; line styles differ wherever two of them meet.
INK, DEEP, EMBER, MOSS, SAND = "#1b1f24", "#123f5a", "#c8501e", "#6f9a3c", "#b9b2a3"
PAPER = "#ffffff"
_DOTS_PER_INCH = 150
_LETTERS_PER_INCH = 11.0  # of the bold type over a figure

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 10,
    "text.parse_math": False,  # names come from files, and a $ in one is a $
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


def conclude(figure: Figure, sentence: str) -> None:
    """Put over a figure what it says, in a sentence that fits its width, no number apart from its unit."""
    width = int(_LETTERS_PER_INCH * figure.get_figwidth())
    together = re.sub(r"(?<=\d) (?=%|[a-zA-Z]{1,3}\b)", "\N{NO-BREAK SPACE}", sentence)
    figure.suptitle("\n".join(textwrap.wrap(together, width)), x=0.01, ha="left", fontsize=11, fontweight="bold")


def check_picture(path: Path, *, force: bool) -> None:
    """Refuse a picture's name before the long work, not after it.

    Raises
    ------
    OutputError
        If the suffix is neither .png nor .svg, the file exists and `force` is off, or its folder is missing.
    """
    if path.suffix.lower() not in (".png", ".svg"):
        raise OutputError(f"{path}: a picture's name must end in .png or .svg")
    check_free(path, force=force)


def write_picture(path: Path, figure: Figure, *, force: bool) -> None:
    """Write a figure as PNG or SVG by the suffix; the same figure gives the same bytes.

    Raises
    ------
    OutputError
        As `check_picture`.
    """
    check_picture(path, force=force)
    drawn = svg_file(figure) if path.suffix.lower() == ".svg" else _png(figure)
    write_file(path, drawn, force=force)


def svg_file(figure: Figure) -> bytes:
    """The figure as a whole SVG file, in which text stays text and no date stands."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.BytesIO()
    # Not by `savefig`, here and below: where places are found by a layout engine it draws every figure twice.
    FigureCanvasSVG(figure).print_svg(buffer, metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def _png(figure: Figure) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    buffer = io.BytesIO()
    figure.set_dpi(_DOTS_PER_INCH)
    FigureCanvasAgg(figure).print_png(buffer)
    return buffer.getvalue()
