"""Numbers as options take them: finite ones."""

from __future__ import annotations

import math
from typing import Any

import click


class FloatRange(click.FloatRange):
    """Numbers between two limits. Those of click let "nan" through, which is neither below nor above any."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number; refused where it is outside or not finite."""
        return _finite(self, super().convert(value, param, ctx), param, ctx)


class _Finite(click.types.FloatParamType):
    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return _finite(self, super().convert(value, param, ctx), param, ctx)


FINITE = _Finite()


def _finite(kind: click.ParamType, number: float, param: click.Parameter | None, ctx: click.Context | None) -> float:
    if not math.isfinite(number):
        kind.fail(f"{number} is not a finite number", param, ctx)
    return number
