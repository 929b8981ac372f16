"""Templates of the pages; what comes from files is escaped."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template


@cache
def template(name: str) -> Template:
    """One of the templates beside this module."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    return environment.get_template(name)
