"""Paths round corners: in convex water those of mirrored receivers; elsewhere the same both ways and as long as lines."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.echo_bound import echo_bound
from acoustics.accuracy.echo_bound.round_corners import paths_round_corners
from acoustics.io.site_sketch import site_faces
from acoustics.physics.image_receivers import visible_paths
from acoustics.propagate.arrivals import arrivals
from acoustics.scene.scene import Scene

L_SHAPE = {"outline_m": [(0, 0), (12, 0), (12, 4), (5, 4), (5, 9), (0, 9)], "depth_m": 2.5}
SHELF = {
    "outline_m": [(0, 0), (12, 0), (12, 9), (0, 9)],
    "depth_profile_m": [(0.0, 1.2), (4.0, 1.3), (7.0, 2.5), (12.0, 2.4)],
}
PENTAGON = {
    "outline_m": [(0, 0), (9, -1), (12, 5), (7, 10), (-1, 6)],
    "floor_points_m": [(0.0, 0.0, 2.2), (12.0, 5.0, 2.6), (-1.0, 6.0, 2.4)],
}
SOURCE = np.array([3.3, 2.6, 0.8])


def scene_in(pool, source=SOURCE, vehicle=(2.0, 2.0, 0.6)):
    return Scene.model_validate(
        {
            "water": {"temperature_degc": 20.0},
            "pool": pool,
            "pinger": [{"position_m": tuple(source), "frequency_hz": 30e3}],
            "array": {"hydrophone": [{"name": n, "position_m": [0.0, 0.02 * k, 0.0]} for k, n in enumerate("ab")]},
            "vehicle": {"position_m": vehicle},
        }
    )


def places_in(scene, count):
    places = np.random.default_rng(5).uniform((0, 0, 0), (12, 9, 2.5), (count, 3))
    return places[scene.pool.contains(places, 0.02)]


def names_and_lengths(paths, sources, faces):
    length = np.linalg.norm(paths.image_m - sources[paths.element], axis=-1)
    rows = zip(paths.element.tolist(), np.round(length, 9).tolist(), paths.faces.tolist(), strict=True)
    return sorted((element, at, [faces.names[f] for f in met if f >= 0]) for element, at, met in rows)


def test_in_convex_water_they_are_those_of_mirrored_receivers():
    scene = scene_in(PENTAGON)
    receivers, faces = places_in(scene, 30), site_faces(scene.pool)
    sources, reach = np.tile(SOURCE, (len(receivers), 1)), np.linalg.norm(receivers - SOURCE, axis=-1) + 6.0
    ours = paths_round_corners(scene, faces, sources, receivers, reach)
    theirs = visible_paths(faces, sources, receivers, reach)
    assert names_and_lengths(ours, sources, faces) == names_and_lengths(theirs, sources, faces)


def test_a_tank_of_twenty_corners_has_a_bound_in_every_place():
    """Blind mirroring makes over a million images of these places."""
    angle = np.arange(20) * np.pi / 10
    outline = np.round(np.column_stack([10 + 6 * np.cos(angle), 10 + 6 * np.sin(angle)]), 3).tolist()
    pool = {"outline_m": outline, "depth_m": 2.5}
    scene = scene_in(pool, source=(13.0, 11.0, 2.2), vehicle=(7.0, 8.5, 0.8))
    places = np.random.default_rng(4).uniform((5, 5, 0.5), (15, 15, 2.0), (30, 3))
    places = places[scene.pool.contains(places, 0.3)]
    sources = np.tile(scene.pingers[0].position_m, (len(places), 1))
    bound = echo_bound(scene, scene.pingers[0], places, np.zeros(len(places)), sources)
    assert np.all(bound.whole_burst_m > 0)
    assert not np.isnan(bound.to_first_wall_m).any()


@pytest.mark.parametrize("pool", [L_SHAPE, SHELF])
def test_they_are_those_of_the_arrivals_and_the_same_the_other_way(pool):
    scene = scene_in(pool)
    receivers, faces = places_in(scene, 40), site_faces(scene.pool)
    sources, reach = np.tile(SOURCE, (len(receivers), 1)), np.linalg.norm(receivers - SOURCE, axis=-1) + 4.0
    there = paths_round_corners(scene, faces, sources, receivers, reach)
    back = paths_round_corners(scene, faces, receivers, sources, reach)
    assert names_and_lengths(there, sources, faces) == [
        (element, at, met[::-1]) for element, at, met in names_and_lengths(back, receivers, faces)
    ]
    paths = arrivals(
        scene, receivers[:, None], SOURCE, frequency_hz=30e3, horizon_s=4.1 / scene.sound_speed_m_s, floor_db=-np.inf
    )
    speed = scene.sound_speed_m_s
    for k in range(len(receivers)):
        length = np.sort(np.linalg.norm(there.image_m[there.element == k] - SOURCE, axis=-1))
        delay = np.sort(paths.delay_s[k, 0][paths.valid[k, 0]])
        np.testing.assert_allclose(
            length, (delay * speed)[: len(length)], rtol=5e-5
        )  # sound speed grows by 0.016 m/s a metre
