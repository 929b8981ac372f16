"""Corners of the regions that hydrophones may be mounted in, and places all over them."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.scene.mounting import BoxRegion, HullPatch, Mounting
from acoustics.scene.shadow import Bools

_A_LITTLE_M = 1e-4
_NEAR_WAVELENGTHS = (0.35, 0.5, 0.7, 1.0, 1.5, 2.5)


def corner_shares(n_edges: int) -> Floats:
    """How far along each edge the corners of a region lie, shape (2 ** n_edges, n_edges): 0 or 1."""
    return np.stack(np.meshgrid(*[[0.0, 1.0]] * n_edges, indexing="ij"), axis=-1).reshape(-1, n_edges)


def corners(region: BoxRegion | HullPatch) -> Floats:
    """All corners of a region, shape (n_corners, 3) [m]."""
    return region.corner + corner_shares(len(region.edges)) @ region.edges


def all_corners(mounting: Mounting) -> Floats:
    """Those of every region, shape (n_corners, 3) [m]."""
    return np.concatenate([corners(region) for region in mounting.regions])


def outside_bodies(mounting: Mounting, points_m: Floats) -> Bools:
    """Whether points of shape (..., 3) [m] are outside the vehicle's solid bodies, or on them; shape (...)."""
    ahead, astern = points_m + [_A_LITTLE_M, 0.0, 0.0], points_m - [_A_LITTLE_M, 0.0, 0.0]
    # Bodies are convex: only from inside do both of two opposite ways lead through one.
    return mounting.clear(points_m, ahead) | mounting.clear(points_m, astern)


def fits(mounting: Mounting, arrays_m: Floats) -> Bools:
    """Whether arrays of shape (..., n, 3) [m] keep to the mounting and out of the vehicle's bodies, shape (...)."""
    return mounting.fits(arrays_m) & outside_bodies(mounting, arrays_m).all(axis=-1)


def scattered(mounting: Mounting, count: int, rng: np.random.Generator) -> Floats:
    """Up to so many allowed places, shape (n, 3) [m]: over every region alike, its corners among them."""
    share = -(-count // len(mounting.regions))
    places = []
    for region in mounting.regions:
        at = corner_shares(len(region.edges))
        # A third on faces and edges, where the widest arrays have their hydrophones.
        inside = rng.uniform(-0.25, 1.25, (max(share - len(at), 0), len(region.edges))).clip(0.0, 1.0)
        places.append(region.corner + np.concatenate([at, inside]) @ region.edges)
    points = np.concatenate(places)
    return points[mounting.allows(points) & outside_bodies(mounting, points)]


def around(points: Floats, wavelength_m: float) -> Floats:
    """Places about points, shape (n, 3) [m], at distances that help with the cycles; allowed or not."""
    ways = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    ways = ways[np.abs(ways).sum(axis=-1) > 0]
    ways = ways / np.linalg.norm(ways, axis=-1, keepdims=True)
    steps = (np.array(_NEAR_WAVELENGTHS)[:, None, None] * wavelength_m * ways).reshape(-1, 3)
    return (points[:, None] + steps).reshape(-1, 3)
