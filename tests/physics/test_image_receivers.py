"""Mirrored hydrophones against mirrored sources, which another module finds another way, and finite differences."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.physics import image_receivers
from acoustics.physics.image_receivers import FloorPart, image_maps, prism_faces, visible_paths
from acoustics.propagate.echoes import face_sequences, find_images, follow_paths, room_of_scene
from acoustics.propagate.images import Pairs
from acoustics.scene.scene import Scene

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


def room_over(outline, floor_plane, source, receivers):
    corners = np.asarray(outline, dtype=float)[:3]
    depths = floor_plane[0] + corners @ floor_plane[1:]
    scene = Scene.model_validate(
        {
            "water": {"temperature_degc": 20.0},
            "pool": {"outline_m": outline, "floor_points_m": np.column_stack([corners, depths]).tolist()},
            "pinger": [{"position_m": source.tolist(), "frequency_hz": 30e3}],
            "array": {"hydrophone": [{"name": n, "position_m": [0.0, 0.02 * k, 0.0]} for k, n in enumerate("ab")]},
            "vehicle": {"position_m": receivers[0].tolist()},
        }
    )
    return room_of_scene(scene, source, receivers, frequency_hz=30e3)


@pytest.mark.parametrize(
    ("outline", "floor_plane"),
    [(RECTANGLE, LEVEL), (RECTANGLE, SLOPE), (PENTAGON, LEVEL), (PENTAGON, STEEP)],
)
def test_paths_are_those_of_the_image_sources(outline, floor_plane):
    """The same number of paths by the same faces, lengths equal to 1e-12 of themselves; a box has them in closed form."""
    places = wet_places(outline, floor_plane, 31)
    source, receivers = places[0], places[1:]
    reach = np.linalg.norm(receivers - source, axis=-1) + 9.0
    faces = prism_faces(np.array(outline), floor=[FloorPart("floor", floor_plane[0], floor_plane[1:])])
    ours = visible_paths(faces, np.tile(source, (30, 1)), receivers, reach)
    mapped = image_maps(faces, ours.faces).images_m(receivers[ours.element], np.arange(len(ours.element)))
    np.testing.assert_allclose(mapped, ours.image_m, atol=1e-11)
    length = np.linalg.norm(ours.image_m - source, axis=-1)

    room = room_over(outline, floor_plane, source, receivers)
    assert (room.box_m is not None) == (outline == RECTANGLE and floor_plane == LEVEL)
    images = find_images(room, source, receivers, reach)
    assert images.order.max() > 5
    for k, receiver in enumerate(receivers):
        theirs = np.linalg.norm(images.position_m - receiver, axis=-1)
        pairs = Pairs(np.arange(len(theirs)), np.zeros(len(theirs), dtype=int))
        exists = follow_paths(room, source, images, receiver[None], pairs).exists & (theirs <= reach[k])
        found, mine = np.flatnonzero(exists), np.flatnonzero(ours.element == k)
        found, mine = found[np.argsort(theirs[found])], mine[np.argsort(length[mine])]
        np.testing.assert_allclose(length[mine], theirs[found], rtol=1e-12)
        met = face_sequences(room, source, images.take(found), np.tile(receiver, (len(found), 1)))
        width = max(met.shape[1], ours.faces.shape[1])
        rows = [np.pad(m, ((0, 0), (0, width - m.shape[1])), constant_values=-1) for m in (ours.faces[mine], met)]
        np.testing.assert_array_equal(*rows)


def test_derivatives_equal_finite_differences():
    """Central differences with a step of 1e-5: their own error is of second order, below 1e-8 here."""
    outline, pivot, step = np.array(PENTAGON, dtype=float), (5.0, 4.0), 1e-5

    def placed(corners=outline, depth=3.0, slope=(0.15, -0.12)):
        return prism_faces(corners, floor=[FloorPart("floor", depth, slope)], pivot_m=pivot)

    faces = placed()
    places = wet_places(PENTAGON, (3.0 - 0.15 * 5 + 0.12 * 4, 0.15, -0.12), 2)
    paths = visible_paths(faces, places[:1], places[1:], np.array([20.0]))
    sequence = np.arange(len(paths.faces))
    maps = image_maps(faces, paths.faces)
    by = maps.images_by(places[1], sequence)
    assert faces.parameters == ("floor_depth", "floor_slope_x", "floor_slope_y", *(f"wall-{k}" for k in range(1, 6)))

    def images(parameter, shift):
        if parameter == "floor_depth":
            moved = placed(depth=3.0 + shift)
        elif parameter.startswith("floor_slope"):
            slope = np.array([0.15, -0.12]) + shift * np.array([parameter.endswith("x"), parameter.endswith("y")])
            moved = placed(slope=tuple(slope))
        else:
            # The wall's two corners slide along the walls beside it, so that it moves straight outwards by the shift.
            n, k = faces.normals[faces.names.index(parameter)][:2], int(parameter[5:]) - 1
            corners = outline.copy()
            for corner, beyond in ((k, k - 1), ((k + 1) % 5, (k + 2) % 5)):
                along = outline[corner] - outline[beyond]
                corners[corner] += along * -shift / (along @ n)
            moved = placed(corners)
        return image_maps(moved, paths.faces).images_m(places[1], sequence)

    for k, parameter in enumerate(faces.parameters):
        numeric = (images(parameter, step) - images(parameter, -step)) / (2 * step)
        np.testing.assert_allclose(by[:, k], numeric, atol=2e-7)
    moved = [maps.images_m(places[1] + step * axis, sequence) for axis in np.eye(3)]
    numeric = (np.array(moved) - paths.image_m).transpose(1, 2, 0) / step
    np.testing.assert_allclose(maps.matrix, numeric, atol=1e-7)


def test_open_water_has_surface_and_floor_alone():
    """One bounce off a level surface or floor: the image lies at minus the depth, or as far below the floor."""
    faces = prism_faces(None, floor=[FloorPart("floor", 5.0)])
    paths = visible_paths(faces, np.array([[0.0, 0.0, 2.0]]), np.array([[8.0, 0.0, 1.0]]), np.array([9.0]))
    names = [[faces.names[f] for f in row if f >= 0] for row in paths.faces]
    assert names == [[], ["surface"]]
    assert paths.image_m[1].tolist() == [8.0, 0.0, -1.0]
    further = visible_paths(faces, np.array([[0.0, 0.0, 2.0]]), np.array([[8.0, 0.0, 1.0]]), np.array([10.7]))
    assert [8.0, 0.0, 9.0] in further.image_m.tolist()
    assert visible_paths(
        prism_faces(None, surface=False), np.zeros((1, 3)), np.ones((1, 3)), np.array([99.0])
    ).faces.shape == (1, 0)


def test_too_many_images_and_a_wrong_outline_are_refused(monkeypatch):
    monkeypatch.setattr(image_receivers, "MAX_IMAGES", 10)
    place = np.array([[5.0, 5.0, 1.0]])
    with pytest.raises(ParameterError, match=r"reach_m=50\.0: more than 10 images"):
        visible_paths(
            prism_faces(np.array(RECTANGLE), floor=[FloorPart("floor", 2.0)]), place, place + 0.1, np.array([50.0])
        )
    with pytest.raises(ParameterError, match=r"outline_m has shape \(2, 2\)"):
        prism_faces(np.zeros((2, 2)), floor=[FloorPart("floor", 2.0)])


def test_a_place_with_too_many_images_has_no_paths_and_leaves_the_others_theirs():
    faces = prism_faces(np.array(RECTANGLE), floor=[FloorPart("floor", 2.0)])
    source, receivers = np.tile([5.0, 5.0, 1.0], (2, 1)), np.array([[6.0, 5.0, 1.5], [5.5, 5.2, 0.5]])
    reach = np.array([4.0, 30.0])
    few = visible_paths(faces, source, receivers, reach, most_each=50)
    assert set(few.element) == {0}
    alone = visible_paths(faces, source[:1], receivers[:1], reach[:1])
    np.testing.assert_allclose(few.image_m, alone.image_m)
    assert set(visible_paths(faces, source, receivers, reach).element) == {0, 1}


def test_paths_that_are_too_weak_are_left_out_and_no_others():
    faces = prism_faces(np.array(RECTANGLE), floor=[FloorPart("floor", 2.0)])
    source, receivers = np.tile([5.0, 5.0, 1.0], (2, 1)), np.array([[6.0, 5.0, 1.5], [2.5, 3.2, 0.5]])
    reach, kept, weakest = np.full(2, 30.0), np.array([0.95, *[0.7] * (len(faces.names) - 1)]), 0.1
    every = visible_paths(faces, source, receivers, reach)
    length = np.linalg.norm(every.image_m - source[every.element], axis=-1)
    direct = np.linalg.norm(source - receivers, axis=-1)[every.element]
    loud = np.prod(np.append(kept, 1.0)[every.faces], axis=-1) * direct / length >= weakest
    assert 5 < loud.sum() < loud.size
    few = visible_paths(faces, source, receivers, reach, kept=kept, weakest=weakest)
    assert few.element.tolist() == every.element[loud].tolist()
    np.testing.assert_array_equal(few.image_m, every.image_m[loud])
