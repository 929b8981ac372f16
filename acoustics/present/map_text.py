"""The pool map as text for the terminal: quantiles, then sentences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from acoustics.present.tables import Rows, number, percent, table
from acoustics.study.map_cycles import SAMPLED_CELLS
from acoustics.study.pool_map import PoolMap


def map_text(result: PoolMap) -> str:
    """The answer of `pingfix map`: quantiles over the cells."""
    wet = int(np.isfinite(result.clean_window_s).sum())
    lines = [
        f"{result.title}: {result.array}, {result.pinger}; {place_text(result)}; {wet} cells, "
        f"{result.trials} simulated pings in each (seed {result.seed})",
        "",
        table(*map_rows(result)),
        *_agreement_text(result),
        "",
        f"One ping; position {'in the site' if result.site_position else 'relative to the vehicle'}; pinger's depth "
        "known to study.pinger_depth_sd_m.",
        "Bounds and simulated fixes take the cycle as resolved; how often it is not has a row of its own, worked out",
        f"in up to {SAMPLED_CELLS} cells and interpolated. Failed: no fix, or a wrong cycle. Echoes shorten the part",
        "of the burst that counts; what they do inside it is not modelled here. 'none': not observable from there.",
    ]
    return "\n".join(lines)


def place_text(result: PoolMap) -> str:
    """What stands in the cells, how deep, and the vehicle's heading."""
    heading = "worst heading in each" if result.heading_deg is None else f"vehicle heading {result.heading_deg:g} deg"
    return f"{result.over} anywhere at {result.depth_m:g} m depth, {heading}"


def map_rows(result: PoolMap) -> Rows:
    """Quantiles over the cells."""
    names: dict[str, tuple[str, Callable[[float], str]]] = {
        "bearing_deg": ("bearing error, deg (bound)", number),
        "position_m": ("horizontal position error, m (bound)", number),
        "wrong_cycle": ("pings with a wrong cycle (predicted)", percent),
        "simulated_m": ("horizontal position error, m (simulated)", number),
        "refused": ("pings without a fix (simulated)", percent),
        "failed": ("pings that fail (simulated and predicted)", percent),
    }
    rows = [(names[key][0], *(names[key][1](v) for v in values)) for key, values in result.quantiles.items()]
    return ("over the cells", "median", "90 %", "95 %"), rows


def _agreement_text(result: PoolMap) -> list[str]:
    ratio = result.simulated_over_bound
    if ratio is None:
        return []
    cells = int(np.sum(result.refused == 0))
    return [
        "",
        f"Where every ping gave a fix ({cells} cells) the simulated error is {ratio.value:.2f} times the bound "
        f"(median, 95 % {ratio.low:.2f} to {ratio.high:.2f}).",
    ]
