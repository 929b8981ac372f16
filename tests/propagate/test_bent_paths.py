"""Bent paths against straight ones in even water, the exact time in one gradient, and the lake that needs them."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.physics.refraction import linear_gradient_travel_time
from acoustics.propagate import bending, bent_paths
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.multipath_free_window import multipath_free_map_s, multipath_free_pairs_s

LAKE = {
    "profile": [
        {"depth_m": 0.0, "temperature_degc": 21.0},
        {"depth_m": 3.0, "temperature_degc": 20.0},
        {"depth_m": 5.0, "temperature_degc": 13.0},
        {"depth_m": 8.0, "temperature_degc": 10.0},
    ]
}
# A little colder at the floor, so that the pressure there does not quicken sound.
EVEN = {"profile": [{"depth_m": 0.0, "temperature_degc": 20.0}, {"depth_m": 8.0, "temperature_degc": 19.956613496}]}
EVEN_DEEP = {"profile": [{"depth_m": 0.0, "temperature_degc": 20.0}, {"depth_m": 20.0, "temperature_degc": 19.891641}]}
FLOOR = {"depth_m": 8.0, "floor": "mud", "surface_roughness_m": 0.01}
SLOPE = {"floor_points_m": [(0.0, 0.0, 8.0), (10.0, 0.0, 8.3), (0.0, 10.0, 7.3)], "floor": "mud"}
SHELF = {"depth_profile_m": [(-10.0, 9.0), (21.0, 6.5), (35.0, 6.5)], "floor": "mud"}
SOURCE = np.array([0.0, 0.0, 6.0])


def placed(range_m, depth_m=2.0):
    away = range_m * np.array([0.8, 0.6])
    return np.array([[*away, depth_m], [*away, depth_m + 0.05], [*(1.001 * away), depth_m]])


@pytest.mark.parametrize(
    ("pool", "water"),
    [(FLOOR, EVEN), ({"floor_points_m": None}, EVEN), (SLOPE, EVEN_DEEP), (SHELF, EVEN_DEEP)],
)
@pytest.mark.parametrize("range_m", [20.0, 60.0])
def test_in_even_water_they_are_the_straight_ones(make_scene, monkeypatch, pool, water, range_m):
    scene = make_scene(pool, water=water, pinger=tuple(SOURCE), vehicle=(20.0, 0.0, 2.0))
    values = {"frequency_hz": 30e3, "horizon_s": 6e-3, "floor_db": -60.0}
    straight = arrivals(scene, placed(range_m), SOURCE, **values)
    monkeypatch.setattr(bending, "BEND_SHARE", -1.0)
    bent = arrivals(scene, placed(range_m), SOURCE, **values)
    assert bent.order.tolist() == straight.order.tolist()
    np.testing.assert_array_equal(bent.faces, straight.faces)
    np.testing.assert_array_equal(bent.valid, straight.valid)
    np.testing.assert_allclose(bent.delay_s, straight.delay_s, rtol=1e-10)
    np.testing.assert_allclose(bent.amplitude, straight.amplitude, rtol=1e-5, atol=1e-9)


def test_in_one_gradient_the_direct_sound_takes_its_exact_time(make_scene):
    water = {"profile": [{"depth_m": 0.0, "temperature_degc": 10.0}, {"depth_m": 8.0, "temperature_degc": 16.0}]}
    scene = make_scene({"depth_m": 8.0}, water=water, pinger=tuple(SOURCE), vehicle=(20.0, 0.0, 2.0))
    receivers = placed(70.0)
    paths = arrivals(scene, receivers, SOURCE, frequency_hz=30e3)
    surface, floor = scene.water.sound_speed_m_s([0.0, 8.0])
    gradient = (floor - surface) / 8.0
    time = linear_gradient_travel_time(
        np.linalg.norm(receivers - SOURCE, axis=1),
        from_speed_m_s=surface + gradient * 6.0,
        to_speed_m_s=surface + gradient * receivers[:, 2],
        gradient_per_s=gradient,
    )
    assert paths.valid[:, 0].all()
    np.testing.assert_allclose(paths.delay_s[:, 0], time, rtol=1e-9)


@pytest.mark.parametrize("pool", [FLOOR, SLOPE, SHELF])
@pytest.mark.slow
def test_no_echo_comes_before_the_direct_sound_of_a_lake(make_scene, monkeypatch, pool):
    """With straight rays the surface echo, which runs through the warm water, is first from 63 m on."""
    scene = make_scene(pool, water=LAKE, pinger=(0.0, 0.0, 6.0), vehicle=(70.0, 0.0, 4.0))
    receivers = np.stack([placed(range_m, 4.0) for range_m in np.arange(30.0, 120.0, 10.0)])
    paths = arrivals(scene, receivers, SOURCE, frequency_hz=30e3)
    heard = paths.valid[:, :, 0]
    assert heard.mean() > 0.8
    after = np.where(paths.valid[..., 1:], paths.delay_s[..., 1:] - paths.delay_s[..., :1], np.inf).min(axis=-1)
    assert np.all(after[heard] > 0)
    monkeypatch.setattr(bending, "BEND_SHARE", np.inf)
    straight = arrivals(scene, receivers, SOURCE, frequency_hz=30e3)
    assert np.any(straight.valid[..., 1:] & (straight.delay_s[..., 1:] < straight.delay_s[..., :1]))


@pytest.mark.parametrize("pool", [FLOOR, SLOPE])
@pytest.mark.slow
def test_the_map_of_windows_is_that_of_the_arrivals(make_scene, pool):
    scene = make_scene(pool, water=LAKE, pinger=(0.0, 0.0, 6.0), vehicle=(70.0, 0.0, 4.0))
    receivers = np.stack([placed(range_m, 3.0) for range_m in (3.0, 8.0, 40.0, 80.0)])
    paths = arrivals(scene, receivers, SOURCE, frequency_hz=30e3)
    windows = multipath_free_map_s(scene, receivers, SOURCE, frequency_hz=30e3)
    np.testing.assert_allclose(windows, multipath_free_s(paths), rtol=1e-9)


@pytest.mark.parametrize("count", [3, pytest.param(700, marks=pytest.mark.slow)])
def test_windows_of_pairs_are_those_of_each_source(make_scene, count):
    """Three arrays share one call; many are interpolated, but where an echo just becomes strong."""
    scene, rng = make_scene(pool=FLOOR, water=LAKE), np.random.default_rng(5)
    middles = np.column_stack([rng.uniform(25.0, 45.0, count), rng.uniform(-8.0, 8.0, count), np.full(count, 2.0)])
    arrays = middles[:, None] + [[0.1, 0.0, 0.0], [-0.1, 0.05, 0.0], [0.0, -0.1, 0.1]]
    sources = np.array([[0.0, 0.0, 6.0], [3.0, 5.0, 6.0], [-2.0, 1.0, 5.0]])
    rest = {"frequency_hz": 30e3, "horizon_s": 5e-3, "threshold_db": -20.0}
    found = multipath_free_pairs_s(scene, arrays, sources, **rest)
    expected = np.stack([multipath_free_map_s(scene, arrays, source, **rest) for source in sources], axis=-1)
    off = np.abs(found / expected - 1.0)
    assert found.shape == (count, 3) and expected.min() > 0
    assert off.max() < 1e-5 if count > 3 else off.max() < 1e-9


@pytest.mark.parametrize("pool", [FLOOR, SLOPE])
@pytest.mark.parametrize("range_m", [40.0, 90.0])
def test_direct_sound_is_found_however_soon_one_stops_to_listen(make_scene, pool, range_m):
    """At 90 m it leaves more steeply than any straight path of much the same length."""
    scene = make_scene(pool, water=LAKE, pinger=(0.0, 0.0, 6.0), vehicle=(70.0, 0.0, 4.0))
    receivers = placed(range_m, 0.5)
    short, long = (arrivals(scene, receivers, SOURCE, frequency_hz=30e3, horizon_s=h) for h in (1e-5, 4e-3))
    assert long.valid[:, 0].all()
    np.testing.assert_allclose(short.delay_s[:, 0], long.delay_s[:, 0], rtol=1e-12)
    first = bent_paths.direct_times_s(scene, SOURCE, receivers)
    np.testing.assert_allclose(first, long.delay_s[:, 0], rtol=1e-9)


def test_it_bends_only_where_it_counts(make_scene):
    scene = make_scene(FLOOR, water=LAKE, pinger=(0.0, 0.0, 6.0), vehicle=(70.0, 0.0, 4.0))
    found = bending.bends(scene, np.stack([placed(5.0), placed(60.0)]), SOURCE, frequency_hz=30e3)
    assert found.tolist() == [False, True]


def test_beyond_the_shadow_s_edge_there_is_no_direct_sound(make_scene):
    """Sound speed that falls with depth: from 0.5 m a ray level at the surface is back at 0.5 m within 2 sqrt(R)."""
    water = {"profile": [{"depth_m": 0.0, "temperature_degc": 22.0}, {"depth_m": 8.0, "temperature_degc": 10.0}]}
    scene = make_scene({"depth_m": 8.0, "floor": "mud"}, water=water, pinger=(0.0, 0.0, 0.5), vehicle=(9.0, 0.0, 4.0))
    surface, floor = scene.water.sound_speed_m_s([0.0, 8.0])
    radius = surface / (surface - floor) * 8.0
    edge = 2 * np.sqrt(2 * radius * 0.5 - 0.25)
    places = np.array([[edge - 0.5, 0.0, 0.5], [edge + 0.5, 0.0, 0.5]])[:, None]
    paths = arrivals(scene, places, (0.0, 0.0, 0.5), frequency_hz=30e3)
    assert paths.valid[:, 0, 0].tolist() == [True, False]
    assert (multipath_free_s(paths) > 0).tolist() == [True, False]


@pytest.mark.parametrize(("on_m", "off_m"), [(8.0, 7.999), (0.0, 0.001)], ids=["floor", "surface"])
def test_a_pinger_that_lies_on_a_face_is_heard_as_one_just_off_it(make_scene, on_m, off_m):
    """A millimetre is a microsecond at most; rays that creep along a face by steps under a centimetre are given up."""
    receivers = np.array([[48.0, 20.0, 3.0], [40.0, 10.0, 7.0], [36.0, 8.0, 0.5]])
    times = []
    for depth_m in (on_m, off_m):
        scene = make_scene(SLOPE, water=LAKE, pinger=(0.0, 0.0, depth_m), vehicle=(20.0, 0.0, 2.0))
        paths = arrivals(scene, receivers, (0.0, 0.0, depth_m), frequency_hz=30e3)
        assert np.isfinite(paths.amplitude).all()
        times.append(bent_paths.direct_times_s(scene, np.array([0.0, 0.0, depth_m]), receivers))
    np.testing.assert_array_equal(np.isfinite(times[0]), np.isfinite(times[1]))
    np.testing.assert_allclose(times[0], times[1], atol=1e-6)
