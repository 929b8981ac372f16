"""Rooms and scenes that the checks of echoes share."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.propagate.images.room import Room
from acoustics.scene.scene import Scene

SPEED = 1480.0


def uniform(start, end):
    return np.full(np.broadcast(start, end).shape, SPEED)


def convex_room(normals, points, reflections, *, outlines=None, box=None) -> Room:
    normals = np.asarray(normals, dtype=float)
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    offsets = np.sum(normals * np.asarray(points, dtype=float), axis=1)
    return Room(normals, offsets, tuple(reflections), uniform, SPEED, outlines, box)


@pytest.fixture
def make_box():
    """Box from (0, 0, 0) to a corner; coefficients for z low, z high, x low, x high, y low, y high."""

    def make(upper, reflections) -> Room:
        normals = [(0, 0, 1), (0, 0, -1), (1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)]
        points = [(0, 0, 0), upper, (0, 0, 0), upper, (0, 0, 0), upper]
        return convex_room(normals, points, reflections, box=np.array([[0, 0, 0], upper], dtype=float))

    return make


@pytest.fixture
def make_prism():
    """Surface at z = 0, floor at depth a + b x + c y, walls along an outline, clockwise seen from above."""

    def make(outline, floor_plane, reflections) -> Room:
        a, b, c = floor_plane
        corners = np.asarray(outline, dtype=float).reshape(-1, 2)
        along = np.roll(corners, -1, axis=0) - corners
        normals = [(0, 0, 1), (b, c, -1), *[(-dy, dx, 0) for dx, dy in along]]
        points = [(0, 0, 0), (0, 0, a), *[(x, y, 0) for x, y in corners]]
        if not len(corners):
            return convex_room(normals, points, reflections)
        top, bottom = (np.column_stack([corners, z]) for z in (np.zeros(len(corners)), a + corners @ (b, c)))
        n, m = np.roll(top, -1, axis=0), np.roll(bottom, -1, axis=0)
        quads = np.stack([top, n, m, bottom, *[bottom] * (len(corners) - 4)], axis=1)
        return convex_room(normals, points, reflections, outlines=np.array([top, bottom, *quads]))

    return make


@pytest.fixture
def make_scene():
    """Scene with the parts of interest given and the rest plain."""

    def make(pool, *, water=None, pinger=(4.0, 3.0, 1.0), vehicle=(12.0, 6.0, 0.8)) -> Scene:
        places = {"a": (0.0, 0.0, 0.0), "b": (0.02, 0.0, 0.0), "c": (0.0, 0.02, 0.0), "d": (0.0, 0.0, 0.02)}
        return Scene.model_validate(
            {
                "water": water or {"temperature_degc": 26.0},
                "pool": pool,
                "pinger": [{"position_m": pinger, "frequency_hz": 30e3}],
                "array": {"hydrophone": [{"name": n, "position_m": place} for n, place in places.items()]},
                "vehicle": {"position_m": vehicle},
            }
        )

    return make
