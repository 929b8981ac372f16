"""Places that fit, weighed over two hypotheses: that the site sketch is right, and that its faces are anywhere near."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.mixtures import share_beyond
from acoustics.base.record import record
from acoustics.estimate.echoes.fit import Modes, position_of, variance_scale
from acoustics.estimate.echoes.paths import DEPTH, FACES, SiteKnowledge, X, Y
from acoustics.io.echo_fix import FAR_M

# Of sketches, before anything is heard: a guess. Echoes of the half-wave array hardly tell a wall 0.3 m off: of 30
# simulated pings with one 95 % regions held the truth in 77 % with 0.1 here, in 87 % with 0.3, an eighth wider.
WRONG_SKETCH = 0.3
_LOOSE_SD_M = 0.3  # of floor and walls where the sketch is wrong
_LEAST_PROBABILITY = 1e-3
_BEYOND_SD = 2.0  # where place and face are known so well, a place so far behind it is not in the water


@record
class Places:
    """Places that fit by either hypothesis, the most probable first.

    Parameters
    ----------
    position_m, covariance_m2 : ndarray, shape (n, 3) and (n, 3, 3)
        Site frame [m].
    by_errors_m : ndarray, shape (n, n_errors, 2)
        As of `EchoMode`.
    probability : ndarray, shape (n,)
        Adds up to 1.
    wrong_sketch : float
        Probability that the sketch is wrong [1].
    far : float
        Probability that the pinger is over `FAR_M` from the first place on the map [1].
    """

    position_m: Floats
    covariance_m2: Floats
    by_errors_m: Floats
    probability: Floats
    wrong_sketch: float
    far: float


def loosened(known: SiteKnowledge) -> SiteKnowledge:
    """The same, with the places of floor and walls known to `_LOOSE_SD_M` only."""
    return replace(known, faces_sd=np.where(is_tilt(known), known.faces_sd, np.maximum(known.faces_sd, _LOOSE_SD_M)))


def is_tilt(known: SiteKnowledge) -> np.ndarray:
    """Which of the faces' parameters are slopes, shape (n_face_parameters,)."""
    return np.array([name.startswith("floor_slope") for name in known.faces.parameters], dtype=bool)


def with_faces_of(known: SiteKnowledge, other: SiteKnowledge, state: Floats) -> Floats:
    """States of one knowledge as states of another, whose faces have other standard deviations."""
    at = slice(FACES, FACES + len(known.faces_sd))
    meant = np.array(state)
    meant[:, at] *= np.divide(
        known.faces_sd, other.faces_sd, out=np.ones(len(known.faces_sd)), where=other.faces_sd > 0
    )
    return meant


def weighed(known: SiteKnowledge, modes: Modes, loose: SiteKnowledge, free: Modes) -> Places:
    """The modes by the sketch and those of the loosened one, `free`, as one posterior of places in the water.

    The evidence is that of errors a few times smaller than those of real paths: what widens the variances by
    `variance_scale` divides its logarithm (a power posterior: A. Bhattacharya, D. Pati and Y. Yang, Ann. Statist. 47,
    39-66 (2019)).
    """
    scale = variance_scale(known)
    right = np.log1p(-WRONG_SKETCH) + modes.log_evidence / scale
    log_weight = np.concatenate([right, np.log(WRONG_SKETCH) + free.log_evidence / scale])
    places = zip(position_of(known, modes), position_of(loose, free), strict=True)
    place, covariance = (np.concatenate(pair) for pair in places)
    by_errors = np.concatenate([position_by_errors(known, known, modes), position_by_errors(known, loose, free)])
    n = len(modes.log_evidence)
    parts = (known, slice(n)), (loose, slice(n, None))
    behind = np.concatenate([behind_faces(knowledge, place[part], covariance[part]) for knowledge, part in parts])
    dry = np.asarray(behind.any(axis=-1))
    log_weight[dry & ~dry.all()] = -np.inf  # before the best is made 1: beside it all others may be 0
    weight = np.exp(log_weight - log_weight.max())
    wrong = float(weight[n:].sum() / weight.sum())
    rows = np.argsort(-weight, kind="stable")
    rows = rows[weight[rows] >= _LEAST_PROBABILITY * weight.sum()]
    place, covariance, weight = place[rows], covariance[rows], weight[rows] / weight[rows].sum()
    far = share_beyond(FAR_M, place[0, :2], place[:, :2], covariance[:, :2, :2], weight)
    return Places(place, covariance, by_errors[rows], weight, wrong, far)


def behind_faces(known: SiteKnowledge, position_m: Floats, covariance_m2: Floats) -> np.ndarray:
    """Behind which faces places (n, 3) lie by more than place and face may be off, shape (n, n_faces)."""
    faces = known.faces
    by_faces = (np.moveaxis(faces.normals_by @ position_m.T, -1, 0) - faces.offsets_by) * known.faces_sd[:, None]
    of_place = np.einsum("fi,nij,fj->nf", faces.normals, covariance_m2, faces.normals)
    sd = np.sqrt(of_place + np.sum(by_faces**2, axis=1))
    return np.asarray(position_m @ faces.normals.T - faces.offsets_m < -_BEYOND_SD * sd)


def position_by_errors(known: SiteKnowledge, own: SiteKnowledge, modes: Modes) -> Floats:
    """How far x and y of modes by a knowledge `own` are off with each error, of one standard deviation by `known`.

    Shape (n, n_errors, 2) [m], see `EchoMode`. An estimate that weighs errors by their priors keeps of each what the
    samples do not tell, and its covariance with the posterior's error says how much: with ``y = X s + N e + n``, priors
    of unit variance and ``P = cov(s)``, s errs by ``P X' C^-1 N (N' C^-1 N + 1)^-1 e = -cov(s, e) e``.
    """
    scale = np.ones(modes.state.shape[1])
    at = slice(FACES, FACES + len(known.faces_sd))
    scale[at] = np.divide(known.faces_sd, own.faces_sd, out=np.ones(len(known.faces_sd)), where=own.faces_sd > 0)
    by_errors = -modes.covariance[:, [X, Y], DEPTH:] * scale[DEPTH:]
    return np.asarray(np.swapaxes(by_errors, -1, -2))


def worst_face(known: SiteKnowledge, loose: SiteKnowledge, free: Modes) -> str:
    """Which face stands farthest off the sketch by the best mode of the loosened one, in words."""
    at = slice(FACES, FACES + len(known.faces_sd))
    offset = free.state[0, at] * loose.faces_sd
    sd = np.sqrt(variance_scale(known) * np.diag(free.covariance[0])[at]) * loose.faces_sd
    pull = np.where(is_tilt(known), 0.0, np.abs(offset) / np.sqrt(known.faces_sd**2 + sd**2))
    worst = int(np.argmax(pull))
    return f"{known.faces.parameters[worst].replace('_', ' ')} is off by {offset[worst]:+.2f} m, +-{sd[worst]:.2f}"
