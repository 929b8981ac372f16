"""Sets of cycle errors that an array is most likely to make: short vectors of an integer lattice."""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from acoustics.geometry import Floats

Integers = NDArray[np.int64]

# Widest coefficient on each vector of a reduced basis, by the number of delays: a few thousand vectors each.
_REACH = {1: 30, 2: 12, 3: 6, 4: 3, 5: 2, 6: 1, 7: 1}
LARGEST_DIMENSION = max(_REACH)

# Lovasz's constant; nearer to 1 is a shorter basis for more swaps. Swaps grow with the logarithm of the
# condition.
_LOVASZ, _MOST_SWAPS = 0.99, 1000


def reduced_basis(metric: Floats) -> Floats:
    """Basis of the integer lattice whose vectors are short in a metric (Lenstra, Lenstra & Lovasz 1982),
    batched.

    Parameters
    ----------
    metric : ndarray, shape (n_batch, m, m)
        Positive definite; the squared length of an integer vector k is ``k^T metric k``.

    Returns
    -------
    ndarray, shape (n_batch, m, m)
        Unimodular, whole numbers held as floats; the columns are the vectors.

    References
    ----------
    Lenstra, Lenstra & Lovasz (1982), Mathematische Annalen 261:515-534. Its use for the cycles of carrier
    phases: Teunissen (1995), Journal of Geodesy 70:65-82.
    """
    n_batch, m, _ = metric.shape
    basis = np.broadcast_to(np.eye(m), metric.shape).copy()
    active = np.arange(n_batch)
    for _ in range(_MOST_SWAPS):
        z = basis[active]
        r = np.swapaxes(np.linalg.cholesky(np.swapaxes(z, -1, -2) @ metric[active] @ z), -1, -2).copy()
        for j in range(1, m):
            for i in range(j - 1, -1, -1):
                q = np.rint(r[:, i, j] / r[:, i, i])[:, None]
                r[:, :, j] -= q * r[:, :, i]
                z[:, :, j] -= q * z[:, :, i]
        basis[active] = z
        diagonal = np.diagonal(r, axis1=-2, axis2=-1) ** 2
        above = np.diagonal(r, offset=1, axis1=-2, axis2=-1) ** 2
        swap = _LOVASZ * diagonal[:, :-1] > above + diagonal[:, 1:]
        todo = swap.any(axis=-1)
        if not todo.any():
            break
        active, first = active[todo], swap[todo].argmax(axis=-1)
        left, right = basis[active, :, first], basis[active, :, first + 1]
        basis[active, :, first], basis[active, :, first + 1] = right, left
    return basis


@lru_cache
def coefficients(m: int) -> tuple[Integers, Integers]:
    """Integer combinations of m basis vectors to look at, one of each pair of opposites, and their classes.

    Returns
    -------
    combinations : ndarray, shape (n_candidates, m)
        Sorted by class.
    parity : ndarray, shape (n_candidates,)
        Number of the class (equal coefficients modulo 2); 0 is all even. Of each other class only the shortest
        pair can bound the region in which the cycles are found rightly; the all even class never does.

    References
    ----------
    Conway & Sloane, "Sphere Packings, Lattices and Groups", chapter 21, theorem 10 (Voronoi's relevant
    vectors).
    """
    reach = range(-_REACH[m], _REACH[m] + 1)
    rows = np.array(list(product(reach, repeat=m)), dtype=np.int64)
    rows = rows[rows.shape[0] // 2 + 1 :]  # the middle is zero, and the other half is the opposites
    parity = (rows % 2) @ (1 << np.arange(m))
    order = np.argsort(parity, kind="stable")
    return rows[order], parity[order]
