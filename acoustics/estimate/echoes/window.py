"""How long to listen: until enough echoes have come to tell the place."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.estimate.echoes.baseband import TAPER_S
from acoustics.estimate.echoes.paths import SiteKnowledge, X, Y, arrival_times, path_sets, sources_m
from acoustics.estimate.echoes.search import DirectBearing

_SHARES = np.array([1.0, 1.25, 1.5, 1.75, 2.0])  # of the burst's length
_MUCH = 4 / 3
_ASKED, _MOST, _GOOD_M = 12, 0.75, 0.35  # of the best starts so many have to be known as well as this
# Of a path's length, for each bounce, and by the noise for one as loud as the direct sound.
_BOUNCE_SD_M, _EDGE_SD_M = 0.01, 0.02


def useful_window(known: SiteKnowledge, starts: Floats, bearings: tuple[DirectBearing, ...], longest_s: float) -> float:
    """How much of the samples from the onset on is used [s]: as long as the burst, or more where that tells too little.

    Echoes come when the direct sound has ended, too. Where floor and surface alone are heard within the burst, or one
    wall, or two that face each other, most of what tells the place comes later.

    Parameters
    ----------
    known : SiteKnowledge
        What the crew knows.
    starts : ndarray, shape (n, n_parameters)
        Likely places, the best first.
    bearings : tuple of DirectBearing
        What the direct sound says.
    longest_s : float
        How long the samples last [s].
    """
    sd = max((float(np.hypot(b.bearing_sd, known.pose.heading_sd)) for b in bearings), default=np.pi)
    length = known.burst.length_s
    for window in length * _SHARES:
        if window >= longest_s or np.quantile(_spread_m(known, starts[:_ASKED], sd, window), _MOST) <= _GOOD_M:
            break
    return float(min(window, max(longest_s - TAPER_S, length)))


def other_window(known: SiteKnowledge, window_s: float, longest_s: float) -> float:
    """Another part of the samples, by which a place should be the same [s]: much longer, else shorter.

    A wrong place that by chance explains the echoes up to one time does hardly so up to another.
    """
    longest = float(min(_SHARES[-1] * known.burst.length_s, longest_s - TAPER_S))
    return longest if longest > _MUCH * window_s else window_s / _MUCH


def _spread_m(known: SiteKnowledge, state: Floats, bearing_sd: float, window_s: float) -> Floats:
    """Standard deviation of the place by its paths' times alone, for each of n states [m]: a rough bound."""
    paths = path_sets(known, sources_m(known, state), window_s)
    slope = known.sound_speed_m_s * arrival_times(known, paths, state)[1].mean(axis=1)
    size = np.maximum(paths.expected, 1e-9)
    weight = 1.0 / ((_BOUNCE_SD_M * paths.bounces) ** 2 + (_EDGE_SD_M / size) ** 2)
    information = transposed(slope) @ (weight[..., None] * slope) + np.diag(known.prior)
    away = state[:, [X, Y]] - known.middle_m[:2]
    across = np.stack([-away[:, 1], away[:, 0]], axis=-1) / np.sum(away**2, axis=-1, keepdims=True) / bearing_sd
    information[:, :2, :2] += across[:, :, None] * across[:, None, :]
    covariance = np.linalg.inv(information)
    return np.sqrt(covariance[:, X, X] + covariance[:, Y, Y])
