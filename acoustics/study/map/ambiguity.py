"""How likely a wrong cycle is in every cell of a map: worked out in some, interpolated between them."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION, wrong_integer_probability
from acoustics.accuracy.link_budget import LinkBudget
from acoustics.base.frames import Floats
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

SAMPLED_CELLS = 250  # each costs a millisecond or two
_NEIGHBOURS = 4
_RAREST = 1e-9  # probabilities below are shown as none


def wrong_integers_in_cells(
    scene: Scene, pinger: Pinger, hydrophones_m: Floats, source_m: Floats, link: LinkBudget
) -> Floats:
    """Predicted probability that any hydrophone's cycle is wrong, shape (n_cells,).

    Parameters
    ----------
    scene, pinger : Scene, Pinger
        For the recorder, the mounting and the frequency.
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        In the level frame of the vehicle [m].
    source_m : ndarray, shape (n_cells, 3)
        The pinger as the cells see it, in that frame [m].
    link : LinkBudget
        Of the cells, shape (n_cells,).

    Notes
    -----
    By `integer_ambiguity` in 250 of the cells, evenly picked, and between them by the normal quantile of the
    probability, weighted by the inverse square of the distance over the four nearest, in direction and level of the
    signal (6 dB count as one radian). 1 where nothing is heard, NaN for arrays of more than 8 hydrophones.
    """
    wrong = np.ones(len(source_m))
    if len(hydrophones_m) > LARGEST_DIMENSION + 1:
        return np.full(len(source_m), np.nan)
    heard = np.flatnonzero(np.isfinite(link.carrier_variance_s2) & np.isfinite(link.cycle_variance_s2))
    if heard.size == 0:
        return wrong
    from scipy.spatial import cKDTree  # here, for it takes long to load and a short command has no use for it

    level = np.log(link.carrier_variance_s2[heard]) / np.log(4.0)
    direction = source_m[heard] / np.linalg.norm(source_m[heard], axis=-1, keepdims=True)
    feature = np.column_stack([direction, level])
    # Evenly by level, as that decides most.
    order = np.argsort(level, kind="stable")
    picked = order[np.unique(np.linspace(0, heard.size - 1, min(SAMPLED_CELLS, heard.size)).astype(int))]
    at = heard[picked]
    there = LinkBudget(**{name: values[at] for name, values in vars(link).items()})
    found = wrong_integer_probability(scene, pinger, hydrophones_m, source_m[at], there)
    quantile = ndtri(np.clip(found, _RAREST, 1.0 - _RAREST))
    distance, near = cKDTree(feature[picked]).query(feature, k=np.arange(1, min(_NEIGHBOURS, picked.size) + 1))
    weight = 1.0 / (distance**2 + 1e-12)
    between = np.sum(weight * quantile[near], axis=-1) / np.sum(weight, axis=-1)
    wrong[heard] = np.where(ndtr(between) > 2 * _RAREST, ndtr(between), 0.0)
    return wrong
