"""Mirrored hydrophones against mirrored sources, which another module finds another way, and finite differences."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.physics import image_receivers
from acoustics.physics.image_receivers import image_maps, prism_faces, visible_paths
from acoustics.propagate.images import lattice_images, polyhedron_images, polyhedron_trace

RECTANGLE = [(0, 0), (25, 0), (25, 12.5), (0, 12.5)]
PENTAGON = [(0, 0), (9, -1), (12, 5), (7, 10), (-1, 6)]
LEVEL, SLOPE, STEEP = (2.6, 0.0, 0.0), (1.4, 0.096, 0.03), (3.0, 0.15, -0.12)
SEED = 5


def wet_places(outline, floor_plane, count):
    rng, corners = np.random.default_rng(SEED), np.asarray(outline, dtype=float)
    shares = rng.dirichlet(np.ones(len(corners)), count)
    level = shares @ corners
    depth = floor_plane[0] + level @ floor_plane[1:]
    return np.column_stack([level, rng.uniform(0.02, 0.98, count) * depth])


@pytest.mark.parametrize(
    ("outline", "floor_plane"),
    [(RECTANGLE, LEVEL), (RECTANGLE, SLOPE), (PENTAGON, LEVEL), (PENTAGON, STEEP)],
)
def test_paths_are_those_of_the_image_sources(make_prism, outline, floor_plane):
    """The same number of paths, by the same faces where their order tells, lengths equal to 1e-12 of themselves."""
    places = wet_places(outline, floor_plane, 31)
    source, receivers = places[0], places[1:]
    reach = np.linalg.norm(receivers - source, axis=-1) + 9.0
    faces = prism_faces(np.array(outline), floor_depth_m=floor_plane[0], floor_slope=floor_plane[1:])
    ours = visible_paths(faces, np.tile(source, (30, 1)), receivers, reach)
    maps = image_maps(faces, ours.faces)
    mapped = maps.images_m(receivers[ours.element], np.arange(len(ours.element)))
    np.testing.assert_allclose(mapped, ours.image_m, atol=1e-11)
    length = np.linalg.norm(ours.image_m - source, axis=-1)

    room = make_prism(outline, floor_plane, [-1.0] * (2 + len(outline)))
    images = polyhedron_images(room, source, receivers, reach)
    assert images.order.max() > 5
    for k, receiver in enumerate(receivers):
        each = np.tile(receiver, (len(images.order), 1))
        trace = polyhedron_trace(room, source, images, each)
        theirs = np.linalg.norm(images.position_m[trace.exists] - receiver, axis=-1)
        near = theirs <= reach[k]
        mine = ours.element == k
        np.testing.assert_allclose(np.sort(length[mine]), np.sort(theirs[near]), rtol=1e-12)
        width = max(trace.faces.shape[1], ours.faces.shape[1])
        by_length = [np.argsort(length[mine], kind="stable"), np.argsort(theirs[near], kind="stable")]
        rows = [ours.faces[mine][by_length[0]], trace.faces[near][by_length[1]]]
        padded = [np.pad(part, ((0, 0), (0, width - part.shape[1])), constant_values=-1) for part in rows]
        np.testing.assert_array_equal(*padded)


def test_a_box_has_every_image_of_the_closed_form(make_box):
    """Allen and Berkley's lattice: in a box all images are seen from everywhere."""
    upper = (25.0, 12.5, 2.6)
    places = wet_places(RECTANGLE, LEVEL, 2)
    reach = np.array([26.0])
    room = make_box(upper, [-1.0] * 6)
    lattice = lattice_images(room, places[0], places[1:], reach)
    expected = np.sort(np.linalg.norm(lattice.position_m - places[1], axis=-1))
    ours = visible_paths(prism_faces(np.array(RECTANGLE), floor_depth_m=2.6), places[:1], places[1:], reach)
    np.testing.assert_allclose(np.sort(np.linalg.norm(ours.image_m - places[0], axis=-1)), expected, rtol=1e-12)


