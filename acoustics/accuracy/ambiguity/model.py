"""Linear model of carrier and envelope delays in the direction cosines along the axes that an array
observes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, bearing_and_depression, length, wrap_angle
from acoustics.base.record import record
from acoustics.physics.tdoa import difference_matrix

# A spread below this part of the widest is no dimension of the array (as in `array_rank`).
_RANK_TOLERANCE = 1e-3
# Standard deviations in cycles beyond these change nothing about the ambiguity, but spoil the arithmetic.
_LEAST_CYCLES, _MOST_CYCLES = 1e-4, 30.0


@record
class CycleModel:
    """What arrays (first axis) can and cannot tell apart; m delays against hydrophone 0, r axes.

    Attributes
    ----------
    axes : ndarray, shape (n_arrays, 3, 3)
        Orthonormal rows, the r observed ones first.
    rank : int
        r: 1 a line, 2 a plane, 3 a volume.
    metric : ndarray, shape (n_arrays, m, m)
        The squared distance of cycle errors k from none is ``k^T metric k``, in standard deviations.
    cosines_per_cycle : ndarray, shape (n_arrays, r, m)
        Change of the direction cosines for each cycle of error.
    metric_by_envelope : ndarray, shape (n_arrays, m, m)
        Where carrier and envelope are off by c and e cycles of their own accord, the squared distance of cycle errors k
        changes by ``2 k^T (metric c + metric_by_envelope e)``.
    cosines_per_envelope : ndarray, shape (n_arrays, r, m)
        Change of the direction cosines for each cycle by which the envelope's delays are off.
    cosine_covariance : ndarray, shape (n_arrays, r, r)
        Of the direction cosines from carrier and envelope together, the cycles being right.
    """

    axes: Floats
    rank: int
    metric: Floats
    cosines_per_cycle: Floats
    metric_by_envelope: Floats
    cosines_per_envelope: Floats
    cosine_covariance: Floats

    def of(self, arrays: NDArray[np.int64]) -> CycleModel:
        """The same for some of the arrays, by their numbers."""
        return CycleModel(
            self.axes[arrays],
            self.rank,
            self.metric[arrays],
            self.cosines_per_cycle[arrays],
            self.metric_by_envelope[arrays],
            self.cosines_per_envelope[arrays],
            self.cosine_covariance[arrays],
        )


def cycle_model(
    points_m: Floats,
    speed_m_s: Floats,
    period_s: Floats,
    carrier_s2: Floats,
    envelope_s2: Floats,
    common_s2: Floats | None = None,
) -> CycleModel:
    """Build the model for arrays of the same rank; the first axis of every argument counts the arrays.

    Notes
    -----
    With covariance F of the carrier's delays, C of the envelope's and A of what moves both alike: the difference of the
    two has covariance F + C, a wrong cycle k and no direction in it. Their mean, weighted by K = C (F + C)^-1 for the
    carrier, has covariance V = C (F + C)^-1 F, and V + A about the delays of a plane wave, of derivative G by the
    direction cosines. It is independent of the difference, so the least joint misfit of k over all directions is
    ``T^2 k^T ((F + C)^-1 + K^T R K) k``, with R = W - W G (G^T W G)^-1 G^T W and W = (V + A)^-1.
    """
    n = points_m.shape[-2]
    centred = points_m - points_m.mean(axis=-2, keepdims=True)
    _, spread, axes = np.linalg.svd(centred, full_matrices=True)
    ranks = np.unique((spread > _RANK_TOLERANCE * spread[:, :1]).sum(axis=-1))
    if len(ranks) != 1 or ranks[0] == 0:
        found = " and ".join(str(r) for r in ranks)
        raise ParameterError(
            f"hydrophones_m spans {found} dimensions: a batch must be all lines, all planes or all volumes"
        )
    rank = int(ranks[0])
    d = difference_matrix(n)
    period = period_s[:, None, None]
    least, most = ((cycles * period_s[:, None]) ** 2 for cycles in (_LEAST_CYCLES, _MOST_CYCLES))
    fine, coarse = (d @ (np.clip(v, least, most)[..., None] * d.T) for v in (carrier_s2, envelope_s2))
    g = -(d @ points_m @ np.swapaxes(axes[:, :rank], -1, -2)) / speed_m_s[:, None, None]
    apart = np.linalg.inv(fine + coarse)
    of_carrier = coarse @ apart
    spread = of_carrier @ fine
    if common_s2 is not None:
        spread = spread + d @ (np.minimum(common_s2, most)[..., None] * d.T)
    weight = np.linalg.inv(spread)
    weighed = weight @ g
    covariance = np.linalg.inv(np.swapaxes(g, -1, -2) @ weighed)
    cosines = covariance @ np.swapaxes(weighed, -1, -2)
    residual = period**2 * np.swapaxes(of_carrier, -1, -2) @ (weight - weighed @ cosines)
    metric = period**2 * apart + residual @ of_carrier
    of_envelope = np.eye(n - 1) - of_carrier
    return CycleModel(
        axes,
        rank,
        0.5 * (metric + np.swapaxes(metric, -1, -2)),
        period * cosines @ of_carrier,
        residual @ of_envelope - period**2 * apart,
        period * cosines @ of_envelope,
        covariance,
    )


def bearing_change(cosines: Floats, axes: Floats, bearing: Floats, depression: Floats, unit: Floats) -> Floats:
    """Bearing that direction cosines stand for, less the true bearing [rad].

    A plane's direction is taken on the true side of its plane. A line's is the nearer of the two with the
    true depression.

    Parameters
    ----------
    cosines : ndarray, shape (n_rows, n_candidates, r)
    axes : ndarray, shape (n_rows, 3, 3)
    bearing, depression : ndarray, shape (n_rows,)
    unit : ndarray, shape (n_rows, 3)
        The true direction.
    """
    rank = cosines.shape[-1]
    scale = length(cosines)[..., None]
    scale = np.maximum(scale, 1e-12 if rank == 3 else 1.0)
    inside = cosines / scale
    if rank == 1:
        axis, b, d = axes[:, 0], bearing[:, None], depression[:, None]
        along = np.arctan2(axis[:, 1], axis[:, 0])[:, None]
        reach = np.hypot(axis[:, 0], axis[:, 1])[:, None] * np.cos(d)
        cosine = (inside[..., 0] - axis[:, 2:] * np.sin(d)) / np.maximum(reach, 1e-9)
        off = np.arccos(np.clip(cosine, -1.0, 1.0))
        side = np.where(wrap_angle(b - along) < 0, -1.0, 1.0)
        return np.where(reach > 1e-9, wrap_angle(along + side * off - b), 0.0)
    vector = inside @ axes[:, :rank]
    if rank == 2:
        side = np.where(np.einsum("bi,bi->b", axes[:, 2], unit) < 0, -1.0, 1.0)
        height = side[:, None] * np.sqrt(np.maximum(1.0 - np.sum(inside**2, axis=-1), 0.0))
        vector = vector + height[..., None] * axes[:, None, 2]
    return wrap_angle(bearing_and_depression(vector)[0] - bearing[:, None])
