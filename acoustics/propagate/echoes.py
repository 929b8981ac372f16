"""From a scene to its room, and the choice between the closed form and the general method."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.polygons import convex_hull
from acoustics.physics.reflection import roughness_loss
from acoustics.propagate.images import (
    Complexes,
    Images,
    Pairs,
    Paths,
    Reflection,
    Room,
    lattice_faces,
    lattice_images,
    lattice_paths,
    polyhedron_images,
    polyhedron_paths,
    polyhedron_trace,
)
from acoustics.scene.model import DEEPEST_M
from acoustics.scene.pool import Face
from acoustics.scene.scene import Scene

# Above every speed between the depths sampled: a pinger's range of depths changes it by far less than this.
_SPEED_MARGIN = 1.001
_EDGE_M = 1e-9
_SHALLOWEST_M = 0.1  # of water whose sound speed is asked for


def room_of_scene(scene: Scene, source_m: Floats, receivers_m: Floats, *, frequency_hz: float) -> Room:
    """The faces of a scene as planes and coefficients at one frequency.

    Parameters
    ----------
    scene : Scene
        Pool and water.
    source_m : ndarray, shape (3,)
        Source, site frame [m]. The faces are met by water of the sound speed at its depth.
    receivers_m : ndarray, shape (n_receivers, 3)
        Receivers, site frame [m].
    frequency_hz : float
        Frequency [Hz]; roughness depends on it.

    Returns
    -------
    Room
        Its coefficients suit signals written as the real part of ``A exp(+i w t)``. A surface that does not
        reflect still ends the water.
    """
    water_speed, fastest = _speeds_m_s(scene, source_m, receivers_m)
    density = scene.water.density_kg_m3
    wavenumber = 2 * np.pi * frequency_hz / water_speed
    normals, offsets = scene.pool.planes
    reflections: list[Reflection | None] = [
        _reflection(face, density=density, speed=water_speed, wavenumber=wavenumber) for face in scene.pool.faces
    ]
    if not scene.pool.surface_reflects:
        normals, offsets = np.vstack([normals, [0.0, 0.0, 1.0]]), np.append(offsets, 0.0)
        reflections.append(None)
    box_m = scene.pool.box_m
    return Room(
        normals=normals,
        offsets_m=offsets,
        reflections=tuple(reflections),
        mean_speed_m_s=scene.water.mean_sound_speed_m_s,
        fastest_m_s=fastest,
        outlines_m=_outlines_m(scene) if box_m is None else None,
        box_m=box_m,
        edges=_edges(scene),
    )


def find_images(room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats) -> Images:
    """Images within reach, by the closed form where it holds; arguments as in `polyhedron_images`."""
    find = polyhedron_images if room.box_m is None else lattice_images
    return find(room, source_m, receivers_m, reach_m)


def follow_paths(room: Room, source_m: Floats, images: Images, receivers_m: Floats, pairs: Pairs) -> Paths:
    """Paths of pairs, by the closed form where it holds; arguments as in `lattice_paths`."""
    follow = polyhedron_paths if room.box_m is None else lattice_paths
    return follow(room, source_m, images, receivers_m, pairs)


def face_sequences(room: Room, source_m: Floats, images: Images, receivers_m: Floats) -> NDArray[np.int8]:
    """Faces met in order from the source, shape (n_pairs, largest order), padded with -1."""
    if room.box_m is not None:
        return lattice_faces(room, images, receivers_m)
    trace = polyhedron_trace(room, source_m, images, receivers_m)
    faces = np.full((len(trace.exists), trace.faces.shape[1]), -1, dtype=np.int8)
    faces[trace.exists] = trace.faces
    return faces


def check_limits(frequency_hz: float, horizon_s: float) -> None:
    """ParameterError unless both are positive and finite."""
    for name, value in (("frequency_hz", frequency_hz), ("horizon_s", horizon_s)):
        if not 0 < value < np.inf:
            raise ParameterError(f"{name}={value} must be positive and finite")


def checked_geometry(scene: Scene, hydrophones_site_m: ArrayLike, source_m: ArrayLike) -> tuple[Floats, Floats]:
    """Hydrophones of shape (..., n, 3) and source of shape (3,) as arrays of float [m], all in the water.

    Raises
    ------
    ParameterError
        Wrong shape, a place outside the water, or a hydrophone at the source.
    """
    hydrophones, source = np.asarray(hydrophones_site_m, dtype=float), np.asarray(source_m, dtype=float)
    if hydrophones.ndim < 2 or hydrophones.shape[-1] != 3 or hydrophones.size == 0:
        raise ParameterError(f"hydrophones_site_m has shape {hydrophones.shape}; (..., n_hydrophones, 3) is needed")
    if source.shape != (3,):
        raise ParameterError(f"source_m has shape {source.shape}; (3,) is needed")
    places = np.concatenate([source[None], hydrophones.reshape(-1, 3)])
    wet = scene.pool.contains(places, -_EDGE_M)
    if not wet.all():
        name, part = ("hydrophones_site_m", slice(1, None)) if wet[0] else ("source_m", slice(1))
        dry = places[part][~wet[part]]
        raise ParameterError(
            f"{name}={np.round(dry[0], 3).tolist()} is outside the water ({len(dry)} of {len(wet[part])} "
            "places are); all must be in it"
        )
    if (hydrophones == source).all(axis=-1).any():
        raise ParameterError(f"source_m={source.tolist()} is the place of a hydrophone; they must differ")
    return hydrophones, source


def _reflection(face: Face, *, density: float, speed: float, wavenumber: float) -> Reflection:
    """One coefficient where the face has the same at every angle, or else a function of the angle."""
    if face.material.reflection_coefficient is not None and face.roughness_m == 0:
        return complex(face.material.reflection_coefficient)
    return partial(_face_reflection, face, density=density, speed=speed, wavenumber=wavenumber)


def _face_reflection(face: Face, grazing: Floats, *, density: float, speed: float, wavenumber: float) -> Complexes:
    coefficient = face.material.reflection(
        grazing,
        frequency_hz=wavenumber * speed / (2 * np.pi),
        water_density_kg_m3=density,
        water_speed_m_s=speed,
    )
    if face.roughness_m > 0:
        coefficient = coefficient * roughness_loss(grazing, wavenumber=wavenumber, rms_height_m=face.roughness_m)
    return np.conj(coefficient)  # formulas of reflection are for exp(-i w t)


def _speeds_m_s(scene: Scene, source_m: Floats, receivers_m: Floats) -> tuple[float, float]:
    """Sound speed at the source, and one that none in the room exceeds."""
    deepest = max([float(source_m[2]), float(receivers_m[:, 2].max()), *(r.depth_m for r in scene.water.profile[-1:])])
    if scene.pool.has_floor:
        deepest = max(deepest, scene.pool.deepest_m)
        if not scene.pool.is_level:
            places = np.concatenate([source_m[None], receivers_m])
            deepest = max(deepest, float(scene.pool.floor_depth_m(places).max()))
    at_source = float(scene.water.sound_speed_m_s(float(source_m[2])))
    fastest = scene.water.layers_to(min(max(deepest, _SHALLOWEST_M), DEEPEST_M)).fastest_m_s
    return at_source, _SPEED_MARGIN * max(at_source, fastest)


def _outlines_m(scene: Scene) -> Floats | None:
    if scene.pool.outline_m is None:
        return None
    outlines = list(scene.pool.face_covers)
    if not scene.pool.surface_reflects:
        outlines.append(np.pad(convex_hull(scene.pool.outline_m), ((0, 0), (0, 1))))
    corners = max(len(outline) for outline in outlines)
    return np.array([np.pad(outline, ((0, corners - len(outline)), (0, 0)), mode="edge") for outline in outlines])


def _edges(scene: Scene) -> Floats | None:
    edges = scene.pool.face_edges
    if edges is None or scene.pool.surface_reflects:
        return edges
    return np.pad(edges, ((0, 1), (0, 0), (0, 0)))  # the surface that swallows sound comes last
