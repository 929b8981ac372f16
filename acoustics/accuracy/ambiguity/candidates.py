"""Sets of cycle errors worth a look, and what shifts of the delays do to them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity.lattice import coefficients
from acoustics.accuracy.ambiguity.mistakes import IMPOSSIBLE_DISTANCE, Rivals, beyond_the_surface
from acoustics.accuracy.ambiguity.model import CycleModel
from acoustics.base.frames import Floats, direction, length
from acoustics.base.record import record
from acoustics.physics.lattice_reduction import reduced_basis

Rows = NDArray[np.intp]
_SETS_OF_NOISE, _OTHER_NOISE = 8, np.deg2rad(15.0)


@record
class Towards:
    """Directions (rows) in which some arrays of a model hear a pinger, and by how much its delays are shifted.

    Attributes
    ----------
    of_array : ndarray of int, shape (n_rows,)
        Number of the array.
    bearing, depression : ndarray, shape (n_rows,)
        [rad].
    shift_cycles : dict of str to ndarray, shape (n_rows, m)
        Of the carrier's delays and of the envelope's, against hydrophone 0 [periods], by the names under which
        `integer_ambiguity` takes them; one that is not there is none.
    """

    of_array: Rows
    bearing: Floats
    depression: Floats
    shift_cycles: dict[str, Floats]

    @property
    def unit(self) -> Floats:
        """To the pinger, (n_rows, 3)."""
        return direction(self.bearing, self.depression)

    @property
    def of_noise(self) -> Rows:
        """Which set of noise is for the direction, (n_rows,): always the same, so that arrays can be compared, and
        another one for its neighbours, so that what is rare in one set averages out all round."""
        return np.rint(self.bearing / _OTHER_NOISE).astype(np.intp) % _SETS_OF_NOISE

    def part(self, rows: slice) -> tuple[Rows, Towards]:
        """Some of the rows, and the numbers of the arrays that they are of, which are counted anew in them."""
        used, of_used = np.unique(self.of_array[rows], return_inverse=True)
        shift = {name: value[rows] for name, value in self.shift_cycles.items()}
        return used, Towards(of_used, self.bearing[rows], self.depression[rows], shift)


@record
class CandidateSets:
    """Opposites stand one half after the other.

    Attributes
    ----------
    combinations : ndarray of int, shape (n_candidates, m)
        Of the vectors of the basis.
    parity : ndarray of int, shape (n_candidates / 2,)
        Class, as `coefficients` has it.
    basis : ndarray, shape (n_arrays, m, m)
        Its columns are cycles.
    vectors : ndarray, shape (n_arrays, n_candidates, m)
        The sets in coordinates in which the noise is standard normal.
    own_cosines : ndarray, shape (n_rows, r)
        Where the right set puts the direction, but for noise.
    cosines : ndarray, shape (n_rows, n_candidates, r)
        Where the others do.
    rivals : Rivals
    """

    combinations: NDArray[np.int64]
    parity: NDArray[np.int64]
    basis: Floats
    vectors: Floats
    own_cosines: Floats
    cosines: Floats
    rivals: Rivals

    @classmethod
    def of(cls, model: CycleModel, towards: Towards) -> CandidateSets:
        combinations, parity = coefficients(model.metric.shape[-1])
        basis, at = reduced_basis(model.metric), towards.of_array
        root = np.linalg.cholesky(np.swapaxes(basis, -1, -2) @ model.metric @ basis)
        vectors = combinations @ root
        own = np.einsum("bij,bj->bi", model.axes[at, : model.rank], towards.unit)
        moved = np.zeros((1, basis.shape[-1]))
        for name, cosines_per_cycle, metric in (
            ("carrier_shift_s", model.cosines_per_cycle, model.metric),
            ("envelope_shift_s", model.cosines_per_envelope, model.metric_by_envelope),
        ):
            if name in towards.shift_cycles:
                shift = towards.shift_cycles[name][..., None]
                own = own + (cosines_per_cycle[at] @ shift)[..., 0]
                along = np.swapaxes(basis[at], -1, -2) @ (metric[at] @ shift)
                moved = moved + np.linalg.solve(root[at], along)[..., 0]
        near = np.linalg.norm(vectors, axis=-1).min(axis=0)
        keep = (near < IMPOSSIBLE_DISTANCE + 2 * length(moved).max()) | (near == near.min())
        vectors, combinations, parity = vectors[:, keep], combinations[keep], parity[keep]
        combinations = np.concatenate([combinations, -combinations])
        vectors = np.concatenate([vectors, -vectors], axis=1)
        change = combinations @ np.swapaxes(model.cosines_per_cycle @ basis, -1, -2)
        cosines = own[:, None, :] + change[at]
        return cls(combinations, parity, basis, vectors, own, cosines, _rivals(model, at, vectors, own, cosines, moved))


def _rivals(model: CycleModel, at: Rows, vectors: Floats, own: Floats, cosines: Floats, moved: Floats) -> Rivals:
    """`moved`, (n_rows or 1, m): the shifts, as `vectors` are given."""
    distance, covariance = np.linalg.norm(vectors, axis=-1)[at], model.cosine_covariance[at]
    drift = np.zeros_like(distance)
    if moved.any():
        np.divide((vectors[at] @ moved[..., None])[..., 0], distance, out=drift, where=distance > 0)
    own_excess, own_slope = (part[:, 0] for part in beyond_the_surface(own[:, None, :], covariance))
    return Rivals(distance, drift, *beyond_the_surface(cosines, covariance), own_excess, own_slope)
