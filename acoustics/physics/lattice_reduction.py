"""Short bases of the lattice of whole cycles: what bounds and estimators of carrier phase search in."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats

# Lovasz's constant; nearer to 1 is a shorter basis for more swaps. Swaps grow with the logarithm of the
# condition.
_LOVASZ, _MOST_SWAPS = 0.99, 1000


def reduced_basis(metric: Floats) -> Floats:
    """Basis of the integer lattice whose vectors are short in a metric (Lenstra, Lenstra & Lovasz 1982),
    batched.

    Parameters
    ----------
    metric : ndarray, shape (n_batch, m, m)
        Positive definite, in any unit [1]; the squared length of an integer vector k is ``k^T metric k``.

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
