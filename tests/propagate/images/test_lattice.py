"""Closed-form echoes of a rectangular room."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.propagate.images.lattice import lattice_faces, lattice_images, lattice_paths
from acoustics.propagate.images.room import Pairs, Room

BOX = (25.0, 12.5, 2.0)
SOURCE = np.array([4.0, 3.0, 1.5])
RECEIVER = np.array([14.0, 7.0, 0.8])
SPEED = 1480.0

# First ten arrivals: image [m], order, delay [ms], gain with all coefficients 0.9, gain with -1 on the upper
# face of z, 0.7 on its lower face and 0.8 on the side walls. Computed with pyroomacoustics 0.10.1 (first gain)
# and by enumerating Allen & Berkley 1979, eq. 10 (second gain).
FIRST_TEN = [
    ((4, 3, 1.5), 0, 7.292603596, 1.0, 1.0),
    ((4, 3, 2.5), 1, 7.367343991, 0.9, -1.0),
    ((4, 3, -1.5), 1, 7.441333736, 0.9, 0.7),
    ((4, 3, -2.5), 2, 7.611179832, 0.81, -0.7),
    ((4, 3, 5.5), 2, 7.939979834, 0.81, -0.7),
    ((4, 3, 6.5), 3, 8.233545470, 0.729, 0.7),
    ((4, 3, -5.5), 3, 8.430797225, 0.729, -0.49),
    ((4, 3, -6.5), 4, 8.791316936, 0.6561, 0.49),
    ((4, 3, 9.5), 4, 9.354875527, 0.6561, 0.49),
    ((4, -3, 1.5), 1, 9.567195366, 0.9, 0.8),
]


def constant(coefficient):
    return lambda grazing: np.full(np.shape(grazing), coefficient, dtype=complex)


def arrivals_by_delay(room, reach_m):
    receiver = RECEIVER[None]
    images = lattice_images(room, SOURCE, receiver, np.array([reach_m]))
    each = np.arange(len(images.order))
    paths = lattice_paths(room, SOURCE, images, receiver, Pairs(each, np.zeros_like(each)))
    delay = np.linalg.norm(images.position_m - RECEIVER, axis=1) * paths.slowness_s_m
    sort = np.argsort(delay)
    return images.take(sort), delay[sort], paths.gain[sort]


@pytest.mark.parametrize("column, reflections", [(3, [0.9] * 6), (4, [0.7, -1.0, 0.8, 0.8, 0.8, 0.8])])
def test_first_ten_arrivals_of_the_example_box(make_box, column, reflections):
    images, delay, gain = arrivals_by_delay(make_box(BOX, [constant(r) for r in reflections]), 14.3)
    np.testing.assert_allclose(images.position_m[:10], [row[0] for row in FIRST_TEN], atol=1e-12)
    np.testing.assert_array_equal(images.order[:10], [row[1] for row in FIRST_TEN])
    np.testing.assert_allclose(delay[:10] * 1e3, [row[2] for row in FIRST_TEN], atol=1e-9)
    np.testing.assert_allclose(gain[:10], [row[column] for row in FIRST_TEN], atol=1e-12)


def test_number_of_images_of_each_order(make_box):
    # (2 N + 1)(2 N^2 + 2 N + 3) / 3 images up to order N, an exact count: 1, 7, 25, 63, 129, 231, 377.
    images, _, _ = arrivals_by_delay(make_box((15.0, 8.0, 2.0), [constant(1.0)] * 6), 110.0)
    counts = [int(np.sum(images.order <= n)) for n in range(7)]
    assert counts == [1, 7, 25, 63, 129, 231, 377]


def test_every_image_of_pyroomacoustics(make_box):
    pra = pytest.importorskip("pyroomacoustics")
    other = pra.ShoeBox(BOX, fs=48000, materials=pra.Material(1 - 0.9**2), max_order=8)
    other.set_sound_speed(SPEED)
    other.add_source(SOURCE)
    other.add_microphone(RECEIVER)
    other.image_source_model()
    source = other.sources[0]
    expected = np.sort(np.linalg.norm(source.images.T.astype(float) - RECEIVER, axis=1))
    images, delay, gain = arrivals_by_delay(make_box(BOX, [constant(0.9)] * 6), 230.0)
    here = images.order <= 8
    assert np.sum(here) == len(expected) == 833
    # Positions there are single precision: 1e-5 m in 200 m.
    np.testing.assert_allclose(np.sort(delay[here]) * SPEED, expected, atol=3e-5)
    np.testing.assert_allclose(np.sort(np.abs(gain[here])), np.sort(source.damping[0]), atol=1e-6)


def test_each_bounce_has_the_coefficient_of_its_own_grazing_angle(make_box):
    # Coefficients that only return the sine of the grazing angle: the gain is a product of direction cosines.
    room = make_box(BOX, [lambda grazing: np.sin(grazing).astype(complex)] * 6)
    images, _, gain = arrivals_by_delay(room, 40.0)
    way = np.abs(images.position_m - RECEIVER)
    cosines = way / np.linalg.norm(way, axis=1, keepdims=True)
    np.testing.assert_allclose(gain, np.prod(cosines ** np.abs(images.cell), axis=1), rtol=1e-9, atol=1e-15)


def test_a_face_that_swallows_sound_sends_no_echo(make_box):
    room = make_box(BOX, [constant(0.7), None, *[constant(0.8)] * 4])
    images, _, gain = arrivals_by_delay(room, 40.0)
    assert np.all(gain != 0)
    assert set(images.cell[:, 2]) == {0, -1}  # once off the lower face is all that is left along z


def test_faces_in_order_from_the_source(make_box):
    room = make_box(BOX, [constant(1.0)] * 6)
    images, _, _ = arrivals_by_delay(room, 14.3)
    faces = lattice_faces(room, images, np.repeat(RECEIVER[None], len(images.order), axis=0))
    # By hand from the image's height: 5.5 = 4 + 1.5 is down first, then up; 6.5 = 4 + 2.5 is up, down, up.
    assert faces[4][:2].tolist() == [0, 1]
    assert faces[5][:3].tolist() == [1, 0, 1]
    assert faces[9][0] == 4
    np.testing.assert_array_equal(np.sum(faces >= 0, axis=1), images.order)


def test_too_long_a_reach_is_refused(make_box):
    with pytest.raises(
        ParameterError, match=r"paths of up to 900\.0 m are too many in this pool \(over 100,000 image sources\)"
    ):
        arrivals_by_delay(make_box(BOX, [constant(1.0)] * 6), 900.0)


def test_a_room_without_a_box_is_refused(make_box):
    room = make_box(BOX, [constant(1.0)] * 6)
    skewed = Room(room.normals, room.offsets_m, room.reflections, room.mean_speed_m_s, room.fastest_m_s)
    with pytest.raises(ParameterError, match="box_m=None: the lattice of images needs a rectangular room"):
        lattice_images(skewed, SOURCE, RECEIVER[None], np.array([20.0]))
