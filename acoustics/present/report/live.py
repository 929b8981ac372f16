"""The live part of the page: its controls, and the numbers that its script works on."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from markupsafe import Markup

from acoustics.base.record import record
from acoustics.present.report.blocks import Block
from acoustics.present.text.tables import to_dict
from acoustics.study.report import LiveModel


@record
class Control:
    """A slider over the entries of a list."""

    key: str
    name: str
    last: int
    start: int


def live_block(model: LiveModel, spacing_m: float, sample_rate_hz: float) -> Block:
    """Sliders that start at the recommendation and at the scene's range and temperature."""
    values = (
        ("spacing", "Shortest baseline", model.spacing_m, spacing_m),
        ("rate", "Sample rate", model.sample_rate_hz, sample_rate_hz),
        ("range", "Range", model.range_m, model.start_range_m),
        ("temperature", "Water temperature", model.temperature_degc, model.start_temperature_degc),
    )
    controls = [
        Control(key, name, len(choices) - 1, int(np.argmin(np.abs(choices - start))))
        for key, name, choices, start in values
    ]
    return Block("live", entries=controls, data=script_data(model))


def script_data(value: Any) -> Markup:
    """JSON that may stand inside a script element: no text of it can end the element."""
    text = json.dumps(to_dict(value), allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
