"""Positions of drawn pings whose directions are told, found together by those that the same hydrophones hear.

A few fits of a position take far more steps than the others: in one batch that costs once, not for each kind of ping.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, array_rank
from acoustics.base.record import record
from acoustics.estimate.tdoa import Tdoa
from acoustics.study.draws.listener import Told


@record
class BlindBearings:
    """Draws of what comes of m pings, shape (m, n_draws).

    Attributes
    ----------
    error : ndarray
        Of the bearing [rad], NaN where none is given. Of a direction and its mirror image the nearer one counts.
    wrong_integer : ndarray of bool
        Whether the delays of the answered direction are over half a period off on some baseline.
    across_m : ndarray
        Horizontal error of the position [m], NaN where there is none.
    """

    error: Floats
    wrong_integer: NDArray[np.bool_]
    across_m: Floats


def with_positions(parts: Sequence[tuple[NDArray[np.intp], Told]], shape: tuple[int, int]) -> BlindBearings:
    """Draws (m, n_draws), of which parts are told: their numbers, ping after ping, and what; of the others nothing."""
    count = shape[0] * shape[1]
    error, across, wrong = np.full(count, np.nan), np.full(count, np.nan), np.zeros(count, dtype=bool)
    by_channels: dict[bytes, list[tuple[NDArray[np.intp], Told]]] = {}
    for rows, told in parts:
        error[rows], wrong[rows] = np.where(told.given, told.error, np.nan), told.given & told.wrong
        by_channels.setdefault(told.listener.channels.tobytes(), []).append((rows, told))
    for alike in by_channels.values():
        listener = alike[0][1].listener
        if array_rank(listener.hydrophones_m) > 1:
            rows, place, depth, delay, covariance = map(
                np.concatenate, zip(*(_decided(*part) for part in alike), strict=True)
            )
            fix = listener.positions(Tdoa(delay, covariance), depth)
            across[rows] = np.where(fix.ok, np.linalg.norm((fix.position_m - place)[..., :2], axis=-1), np.nan)
    return BlindBearings(error.reshape(shape), wrong.reshape(shape), across.reshape(shape))


def _decided(rows: NDArray[np.intp], told: Told) -> tuple[NDArray[np.intp], Floats, Floats, Floats, Floats]:
    """The draws of which a position is made: numbers, true places, depths as known, delays and their covariances."""
    those = np.flatnonzero(told.given & told.decided)
    covariance = np.broadcast_to(told.covariance_s2, (len(those), *told.covariance_s2.shape))
    return rows[those], told.place_m[those], told.depth_m[those], told.delay_s[those], covariance
