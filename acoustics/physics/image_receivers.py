"""Echoes as straight paths to mirrored hydrophones: affine maps of plane faces, with derivatives in closed form.

The image-source method (J. B. Allen and D. A. Berkley, J. Acoust. Soc. Am. 65, 943-950 (1979); J. Borish, J. Acoust.
Soc. Am. 75, 1827-1836 (1984)), mirrored the other way round: the path from the source by faces f1, f2, ..., fm to a
receiver r is as long as the straight line from the source to ``M1 M2 ... Mm r``, Mk the mirroring in face fk. These
image receivers act as hydrophones of a larger array, known as well as the faces are: the virtual anchors of
multipath-assisted positioning (E. Leitinger et al., IEEE J. Sel. Areas Commun. 33, 2313-2328 (2015)).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.polygons import half_planes
from acoustics.base.record import record

Ints = NDArray[np.int64]
Sequences = NDArray[np.int8]

MAX_IMAGES = 1_000_000  # at once; more receivers are worked in parts
_TOUCHING_M = 1e-9


class TooManyImages(ParameterError):
    """More images lie within reach than are worked at once: fewer places at once, or a shorter reach, have fewer."""


@record
class PlaneFaces:
    """Plane faces of a body of water, and how they move with what is not known.

    Parameters
    ----------
    names : tuple of str, length n_faces
        'surface', 'floor', 'wall-1' onwards.
    normals : ndarray, shape (n_faces, 3)
        Unit vectors into the water.
    offsets_m : ndarray, shape (n_faces,)
        ``normal . point`` of the points of each face [m].
    parameters : tuple of str, length n_parameters
        'floor_depth' [m], 'floor_slope_x', 'floor_slope_y' [1], then each wall by its name: how far out it stands [m].
    normals_by : ndarray, shape (n_parameters, n_faces, 3)
        Derivative of the normals by the parameters.
    offsets_by : ndarray, shape (n_parameters, n_faces)
        Derivative of the offsets.
    """

    names: tuple[str, ...]
    normals: Floats
    offsets_m: Floats
    parameters: tuple[str, ...]
    normals_by: Floats
    offsets_by: Floats


@record
class ImageMaps:
    """Image receivers ``matrix @ r + shift_m`` of a receiver r, one for each sequence of faces.

    Parameters
    ----------
    matrix : ndarray, shape (n_sequences, 3, 3)
        Also the derivative of the image receiver by the receiver's place [1].
    shift_m : ndarray, shape (n_sequences, 3)
    matrix_by, shift_by : ndarray, shape (n_sequences, n_parameters, 3, 3) and (n_sequences, n_parameters, 3)
        Derivatives by the parameters of the faces.
    """

    matrix: Floats
    shift_m: Floats
    matrix_by: Floats
    shift_by: Floats

    def images_m(self, receivers_m: Floats, sequence: Ints) -> Floats:
        """Image receivers [m] of receivers of shape (..., 3) by sequences of indices that broadcast to (...)."""
        return np.einsum("...ij,...j->...i", self.matrix[sequence], receivers_m) + self.shift_m[sequence]

    def images_by(self, receivers_m: Floats, sequence: Ints) -> Floats:
        """Derivative of `images_m` by the parameters, shape (..., n_parameters, 3)."""
        return np.einsum("...pij,...j->...pi", self.matrix_by[sequence], receivers_m) + self.shift_by[sequence]


@record
class ImagePaths:
    """Paths that exist, sorted by batch element, then by number of reflections; the direct path is the first of each.

    Parameters
    ----------
    element : ndarray of int, shape (n_paths,)
        Batch element.
    faces : ndarray of int8, shape (n_paths, largest order)
        Faces in order from the source; -1 after the last.
    image_m : ndarray, shape (n_paths, 3)
        Image of the receiver [m].
    """

    element: Ints
    faces: Sequences
    image_m: Floats


@record
class FloorPart:
    """One plane of a floor: its name, its depth below the pivot [m] and its slope along x and y [1]."""

    name: str
    depth_m: float
    slope: tuple[float, float] = (0.0, 0.0)


def prism_faces(
    outline_m: Floats | None,
    *,
    floor: Sequence[FloorPart] = (),
    pivot_m: tuple[float, float] = (0.0, 0.0),
    surface: bool = True,
) -> PlaneFaces:
    """Faces of a vertical prism with a floor and a plane surface, or of open water without walls.

    Parameters
    ----------
    outline_m : ndarray, shape (n_walls, 2), or None
        Outline, corners clockwise seen from above (x to y) [m].
    floor : sequence of FloorPart
        The floor's planes; all err together, by one depth and one slope.
    pivot_m : (float, float)
        Where the floor's depth is known, and about which its slope errs [m].
    surface : bool
        Whether the surface reflects.

    Raises
    ------
    ParameterError
        An outline of a wrong shape.
    """
    names, normals, offsets = [], [], []
    if surface:
        names, normals, offsets = ["surface"], [np.array([0.0, 0.0, 1.0])], [0.0]
    by_floor = []
    for part in floor:
        normal, offset, by = _floor_plane(part.depth_m, part.slope, pivot_m)
        names, normals, offsets = [*names, part.name], [*normals, normal], [*offsets, offset]
        by_floor.append(by)
    n_walls = 0
    if outline_m is not None:
        corners = np.asarray(outline_m, dtype=float)
        if corners.ndim != 2 or corners.shape[-1] != 2 or len(corners) < 3:
            raise ParameterError(f"outline_m has shape {corners.shape}; (3 or more, 2) is needed")
        outward, reach = half_planes(corners)
        n_walls = len(corners)
        names += [f"wall-{k + 1}" for k in range(n_walls)]
        normals += list(np.column_stack([0.0 - outward, np.zeros(n_walls)]))  # 0.0 - : no negative zeros
        offsets += list(0.0 - reach)
    walls = names[len(names) - n_walls :]
    tilts = ("floor_depth", "floor_slope_x", "floor_slope_y") if floor else ()
    normals_by = np.zeros((len(tilts) + n_walls, len(names), 3))
    offsets_by = np.zeros((len(tilts) + n_walls, len(names)))
    for part, (by_normal, by_offset) in zip(floor, by_floor, strict=True):
        normals_by[:3, names.index(part.name)], offsets_by[:3, names.index(part.name)] = by_normal, by_offset
    for k, wall in enumerate(walls):
        offsets_by[len(tilts) + k, names.index(wall)] = -1.0
    return PlaneFaces(
        tuple(names), np.array(normals).reshape(-1, 3), np.array(offsets), (*tilts, *walls), normals_by, offsets_by
    )


def _floor_plane(
    depth_m: float, slope: tuple[float, float], pivot_m: tuple[float, float]
) -> tuple[Floats, float, tuple[Floats, Floats]]:
    """Normal and offset of the floor ``z = depth + slope . (place - pivot)``, and their derivatives by the three."""
    upward = np.array([*slope, -1.0])
    at_origin = depth_m - slope[0] * pivot_m[0] - slope[1] * pivot_m[1]
    size = float(np.linalg.norm(upward))
    size_by = np.array([0.0, *slope]) / size
    upward_by = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    at_origin_by = np.array([1.0, -pivot_m[0], -pivot_m[1]])
    normals_by = upward_by / size - np.outer(size_by, upward) / size**2
    return upward / size, -at_origin / size, (normals_by, -at_origin_by / size + at_origin * size_by / size**2)


def image_maps(faces: PlaneFaces, sequences: Sequences) -> ImageMaps:
    """Affine maps from receivers [m] to their images [m], and their derivatives.

    Parameters
    ----------
    faces : PlaneFaces
        The planes.
    sequences : ndarray of int8, shape (n_sequences, largest order)
        Faces in order from the source; -1 after the last.

    Returns
    -------
    ImageMaps
    """
    mirrors, mirrors_by = _mirrors(faces)
    count, order = sequences.shape
    whole = np.broadcast_to(np.eye(4), (count, 4, 4))
    whole_by = np.zeros((count, len(faces.parameters), 4, 4))
    for k in range(order):
        face = sequences[:, k]
        whole_by = whole_by @ mirrors[face][:, None] + whole[:, None] @ mirrors_by[face]
        whole = whole @ mirrors[face]
    return ImageMaps(whole[:, :3, :3], whole[:, :3, 3], whole_by[..., :3, :3], whole_by[..., :3, 3])


def _mirrors(faces: PlaneFaces) -> tuple[Floats, Floats]:
    """Mirroring in each face as a homogeneous matrix and its derivatives; the last is none, for faces of -1."""
    n, d = faces.normals, faces.offsets_m
    mirrors = np.tile(np.eye(4), (len(n) + 1, 1, 1))
    mirrors[:-1, :3, :3] -= 2.0 * n[:, :, None] * n[:, None, :]
    mirrors[:-1, :3, 3] = 2.0 * d[:, None] * n
    by = np.zeros((len(n) + 1, len(faces.parameters), 4, 4))
    turned = faces.normals_by[..., :, None] * n[:, None, :]
    by[:-1, :, :3, :3] = -2.0 * np.swapaxes(turned + np.swapaxes(turned, -1, -2), 0, 1)
    moved = faces.offsets_by[..., None] * n + d[:, None] * faces.normals_by
    by[:-1, :, :3, 3] = 2.0 * np.swapaxes(moved, 0, 1)
    return mirrors, by


def visible_paths(
    faces: PlaneFaces,
    source_m: Floats,
    receivers_m: Floats,
    reach_m: Floats,
    *,
    most_each: int = MAX_IMAGES,
    kept: Floats | None = None,
    weakest: float = 0.0,
) -> ImagePaths:
    """Every path up to a length that meets its faces in order inside their outlines.

    Parameters
    ----------
    faces : PlaneFaces
        The planes of convex water, ``normals @ x >= offsets``.
    source_m, receivers_m : ndarray, shape (n, 3)
        Source and receiver of each batch element, in the water [m].
    reach_m : ndarray, shape (n,)
        Longest path of interest [m].
    most_each : int
        A batch element with more images gets no path at all, and no more work.
    kept : ndarray, shape (n_faces,), optional
        Share of the pressure that each face sends on, by default 1.
    weakest : float
        Pressure over that of the direct path, by these shares and the lengths, below which a path is of no interest.

    Returns
    -------
    ImagePaths

    Raises
    ------
    TooManyImages
        More than `MAX_IMAGES` images lie within reach.

    Notes
    -----
    An image is mirrored only in a face before which it lies, and then no path by it is shorter than one by the image
    that it came from, nor louder; so whatever lies out of reach has no descendant within. In a film of water faces are
    met in very many orders, each an image: at 20 cm about 20 for each path.
    """
    n = len(receivers_m)
    count = np.ones(n, dtype=np.int64)
    sent_on = np.ones(len(faces.names)) if kept is None else kept
    loud = np.full(n, np.inf) if weakest == 0 else np.linalg.norm(source_m - receivers_m, axis=-1) / weakest
    none = np.zeros(n, dtype=np.int64)
    levels = [_Level(np.arange(n), none.astype(np.int8), none, receivers_m, loud)]
    total = n
    while len(levels[-1].element):
        level = _mirrored_once_more(faces, levels[-1], source_m, reach_m, sent_on)
        count += np.bincount(level.element, minlength=n)
        levels.append(level.some(count[level.element] <= most_each))
        total += len(levels[-1].element)
        if total > MAX_IMAGES:
            raise TooManyImages(
                f"reach_m={float(np.max(reach_m)):.1f}: more than {MAX_IMAGES:,} images may lie within it; choose a "
                "shorter reach or fewer places at once"
            )
    levels.pop()
    element, sequence, image = [], [], []
    for order in range(len(levels)):
        exists, met = _followed(faces, levels[: order + 1], source_m)
        exists &= count[levels[order].element] <= most_each
        element.append(levels[order].element[exists])
        sequence.append(np.pad(met[exists], ((0, 0), (0, len(levels) - 1 - order)), constant_values=-1))
        image.append(levels[order].image_m[exists])
    by_element = np.argsort(np.concatenate(element), kind="stable")
    return ImagePaths(
        np.concatenate(element)[by_element], np.concatenate(sequence)[by_element], np.concatenate(image)[by_element]
    )


@record
class _Level:
    """Images of one number of reflections: batch element, the face met first, row of the image it was mirrored from,
    and how long its path may be to be loud enough [m]."""

    element: Ints
    face: Sequences
    parent: Ints
    image_m: Floats
    loud_m: Floats

    def some(self, rows: NDArray[np.bool_]) -> _Level:
        """The same of some of the images."""
        return _Level(self.element[rows], self.face[rows], self.parent[rows], self.image_m[rows], self.loud_m[rows])


def _mirrored_once_more(faces: PlaneFaces, level: _Level, source_m: Floats, reach_m: Floats, sent_on: Floats) -> _Level:
    height = level.image_m @ faces.normals.T - faces.offsets_m
    parent, face = np.nonzero(height > _TOUCHING_M)
    image = level.image_m[parent] - 2.0 * height[parent, face][:, None] * faces.normals[face]
    element = level.element[parent]
    loud = level.loud_m[parent] * sent_on[face]
    near = np.linalg.norm(image - source_m[element], axis=-1) <= np.minimum(reach_m[element], loud)
    return _Level(element[near], face[near].astype(np.int8), parent[near], image[near], loud[near])


def _followed(faces: PlaneFaces, levels: list[_Level], source_m: Floats) -> tuple[NDArray[np.bool_], Sequences]:
    """Whether the path to each image of the last level exists, and the faces in order from the source."""
    row = np.arange(len(levels[-1].element))
    place = source_m[levels[-1].element]
    exists = np.ones(len(row), dtype=bool)
    met = np.zeros((len(row), len(levels) - 1), dtype=np.int8)
    for k, level in enumerate(levels[:0:-1]):
        face, toward = level.face[row], level.image_m[row] - place
        normal = faces.normals[face]
        height = np.sum(normal * place, axis=-1) - faces.offsets_m[face]
        fall = -np.sum(normal * toward, axis=-1)
        place = place + np.divide(height, fall, out=np.zeros_like(fall), where=fall > 0)[:, None] * toward
        inside = place @ faces.normals.T - faces.offsets_m > -_TOUCHING_M
        exists &= (fall > 0) & inside.all(axis=-1)
        met[:, k], row = face, level.parent[row]
    return exists, met
