"""Directions of a ping that say the same as one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, wrap_angle
from acoustics.base.record import record
from acoustics.estimate.direction.mixture import DirectionMixture

# Nearer together than this, in standard deviations of their difference, two directions are one.
_SAME = 2.0


@record
class MergedDirection:
    """Directions that say the same as one: `members` are (vector, candidate) of a mixture, the likeliest first."""

    weight: float
    bearing: float
    depression: float
    covariance: Floats
    depression_share: float
    members: tuple[tuple[int, int], ...]


def merged_directions(mixture: DirectionMixture, least_weight: float) -> tuple[MergedDirection, ...]:
    """One ping's directions of at least some weight, those that agree within their deviations joined, the likeliest
    first.

    Mirror images stay apart, and stand next to each other.
    """
    falling = np.argsort(-mixture.weight, axis=None, kind="stable")
    falling = falling[mixture.weight.flat[falling] >= 1e-2 * least_weight]
    vector, side = np.unravel_index(falling, mixture.weight.shape)
    same = _same(mixture, vector, side)
    groups: list[list[int]] = []
    for k in range(len(falling)):
        fits = next((g for g in groups if same[g[0], k]), None)
        if fits is None:
            groups.append([k])
        else:
            fits.append(k)
    places = list(zip(vector.tolist(), side.tolist(), strict=True))
    found = [_joined(mixture, tuple(places[k] for k in group)) for group in groups]
    found.sort(key=lambda m: -m.weight)
    ordered: list[MergedDirection] = []
    while found:
        head = found.pop(0)
        mirror = (head.members[0][0], 1 - head.members[0][1])
        ordered += [head, *[m for m in found if mirror in m.members]]
        found = [m for m in found if mirror not in m.members]
    return tuple(m for k, m in enumerate(ordered) if k == 0 or m.weight >= least_weight)


def _same(mixture: DirectionMixture, vector: NDArray[np.intp], side: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of m directions agree within their deviations, shape (m, m)."""
    bearing, depression, covariance = (
        values[vector, side] for values in (mixture.bearing, mixture.depression, mixture.covariance)
    )
    turn, tilt = wrap_angle(bearing[:, None] - bearing), depression[:, None] - depression
    spread = covariance[:, None] + covariance + 1e-12 * np.eye(2)
    a, b, d = spread[..., 0, 0], spread[..., 0, 1], spread[..., 1, 1]
    near = d * turn**2 - 2.0 * b * turn * tilt + a * tilt**2 < _SAME**2 * (a * d - b**2)
    return near if mixture.observes == "volume" else near & (side[:, None] == side)


def _joined(mixture: DirectionMixture, members: tuple[tuple[int, int], ...]) -> MergedDirection:
    """One direction with the moments of its members."""
    at = tuple(np.array(members).T)
    weight = mixture.weight[at]
    share = weight / weight.sum()
    off = wrap_angle(mixture.bearing[at] - mixture.bearing[members[0]])
    middle, depression = float(share @ off), float(share @ mixture.depression[at])
    apart = np.stack([off - middle, mixture.depression[at] - depression], axis=-1)
    covariance = np.einsum("m,mij->ij", share, mixture.covariance[at] + apart[:, :, None] * apart[:, None, :])
    own = share @ (mixture.depression_share[at] * mixture.covariance[at][:, 0, 0])
    return MergedDirection(
        float(weight.sum()),
        float(wrap_angle(mixture.bearing[members[0]] + middle)),
        depression,
        covariance,
        float(own / covariance[0, 0]),
        members,
    )
