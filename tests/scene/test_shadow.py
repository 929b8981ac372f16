import numpy as np

from acoustics.scene.shadow import segment_meets_box, segment_meets_cylinder

LOW, HIGH = np.array([-0.3, -0.2, 0.1]), np.array([0.5, 0.25, 0.4])
FROM, TO, RADIUS = np.array([-0.4, 0.1, 0.0]), np.array([0.3, -0.2, 0.25]), 0.15


def random_segments(n):
    rng = np.random.default_rng(3)
    return rng.uniform(-1, 1, (n, 3)), rng.uniform(-1, 1, (n, 3))


def points_along(start, end):
    share = np.linspace(0, 1, 1001)[:, None, None]
    return start + share * (end - start)


def depth_inside_box(points):
    return np.minimum(points - LOW, HIGH - points).min(axis=-1)


def depth_inside_cylinder(points):
    length = np.linalg.norm(TO - FROM)
    axis = (TO - FROM) / length
    along = (points - FROM) @ axis
    across = np.linalg.norm(points - FROM - along[..., None] * axis, axis=-1)
    return np.minimum(np.minimum(along, length - along), RADIUS - across)


# Reference: 1,001 points along every segment, up to 3.5 mm apart: they miss the deepest by up to 1.8 mm.
def check_against_sampling(meets, depth):
    start, end = random_segments(1000)
    deepest = depth(points_along(start, end)).max(axis=0)
    found = meets(start, end)
    clear_cut = np.abs(deepest) > 2e-3
    assert 0.1 < found.mean() < 0.9
    assert np.array_equal(found[clear_cut], deepest[clear_cut] > 0)


def test_box_against_sampling_the_segment():
    check_against_sampling(lambda a, b: segment_meets_box(a, b, LOW, HIGH), depth_inside_box)


def test_cylinder_against_sampling_the_segment():
    check_against_sampling(lambda a, b: segment_meets_cylinder(a, b, FROM, TO, RADIUS), depth_inside_cylinder)


def test_a_hydrophone_on_the_surface_hears_outwards_and_not_through_the_body():
    on_face = np.array([HIGH[0], 0.0, 0.2])
    ends = np.array([[5.0, 0.0, 0.2], [HIGH[0], 5.0, 0.2], [-5.0, 0.0, 0.2]])
    assert segment_meets_box(on_face, ends, LOW, HIGH).tolist() == [False, False, True]
    on_tube = np.array([0.0, 0.1, 0.0])
    ends = np.array([[0.0, 5.0, 0.0], [5.0, 0.1, 0.0], [0.0, -5.0, 0.0]])
    tube = ([-1, 0, 0], [1, 0, 0], 0.1)
    assert segment_meets_cylinder(on_tube, ends, *tube).tolist() == [False, False, True]


def test_segments_along_the_axes_and_of_no_length():
    inside = [0.0, 0.0, 0.2]
    assert segment_meets_box([-1, 0, 0.2], [1, 0, 0.2], LOW, HIGH)
    assert not segment_meets_box([-1, 0, 0.2], [-0.5, 0, 0.2], LOW, HIGH)  # stops short
    assert not segment_meets_box([-1, 0, 0.1], [1, 0, 0.1], LOW, HIGH)  # slides along a face
    assert segment_meets_box(inside, inside, LOW, HIGH)
    tube = ([0, 0, 0], [0, 0, 1], 0.2)
    assert segment_meets_cylinder([0.1, 0, -1], [0.1, 0, 2], *tube)  # along the axis, inside
    assert not segment_meets_cylinder([0.3, 0, -1], [0.3, 0, 2], *tube)  # along the axis, outside
    assert not segment_meets_cylinder([-1, 0, 1.1], [1, 0, 1.1], *tube)  # over the end


def test_leading_dimensions_broadcast():
    hydrophones, sources = np.zeros((5, 1, 4, 3)) - 1.0, np.ones((7, 1, 3))
    assert segment_meets_box(hydrophones, sources, LOW, HIGH).shape == (5, 7, 4)
    assert segment_meets_cylinder(hydrophones, sources, FROM, TO, RADIUS).shape == (5, 7, 4)
