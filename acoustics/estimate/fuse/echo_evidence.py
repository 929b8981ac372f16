"""Whether places by echoes may count in a run: what speaks against them before a fit, and after it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from acoustics.base.frames import Floats, wrap_angle
from acoustics.base.mixtures import credible_level_on_map
from acoustics.estimate.echoes import MOST_WRONG_SKETCH
from acoustics.estimate.fuse.echo_places import usable_echoes, wrong_sketch_probability
from acoustics.estimate.fuse.fusion import ALTERNATIVE, RANGE_UNSEEN, FusedFix
from acoustics.io.ping import Ping

_CONTRADICTED = 0.999  # of the region by bearings alone: beyond it the places by echoes are not believed


def why_no_places(pings: Sequence[Ping]) -> str:
    """Why no place by echoes of a run counts, whatever a fit with them would say; empty where they may."""
    if not any(usable_echoes(ping) for ping in pings):
        return "no ping has a place by echoes that may be used"
    wrong = wrong_sketch_probability(pings)
    if wrong > MOST_WRONG_SKETCH:
        share = "over 99 %" if wrong > 0.99 else f"{100 * wrong:.0f} %"
        return f"by all pings together the site sketch is wrong with a probability of {share}: measure it again"
    return ""


def contradicts_bearings(alone: FusedFix, with_echoes: FusedFix, last_m: Floats) -> NDArray[np.bool_]:
    """Whether positions by echoes lie beyond all that the bearings alone leave, shape (...).

    Parameters
    ----------
    alone, with_echoes : FusedFix
        Of the same runs (...), without the places by echoes and with them.
    last_m : ndarray, shape (..., 3)
        The last pose of each run [m].
    """
    batch = np.shape(alone.ok)
    found = np.zeros(batch, dtype=bool)
    for at in np.ndindex(batch):
        place = with_echoes.position_m[at]
        if np.isfinite(place).all():
            found[at] = _beyond(alone, at, place, last_m[at])
    return found


def _beyond(alone: FusedFix, at: tuple[int, ...], place_m: Floats, last_m: Floats) -> bool:
    """Whether a place (3,) lies beyond the line of bearing, or the region, of one run."""
    if alone.reason[at] == RANGE_UNSEEN:
        middle = alone.position_m[at]
        line, found = (np.arctan2(*(p - last_m)[1::-1]) for p in (middle, place_m))
        across = np.array([-np.sin(line), np.cos(line)])
        sd = np.sqrt(across @ alone.covariance_m2[at][:2, :2] @ across) / np.linalg.norm((middle - last_m)[:2])
        return bool(chdtrc(1.0, (wrap_angle(found - line) / sd) ** 2) < 1.0 - _CONTRADICTED)
    if not (alone.ok[at] or alone.reason[at] == ALTERNATIVE):
        return False
    there = alone.mode_weight[at] > 0
    places, spreads = alone.mode_m[at][there, :2], alone.mode_covariance_m2[at][there, :2, :2]
    return credible_level_on_map(place_m[:2], places, spreads, alone.mode_weight[at][there]) > _CONTRADICTED
