"""Reduced bases of integer lattices, against exhaustive search."""

from itertools import product

import numpy as np

from acoustics.physics.lattice_reduction import nearest_points, reduced_basis


def test_reduced_basis_is_unimodular_and_finds_the_shortest_vector():
    """Against every integer vector of a box, for lattices as stretched as carrier and envelope make them."""
    rng = np.random.default_rng(2)
    skewed = rng.standard_normal((50, 3, 3)) * np.array([1.0, 0.1, 0.01])[:, None]
    metric = np.swapaxes(skewed, -1, -2) @ skewed + 1e-6 * np.eye(3)
    basis = reduced_basis(metric)
    np.testing.assert_allclose(np.abs(np.linalg.det(basis)), 1.0, rtol=1e-6)
    box = np.array([v for v in product(range(-15, 16), repeat=3) if any(v)])
    shortest = np.einsum("ki,bij,kj->bk", box, metric, box).min(axis=1)
    near = np.array([v for v in product(range(-1, 2), repeat=3) if any(v)])
    vectors = near @ np.swapaxes(basis, -1, -2)
    found = np.einsum("bki,bij,bkj->bk", vectors, metric, vectors).min(axis=1)
    assert (found <= shortest * (1 + 1e-9)).all()


def test_nearest_points_are_those_of_a_search_through_a_box():
    rng = np.random.default_rng(3)
    skewed = rng.standard_normal((20, 3, 3)) * np.array([1.0, 0.3, 0.2])[:, None]
    metric = np.swapaxes(skewed, -1, -2) @ skewed + 0.05 * np.eye(3)
    target = rng.uniform(-1, 1, (20, 3))
    found = nearest_points(reduced_basis(metric), metric, target, 60)
    box = np.array(list(product(range(-15, 16), repeat=3)))

    def distance(points):
        off = points - target[:, None]
        return np.einsum("bki,bij,bkj->bk", off, metric, off)

    np.testing.assert_allclose(distance(found)[:, :40], np.sort(distance(box))[:, :40], atol=1e-9)


def test_a_limit_on_the_distance_leaves_out_no_point_within_it():
    rng = np.random.default_rng(4)
    skewed = rng.standard_normal((40, 3, 3)) * np.array([1.0, 0.3, 0.2])[:, None]
    metric = 20 * np.swapaxes(skewed, -1, -2) @ skewed + np.eye(3)
    target, basis, within = rng.uniform(-1, 1, (40, 3)), reduced_basis(metric), 9.0
    limited, all_near = (
        nearest_points(basis, metric, target, 400, within=within),
        nearest_points(basis, metric, target, 400),
    )
    assert limited.shape[1] < all_near.shape[1] / 4
    for few, many, center, m in zip(limited, all_near, target, metric, strict=True):
        off = many - center
        distance = np.einsum("ki,ij,kj->k", off, m, off)
        near = {tuple(point) for point in many[distance <= distance[0] + within]}
        assert near <= {tuple(point) for point in few}