def test_derivatives_equal_finite_differences():
    """Central differences with a step of 1e-5: their own error is of second order, below 1e-8 here."""
    outline, pivot, step = np.array(PENTAGON, dtype=float), (5.0, 4.0), 1e-5
    values = {"floor_depth_m": 3.0, "floor_slope": (0.15, -0.12), "pivot_m": pivot}
    faces = prism_faces(outline, **values)
    places = wet_places(PENTAGON, (3.0 - 0.15 * 5 + 0.12 * 4, 0.15, -0.12), 2)
    paths = visible_paths(faces, places[:1], places[1:], np.array([20.0]))
    sequence = np.arange(len(paths.faces))
    maps = image_maps(faces, paths.faces)
    by = maps.images_by(places[1], sequence)
    assert faces.parameters == ("floor_depth", "floor_slope_x", "floor_slope_y", *(f"wall-{k}" for k in range(1, 6)))

    def images(parameter, shift):
        if parameter == "floor_depth":
            moved = prism_faces(outline, **values | {"floor_depth_m": 3.0 + shift})
        elif parameter.startswith("floor_slope"):
            slope = np.array([0.15, -0.12]) + shift * np.array([parameter.endswith("x"), parameter.endswith("y")])
            moved = prism_faces(outline, **values | {"floor_slope": tuple(slope)})
        else:
            # The wall's two corners slide along the walls beside it, so that it moves straight outwards by the shift.
            n, k = faces.normals[faces.names.index(parameter)][:2], int(parameter[5:]) - 1
            corners = outline.copy()
            for corner, beyond in ((k, k - 1), ((k + 1) % 5, (k + 2) % 5)):
                along = outline[corner] - outline[beyond]
                corners[corner] += along * -shift / (along @ n)
            moved = prism_faces(corners, **values)
        return image_maps(moved, paths.faces).images_m(places[1], sequence)

    for k, parameter in enumerate(faces.parameters):
        numeric = (images(parameter, step) - images(parameter, -step)) / (2 * step)
        np.testing.assert_allclose(by[:, k], numeric, atol=2e-7)
    moved = [maps.images_m(places[1] + step * axis, sequence) for axis in np.eye(3)]
    numeric = (np.array(moved) - paths.image_m).transpose(1, 2, 0) / step
    np.testing.assert_allclose(maps.matrix, numeric, atol=1e-7)


def test_open_water_has_surface_and_floor_alone():
    """One bounce off a level surface or floor: the image lies at minus the depth, or as far below the floor."""
    faces = prism_faces(None, floor_depth_m=5.0)
    paths = visible_paths(faces, np.array([[0.0, 0.0, 2.0]]), np.array([[8.0, 0.0, 1.0]]), np.array([9.0]))
    names = [[faces.names[f] for f in row if f >= 0] for row in paths.faces]
    assert names == [[], ["surface"]]
    assert paths.image_m[1].tolist() == [8.0, 0.0, -1.0]
    further = visible_paths(faces, np.array([[0.0, 0.0, 2.0]]), np.array([[8.0, 0.0, 1.0]]), np.array([10.7]))
    assert [8.0, 0.0, 9.0] in further.image_m.tolist()
    assert visible_paths(
        prism_faces(None, floor_depth_m=None, surface=False), np.zeros((1, 3)), np.ones((1, 3)), np.array([99.0])
    ).faces.shape == (1, 0)


def test_too_many_images_and_a_wrong_outline_are_refused(monkeypatch):
    monkeypatch.setattr(image_receivers, "MAX_IMAGES", 10)
    place = np.array([[5.0, 5.0, 1.0]])
    with pytest.raises(ParameterError, match=r"reach_m=50\.0: more than 10 images"):
        visible_paths(prism_faces(np.array(RECTANGLE), floor_depth_m=2.0), place, place + 0.1, np.array([50.0]))
    with pytest.raises(ParameterError, match=r"outline_m has shape \(2, 2\)"):
        prism_faces(np.zeros((2, 2)), floor_depth_m=2.0)
