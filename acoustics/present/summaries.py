"""The pool map as text for the terminal: quantiles, then sentences."""

from __future__ import annotations

import numpy as np

from acoustics.present.tables import number, table
from acoustics.study.pool_map import PoolMap


def map_text(result: PoolMap) -> str:
    """The answer of `pingfix map`: quantiles over the cells."""
    names = {
        "bearing_deg": "bearing error, deg (bound)",
        "position_m": "horizontal position error, m (bound)",
        "simulated_m": "horizontal position error, m (simulated)",
        "refused": "share of pings without a fix (simulated)",
    }
    rows = [(names[name], *(number(v) for v in values)) for name, values in result.quantiles.items()]
    wet = int(np.isfinite(result.clean_window_s).sum())
    lines = [
        f"{result.title}: {result.array}, {result.pinger}; vehicle {result.depth_m:g} m deep, heading "
        f"{result.heading_deg:g} deg; {wet} cells, {result.trials} simulated pings in each (seed {result.seed})",
        "",
        table(("over the cells", "median", "90 %", "95 %"), rows),
        *_agreement_text(result),
        "",
        "One ping, cycle resolved, pinger's depth known to study.pinger_depth_sd_m. Echoes shorten the part of the",
        "burst that counts; what they do inside it is not modelled here. 'none': not observable from there.",
    ]
    return "\n".join(lines)


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
