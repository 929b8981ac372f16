"""Sets of cycle errors that an array is most likely to make: short vectors of an integer lattice."""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]

# Widest coefficient on each vector of a reduced basis, by the number of delays: a few thousand vectors each.
_REACH = {1: 30, 2: 12, 3: 6, 4: 3, 5: 2, 6: 1, 7: 1}
LARGEST_DIMENSION = max(_REACH)


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
