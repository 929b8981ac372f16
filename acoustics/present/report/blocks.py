"""What a section of the page is made of; the template knows each kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from typing import Any

from markupsafe import Markup
from matplotlib.figure import Figure

from acoustics.base.record import record
from acoustics.present.report.figures import inline_svg
from acoustics.present.text.tables import Rows


@record
class Block:
    """One piece of a section. `kind` is text, list, glance, table, figure, caution, code or live."""

    kind: str
    text: str = ""
    entries: Sequence[Any] = ()
    header: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    name: str = ""
    caption: str = ""
    svg: Markup = field(default_factory=Markup)
    data: Markup = field(default_factory=Markup)


@record
class Section:
    """A heading, the key of its anchor, and what stands under it."""

    key: str
    title: str
    blocks: Sequence[Block]


def text(*paragraphs: str) -> list[Block]:
    """Paragraphs, without the marks that a terminal's text has."""
    return [Block("text", text=paragraph.removeprefix("* ").replace("`", "")) for paragraph in paragraphs]


def table_block(rows: Rows, caption: str) -> Block:
    """A table; its caption says what it shows and whether bound or simulation."""
    # A number and its % stay on one line.
    held = [[cell.replace(" %", "\N{NO-BREAK SPACE}%") for cell in row] for row in rows[1]]
    return Block("table", header=rows[0], rows=held, caption=caption)


def figure_block(figure: Figure, key: str, *, name: str, alt: str, caption: str) -> Block:
    """A figure: `alt` for those who do not see it, `caption` what to conclude."""
    return Block("figure", svg=inline_svg(figure, key, alt), name=name, caption=caption)
