"""Figures as SVG that lives inside the page: names of its own, colours of the page, text as text."""

from __future__ import annotations

import re

from markupsafe import Markup, escape
from matplotlib.figure import Figure

from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, PAPER, SAND, svg_file

_COLOURS = {INK: "--ink", DEEP: "--deep", EMBER: "--ember", MOSS: "--moss", SAND: "--sand", PAPER: "--paper"}
_PAGE_IN = 9.0  # wider figures keep their lettering legible by scrolling
_HEAD = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)


def inline_svg(figure: Figure, key: str, alt: str) -> Markup:
    """The figure as an SVG element with an alternative text; `key` makes its ids its own.

    Every text in it comes through matplotlib, which escapes it.
    """
    size = "broad" if figure.get_figwidth() > _PAGE_IN else "narrow"
    svg = _METADATA.sub("", _HEAD.sub("", svg_file(figure).decode()))
    svg = re.sub(r'(<svg\b[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg\b[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r' xmlns(:\w+)?="[^"]*"| version="[^"]*"', "", svg)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{key}-\1"', svg)
    svg = re.sub(r'(xlink:)?href="#([^"]+)"', rf'href="#{key}-\2"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{key}-\1)", svg)
    # Black is matplotlib's own for text and ticks, and the default of SVG where nothing is said.
    svg = svg.replace("<svg ", f'<svg class="{size}" fill="var(--ink)" role="img" aria-label="{escape(alt)}" ', 1)
    for colour, name in {**_COLOURS, "#000000": "--ink", "white": "--paper"}.items():
        svg = re.sub(rf"(?<=[: ]){re.escape(colour)}(?=[;\"])", f"var({name})", svg)
    return Markup(svg.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif"))
