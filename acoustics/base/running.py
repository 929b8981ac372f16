"""Extremes of neighbouring values."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats


def running_minimum(values: Floats, width: int) -> Floats:
    """Least of each `width` neighbours of values (..., n), shape (..., n - width + 1); width from 1 to n.

    By spans that double, so that the work grows as the logarithm of the width.
    """
    least, span = values, 1
    while span < width:
        step = min(span, width - span)
        least = np.minimum(least[..., :-step], least[..., step:])
        span += step
    return least
