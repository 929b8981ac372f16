"""Bearing errors of pings whose cycles are wrong: the set's own jump, and the noise that made it win.

Of all noise that of a mistake is no fair sample: it is that which brings the wrong set to directions that exist, or the
right one off them. Where an array knows one direction worse than others, that noise turns the bearing as much as the
wrong cycles do.
"""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.ambiguity.candidates import CandidateSets, Rows, Towards
from acoustics.accuracy.ambiguity.mistakes import Wins, noise_of_mistakes
from acoustics.accuracy.ambiguity.model import CycleModel, bearing_change
from acoustics.base.frames import Floats


def error_of_sets(model: CycleModel, towards: Towards, sets: CandidateSets, rows: Rows, candidates: Rows) -> Floats:
    """Mean square bearing error where a set wins, shape (k,) [rad^2], for pairs of a row and a candidate, (k,) each.

    By points that have the mean and the covariance of the noise that goes with the mistake (Julier & Uhlmann 2004,
    Proc. IEEE 92:401-422, without one at the centre).
    """
    way, mean, sd = noise_of_mistakes(sets.rivals.some(rows, candidates[:, None]))
    middle = (way * mean[:, None])[:, None]
    spread = [way * sd[:, None]]
    if model.rank > 1:
        spread.append(_across(way, sets.rivals.slope[rows, candidates]))
    points = [middle + sign * np.sqrt(len(spread)) * one[:, None] for one in spread for sign in (1.0, -1.0)]
    noise = np.concatenate(points, axis=1)
    return np.mean(_bearing_errors(model, towards, sets, rows, candidates, noise) ** 2, axis=-1)


def error_by_row(model: CycleModel, towards: Towards, sets: CandidateSets, rows: Rows, wins: Wins) -> Floats:
    """Mean square bearing error [rad^2] of the `rows`, (k,), that `wins` counts; 0 where nothing does."""
    square = _bearing_errors(model, towards, sets, rows[wins.row], wins.candidate, wins.noise[:, None])[:, 0] ** 2
    total, count = (np.bincount(wins.row, weights=w, minlength=len(rows)) for w in (square, None))
    return np.divide(total, count, out=np.zeros(len(rows)), where=count > 0)


def jump(model: CycleModel, towards: Towards, sets: CandidateSets, rows: Rows, candidates: Rows) -> Floats:
    """Change of the bearing by a set without noise, shape (k,) [rad]."""
    return _bearings(model, towards, rows, sets.cosines[rows, candidates][:, None])[:, 0]


def _across(way: Floats, slope: Floats) -> Floats:
    """Unit vectors (k, r) across the others: of a plane across the slope, of a volume across both."""
    if way.shape[-1] == 2:
        return np.stack([-way[:, 1], way[:, 0]], axis=-1)
    return np.cross(way, slope)


def _bearing_errors(
    model: CycleModel, towards: Towards, sets: CandidateSets, rows: Rows, candidates: Rows, noise: Floats
) -> Floats:
    """Bearing errors (k, p) [rad] of k pairs of a row and a candidate with noise (k, p, r) of the direction cosines."""
    those, root = sets.rivals, np.linalg.cholesky(model.cosine_covariance)[towards.of_array[rows]]
    slope = those.slope[rows, candidates][:, None]
    outside = those.outside(those.excess[rows, candidates][:, None] + np.sum(slope * noise, axis=-1))
    # What does not exist is put back where its misfit grows least.
    settled = (noise - slope * outside[..., None]) @ np.swapaxes(root, -1, -2)
    return _bearings(model, towards, rows, sets.cosines[rows, candidates][:, None] + settled)


def _bearings(model: CycleModel, towards: Towards, rows: Rows, cosines: Floats) -> Floats:
    """Less the true ones, of direction cosines (k, p, r), shape (k, p) [rad]."""
    axes = model.axes[towards.of_array[rows]]
    return bearing_change(cosines, axes, towards.bearing[rows], towards.depression[rows], towards.unit[rows])
