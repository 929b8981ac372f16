"""The shipped arrays put into a mounting, as they are and scaled: what a search has to beat."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.scene.scenario import load_array, shipped
from acoustics.study.place.criterion import Criterion
from acoustics.study.place.regions import all_corners, fits, scattered
from acoustics.study.place.search import Found, best_of

_SCALES, _ANCHORS, _TRIED = 40, 60, 6
_SEED = 0  # of the places that an array is tried at; they are no part of the answer


@record
class Alternative:
    """A shipped array in the mounting; `found` is None where it does not fit."""

    name: str
    n_hydrophones: int
    scale: float
    found: Found | None


def alternatives(criterion: Criterion, limit: float) -> tuple[tuple[Alternative, Alternative], ...]:
    """Every shipped array with the best of its places: as it is, and at its best scale.

    Parameters
    ----------
    criterion : Criterion
        Its mounting says where an array can be put; arrays are moved and scaled, not turned.
    limit : float
        Of the probability of a wrong cycle.
    """
    return tuple(
        (_as_it_is(name, shape, criterion, limit), _scaled(name, shape, criterion, limit))
        for name, shape in ((name, load_array(name).positions_m) for name in shipped("arrays"))
    )


def _as_it_is(name: str, shape_m: Floats, criterion: Criterion, limit: float) -> Alternative:
    return Alternative(name, len(shape_m), 1.0, best_of(criterion, _placed(shape_m, criterion), limit))


def _scaled(name: str, shape_m: Floats, criterion: Criterion, limit: float) -> Alternative:
    mounting = criterion.mounting
    first, second = np.triu_indices(len(shape_m), k=1)
    shortest = float(np.linalg.norm(shape_m[first] - shape_m[second], axis=-1).min())
    extent = np.ptp(shape_m, axis=0)
    room = np.divide(np.ptp(all_corners(mounting), axis=0), extent, out=np.full(3, np.inf), where=extent > 1e-9).min()
    least = mounting.minimum_spacing_m / shortest
    if room < least:
        return Alternative(name, len(shape_m), float(room), None)
    scales = np.unique(np.append(np.geomspace(least, room, _SCALES), 1.0 if least <= 1 <= room else least))
    placed = [_placed(scale * shape_m, criterion) for scale in scales]
    found = best_of(criterion, np.concatenate(placed), limit)
    if found is None:
        return Alternative(name, len(shape_m), float(room), None)
    scale = np.ptp(found.hydrophones_m, axis=0).max() / extent.max()
    return Alternative(name, len(shape_m), float(scale), found)


def _placed(shape_m: Floats, criterion: Criterion) -> Floats:
    """Where the array fits, shape (n_places, n_hydrophones, 3): in the middle of a region, or about."""
    mounting = criterion.mounting
    middles = np.array([r.corner + r.edges.sum(axis=0) / 2 for r in mounting.regions])
    pool = np.concatenate([middles, scattered(mounting, _ANCHORS, np.random.default_rng(_SEED))])
    arrays = pool[:, None] + shape_m - (shape_m.min(axis=0) + shape_m.max(axis=0)) / 2
    # Without bodies in the way one place is as good as another.
    return arrays[fits(mounting, arrays)][: _TRIED if mounting.shadows else 1]
