"""Paths of a batch that are early and strong enough to be kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.images import Bools, Complexes, Ints


@record
class Limits:
    """Latest and weakest echo to keep, the absorption on its way, and what may block it."""

    horizon_s: float
    least: float  # amplitude over that of the direct arrival
    loss_db_per_m: float
    hull: Hull | None


@record
class KeptPaths:
    """Paths worth keeping."""

    element: Ints  # (n,)
    order: Ints  # (n,)
    delay_s: Floats  # (n_hydrophones, n)
    amplitude: Complexes  # (n_hydrophones, n)
    exists: Bools  # (n_hydrophones, n)
    find_faces: Callable[[], NDArray[np.int8]]  # (n, largest order)


def join(parts: Sequence[KeptPaths]) -> KeptPaths:
    """Paths of several parts of a batch as one, sorted by batch element, then direct first, then mean delay."""
    element, order, delay, amplitude, exists = (
        np.concatenate([getattr(part, name) for part in parts], axis=-1) if len(parts) > 1 else getattr(parts[0], name)
        for name in ("element", "order", "delay_s", "amplitude", "exists")
    )
    heard, count = (delay, len(delay)) if exists.all() else (delay * exists, np.maximum(exists.sum(axis=0), 1))
    rank = np.where(order > 0, heard.sum(axis=0) / count, -1.0)
    alone = (element == element[:1]).all()
    sort = rank.argsort(kind="stable") if alone else np.lexsort((rank, element))

    def faces() -> NDArray[np.int8]:
        found = [part.find_faces() for part in parts]
        largest = max(part.shape[1] for part in found)
        return np.concatenate(
            [np.pad(part, ((0, 0), (0, largest - part.shape[1])), constant_values=-1) for part in found]
        )[sort]

    by_hydrophone = delay.take(sort, axis=1), amplitude.take(sort, axis=1), exists.take(sort, axis=1)
    return KeptPaths(element.take(sort), order.take(sort), *by_hydrophone, faces)
