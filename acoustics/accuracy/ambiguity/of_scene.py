"""How often the integer ambiguity of a pinger's pings is resolved wrongly at places of a scene."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.ambiguity.lattice import LARGEST_DIMENSION
from acoustics.accuracy.ambiguity.prediction import integer_ambiguity
from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.accuracy.link_budget import LinkBudget
from acoustics.base.frames import Floats, bearing_and_depression
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


def wrong_integer_probability(
    scene: Scene, pinger: Pinger, hydrophones_m: Floats, source_m: Floats, link: LinkBudget
) -> Floats:
    """Predicted probability that any hydrophone's integer is wrong, shape (...).

    Parameters
    ----------
    scene, pinger : Scene, Pinger
        For sound speed, recorder, the mounting's tolerances and the frequency.
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        In the level frame of the vehicle [m].
    source_m : ndarray, shape (..., 3)
        The pinger in that frame [m].
    link : LinkBudget
        Of the places, shape (...).

    Returns
    -------
    ndarray, shape (...)
        1 where nothing is heard; NaN for arrays of more than 8 hydrophones, for which no integers are searched.
    """
    source = np.asarray(source_m, dtype=float)
    wrong = np.ones(source.shape[:-1])
    if len(hydrophones_m) > LARGEST_DIMENSION + 1:
        return np.full_like(wrong, np.nan)
    heard = np.isfinite(link.carrier_variance_s2) & np.isfinite(link.cycle_variance_s2)
    if not heard.any():
        return wrong
    wrong[heard] = integer_ambiguity(
        hydrophones_m,
        *bearing_and_depression(source[heard]),
        scene.sound_speed_m_s,
        frequency_hz=pinger.frequency_hz,
        carrier_variance_s2=link.carrier_variance_s2[heard][:, None],
        envelope_variance_s2=link.cycle_variance_s2[heard][:, None],
        common_variance_s2=error_sizes_of(scene, pinger).channel_variance_s2(scene.sound_speed_m_s),
        with_errors=False,
    ).wrong_probability
    return wrong
