"""Which station one ping would choose in every cell of a map, by the bound: in some worked out, between them not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.estimate.fuse import single_ping_posterior
from acoustics.study.map.stations import OUTCOMES, Chooser, Ints, Sights, counts_by_row, outcomes

PREDICTED_CELLS = 250  # each costs half a millisecond
_NODES = 128
_NEIGHBOURS = 4


def predicted_outcomes(chooser: Chooser, sights: Sights, heard: NDArray[np.bool_]) -> Floats:
    """Probability of each of `OUTCOMES` by the bound, shape (n_cells, 4).

    Notes
    -----
    Over 128 equally probable errors of bearing and inverse distance, normal and of the size of the bound, in 250 of the
    cells, picked evenly over the map; between them by the inverse square of the distance over the four nearest. The
    side of a line or plane of hydrophones is taken as known. Undecided where nothing is heard.
    """
    from scipy.spatial import cKDTree  # here, for it takes long to load and a short command has no use for it

    shares = np.zeros((len(heard), len(OUTCOMES)))
    shares[~heard, 3] = 1.0
    cells = np.flatnonzero(heard)
    if cells.size == 0:
        return shares
    # What sets the cells apart: where the movable one of the two stands.
    place = np.concatenate([sights.waypoints_m, sights.pingers_m], axis=-1)[cells]
    picked = cells[_evenly(place)]
    shares[picked] = _shares_over_nodes(chooser, sights.take(picked))
    distance, near = cKDTree(place[_evenly(place)]).query(place, k=np.arange(1, min(_NEIGHBOURS, picked.size) + 1))
    weight = 1.0 / (distance**2 + 1e-9)
    shares[cells] = np.einsum("nk,nkd->nd", weight, shares[picked][near]) / weight.sum(axis=-1)[:, None]
    return shares


def _evenly(places: Floats) -> Ints:
    """Some places, spread evenly: those that come first by a lattice rule over the order of their coordinates.

    The rule's generator is of Korobov's kind, from the powers of the root of x^3 = x + 1 (Roberts 2018).
    """
    if len(places) <= PREDICTED_CELLS:
        return np.arange(len(places))
    ranks = [np.unique(np.round(column, 9), return_inverse=True)[1] for column in places.T]
    varying = [rank for rank in ranks if rank.max() > 0][:2]
    score = sum(rank / 1.32471795724 ** (k + 1) for k, rank in enumerate(varying)) % 1.0
    return np.sort(np.argsort(score, kind="stable")[:PREDICTED_CELLS])


def _shares_over_nodes(chooser: Chooser, sights: Sights) -> Floats:
    n = len(sights.waypoints_m)
    k = np.arange(_NODES)
    # Equal shares of the normal distribution by rings, turned by the golden angle from one to the next.
    radius, turn = np.sqrt(-2.0 * np.log1p(-(k + 0.5) / _NODES)), k * np.pi * (3.0 - np.sqrt(5.0))
    unit = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=-1)
    inverse = sights.inverse_m
    # The vehicle's own place is in error too: across the line of sight, and along it.
    own = chooser.own_sd_m * np.stack([inverse, inverse**2], axis=-1)
    covariance = np.linalg.inv(sights.information) + own[..., None] ** 2 * np.eye(2)
    error = np.einsum("nij,kj->nki", np.linalg.cholesky(covariance), unit)

    posterior = single_ping_posterior(
        chooser.stations,
        np.repeat(sights.waypoints_m, _NODES, axis=0),
        (sights.bearing[:, None] + error[..., 0]).ravel(),
        (inverse[:, None] + error[..., 1]).ravel(),
        np.repeat(sights.information, _NODES, axis=0),
        own_sd_m=chooser.own_sd_m,
    )
    found = outcomes(chooser, posterior, np.repeat(chooser.meant(sights.pingers_m), _NODES))
    return counts_by_row(found.reshape(n, _NODES)) / _NODES
