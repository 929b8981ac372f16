"""Arrivals of a scene: delays, amplitudes, limits, the multipath-free window and its map."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from scipy.integrate import quad

from acoustics.base.errors import ParameterError
from acoustics.propagate import bending, kept_straight_paths
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.first_multipath import first_echo, multipath_free_s, path_label
from acoustics.propagate.multipath_free_window import multipath_free_map_s

OUTLINE = ((0.0, 0.0), (25.0, 0.0), (25.0, 12.5), (0.0, 12.5))
SHALLOW = {"outline_m": OUTLINE, "depth_m": 2.0}
SLOPING = {"outline_m": OUTLINE, "floor_points_m": ((0.0, 0.0, 1.4), (25.0, 0.0, 3.8), (0.0, 12.5, 1.4))}
GIVEN = {"walls": {"reflection_coefficient": 0.8}, "floor": {"reflection_coefficient": 0.7}}
SOURCE = (4.0, 3.0, 1.0)
F = 30e3


def hydrophones(scene):
    return scene.vehicle.pose.to_site(scene.array.positions_m)


def labels(paths):
    return [path_label(row, paths.face_names) for row in paths.faces]


def test_open_water_without_faces_has_the_direct_path_alone(make_scene):
    scene = make_scene({"surface_reflects": False}, pinger=(100.0, 0.0, 5.0))
    paths = arrivals(scene, hydrophones(scene), (100.0, 0.0, 5.0), frequency_hz=F)
    assert paths.order.tolist() == [0]
    distance = np.linalg.norm(hydrophones(scene) - (100.0, 0.0, 5.0), axis=1)
    speed = scene.water.mean_sound_speed_m_s(hydrophones(scene)[:, 2], 5.0)
    np.testing.assert_allclose(paths.delay_s[:, 0], distance / speed, rtol=1e-13)
    loss_db = scene.water.absorption_db_per_km(F) * distance / 1000
    np.testing.assert_allclose(-20 * np.log10(np.abs(paths.amplitude[:, 0])), 20 * np.log10(distance) + loss_db)
    assert multipath_free_s(paths) == paths.horizon_s


def test_surface_echo_of_open_water(make_scene):
    """Lloyd's mirror: the image lies as far above the surface as the source below it, with opposite sign."""
    scene = make_scene({}, pinger=(100.0, 0.0, 5.0))
    place = hydrophones(scene)
    paths = arrivals(scene, place, (100.0, 0.0, 5.0), frequency_hz=F)
    assert labels(paths) == ["direct", "surface"]
    image_distance = np.linalg.norm(place - (100.0, 0.0, -5.0), axis=1)
    assert np.all(paths.amplitude[:, 1].real < 0)
    loss = 10 ** (-scene.water.absorption_db_per_km(F) * image_distance / 1000 / 20)
    np.testing.assert_allclose(paths.amplitude[:, 1], -loss / image_distance, rtol=1e-12)
    np.testing.assert_allclose(paths.delay_s[:, 1], image_distance / 1500, rtol=5e-3)


@pytest.mark.parametrize(
    ("depth_m", "y_m", "face"), [(0.3, 6.0, "surface"), (1.8, 6.0, "floor"), (1.0, 0.1, "wall")], ids=str
)
def test_the_first_strong_echo_is_off_the_nearest_face(make_scene, depth_m, y_m, face):
    # Ten metres apart along x: the path off a face at a distance d is longer by about 2 d^2 / 10 m.
    source = (5.0, y_m, depth_m)
    scene = make_scene({**SHALLOW, **GIVEN}, pinger=source, vehicle=(15.0, y_m, depth_m))
    paths = arrivals(scene, hydrophones(scene)[:1], source, frequency_hz=F)
    assert first_echo(paths).startswith(face)
    assert first_echo(paths, threshold_db=0.0) == ""


def test_order_is_found_from_time_not_asked(make_scene):
    # Image lengths by hand: floor and surface bounces of order 4 arrive before the first side wall.
    scene = make_scene({**SHALLOW, **GIVEN}, pinger=(4.0, 3.0, 0.5), vehicle=(14.0, 7.0, 1.2))
    paths = arrivals(scene, hydrophones(scene)[:1], (4.0, 3.0, 0.5), frequency_hz=F, horizon_s=2.4e-3)
    first_wall = next(k for k, name in enumerate(labels(paths)) if "wall" in name)
    assert paths.order[:first_wall].tolist() == [0, 1, 1, 2, 2, 3, 3, 4, 4]
    assert labels(paths)[1:4] == ["surface", "floor", "surface, floor"]
    gains = paths.amplitude[0, :10] * np.linalg.norm(hydrophones(scene)[0] - (4.0, 3.0, 0.5))
    assert np.sign(gains.real[:9]).tolist() == [1, -1, 1, -1, -1, 1, -1, 1, 1]


def test_sloping_method_equals_closed_form_on_a_level_floor(make_scene):
    nearly = {
        "outline_m": OUTLINE,
        "floor_points_m": ((0.0, 0.0, 2.0), (25.0, 0.0, 2.0 + 1e-12), (0.0, 9.0, 2.0)),
    }
    results = []
    for pool in (SHALLOW, nearly):
        scene = make_scene(pool)
        assert scene.pool.is_rectangular == (pool is SHALLOW)
        results.append(arrivals(scene, hydrophones(scene), SOURCE, frequency_hz=F, horizon_s=6e-3))
    closed, general = results
    assert closed.order.max() >= 7
    np.testing.assert_array_equal(general.order, closed.order)
    np.testing.assert_array_equal(general.faces, closed.faces)
    np.testing.assert_allclose(general.delay_s, closed.delay_s, atol=1e-12)
    np.testing.assert_allclose(general.amplitude, closed.amplitude, atol=1e-9)


@pytest.mark.parametrize("pool", [SHALLOW, SLOPING])
def test_delay_of_straight_paths_through_a_profile_is_the_integral_along_them(make_scene, monkeypatch, pool):
    monkeypatch.setattr(bending, "BEND_SHARE", np.inf)
    water = {"profile": [{"depth_m": z, "temperature_degc": t} for z, t in ((0.2, 29.0), (0.9, 27.0), (1.3, 20.0))]}
    scene = make_scene(pool, water=water)
    place = hydrophones(scene)[:1]
    paths = arrivals(scene, place, SOURCE, frequency_hz=F, horizon_s=1.5e-3)
    walls = {face.name: face for face in scene.pool.faces}
    for k, name in enumerate(labels(paths)):
        # Bounce points by unfolding: mirror the source face by face, then walk back from the receiver.
        met = [] if name == "direct" else [walls[n] for n in name.split(", ")]
        images = [np.array(SOURCE)]
        for face in met:
            images.append(images[-1] - 2 * ((images[-1] - face.point) @ face.normal) * face.normal)
        points = [place[0]]
        for face, image in zip(met[::-1], images[:0:-1], strict=True):
            way = image - points[-1]
            points.append(points[-1] + way * ((face.point - points[-1]) @ face.normal) / (way @ face.normal))
        points.append(images[0])
        time = 0.0
        for start, end in zip(points, points[1:], strict=False):
            knots = [(z - start[2]) / (end[2] - start[2]) for z in (0.2, 0.9, 1.3)]
            time += (
                np.linalg.norm(end - start)
                * quad(
                    lambda x, a=start[2], b=end[2]: 1 / float(speed_of(scene, a + x * (b - a))),
                    0,
                    1,
                    points=[x for x in knots if 0 < x < 1] or None,
                    epsrel=1e-9,
                )[0]
            )
        assert paths.delay_s[0, k] == pytest.approx(time, rel=1e-6)
    assert len(paths.order) > 5


def speed_of(scene, depth):
    """Sound speed linear between the rows, which is how the straight-ray time is defined."""
    rows = np.array([0.0, 0.2, 0.9, 1.3, 4.0])
    return np.interp(depth, rows, scene.water.sound_speed_m_s(rows))


def test_coefficients_turn_the_phase_the_way_of_a_signal_exp_plus_iwt(make_scene):
    sand = {"walls": "sand", "floor": "sand"}
    scene = make_scene({**SHALLOW, **sand})
    place = hydrophones(scene)[:1]
    paths = arrivals(scene, place, SOURCE, frequency_hz=F)
    floor = labels(paths).index("floor")
    way = np.array(SOURCE) * (1, 1, -1) + (0, 0, 4.0) - place[0]
    grazing = np.arcsin(way[2] / np.linalg.norm(way))
    speed = float(scene.water.sound_speed_m_s(SOURCE[2]))
    # Rayleigh's coefficient of lossy sand written out for exp(+i w t): the vertical wavenumber decays as -i.
    ratio = speed / 1650 * (1 - 1j * 0.8 / 54.5751)
    vertical = np.conj(np.sqrt(np.conj(ratio**2 - np.cos(grazing) ** 2)))
    reflection = (1900 * np.sin(grazing) - 998 * vertical) / (1900 * np.sin(grazing) + 998 * vertical)
    loss = 10 ** (-float(scene.water.absorption_db_per_km(F)) / 1000 * np.linalg.norm(way) / 20)
    assert abs(reflection.imag) > 0.1
    assert paths.amplitude[0, floor] == pytest.approx(reflection * loss / np.linalg.norm(way), rel=1e-5)


def test_a_rough_surface_weakens_its_echo(make_scene):
    smooth, rough = (make_scene({**SHALLOW, **GIVEN, "surface_roughness_m": s}) for s in (0.0, 0.02))
    place = hydrophones(smooth)[:1]
    echo = [arrivals(s, place, SOURCE, frequency_hz=F).amplitude[0, 1] for s in (smooth, rough)]
    way = np.array(SOURCE) * (1, 1, -1) - place[0]
    sine = -way[2] / np.linalg.norm(way)
    k = 2 * np.pi * F / float(smooth.water.sound_speed_m_s(SOURCE[2]))
    assert (echo[1] / echo[0]).real == pytest.approx(np.exp(-2 * (k * 0.02 * sine) ** 2), rel=1e-9)


def test_limits_of_time_and_level_hold(make_scene):
    scene = make_scene({**SHALLOW, **GIVEN})
    place = hydrophones(scene)[:1]
    all_of_them = arrivals(scene, place, SOURCE, frequency_hz=F, horizon_s=8e-3, floor_db=-np.inf)
    cut = arrivals(scene, place, SOURCE, frequency_hz=F, horizon_s=4e-3, floor_db=-12.0)
    after = all_of_them.delay_s[0] - all_of_them.delay_s[0, 0]
    level = 20 * np.log10(np.abs(all_of_them.amplitude[0]) / np.abs(all_of_them.amplitude[0, 0]))
    keep = (after <= 4e-3) & (level >= -12.0)
    assert 3 < np.sum(keep) < len(keep)
    np.testing.assert_allclose(cut.delay_s[0], all_of_them.delay_s[0, keep], rtol=1e-13)
    assert np.all(np.diff(cut.delay_s[0]) >= 0)


@pytest.mark.parametrize("pool", [SHALLOW, SLOPING])
def test_a_batch_equals_its_elements_one_by_one(make_scene, pool):
    scene = make_scene(pool)
    shifts = np.random.default_rng(2).uniform((-10, -5, -0.5), (12, 6, 0.4), (3, 4, 1, 3))
    place = hydrophones(scene) + shifts
    paths = arrivals(scene, place, SOURCE, frequency_hz=F)
    assert paths.delay_s.shape == (3, 4, 4, paths.order.shape[-1])
    for index in np.ndindex(3, 4):
        alone = arrivals(scene, place[index], SOURCE, frequency_hz=F)
        n, largest = len(alone.order), alone.faces.shape[-1]
        np.testing.assert_array_equal(paths.order[index][:n], alone.order)
        np.testing.assert_array_equal(paths.order[index][n:], -1)
        np.testing.assert_array_equal(paths.faces[index][:n, :largest], alone.faces)
        np.testing.assert_array_equal(paths.valid[index][:, :n], alone.valid)
        np.testing.assert_allclose(paths.delay_s[index][:, :n], alone.delay_s, atol=1e-12)
        np.testing.assert_allclose(paths.amplitude[index][:, :n], alone.amplitude, atol=1e-9)
        assert not paths.valid[index][:, n:].any() and not paths.amplitude[index][:, n:].any()
        end = alone.delay_s[:, :1] + paths.horizon_s
        np.testing.assert_allclose(paths.delay_s[index][:, n:], np.broadcast_to(end, (4, paths.order.shape[-1] - n)))


def test_a_large_batch_is_worked_in_parts(make_scene, monkeypatch):
    scene = make_scene(SLOPING)
    place = hydrophones(scene) + np.linspace(0, 3, 7)[:, None, None] * (1.0, 0.0, 0.0)
    at_once = arrivals(scene, place, SOURCE, frequency_hz=F)
    monkeypatch.setattr(sys.modules[arrivals.__module__], "_RECEIVERS_AT_ONCE", 12)
    monkeypatch.setattr(kept_straight_paths, "_PAIRS_AT_ONCE", 60)
    in_parts = arrivals(scene, place, SOURCE, frequency_hz=F)
    np.testing.assert_array_equal(in_parts.faces, at_once.faces)
    np.testing.assert_allclose(in_parts.delay_s, at_once.delay_s, rtol=1e-10)
    np.testing.assert_allclose(in_parts.amplitude, at_once.amplitude, atol=1e-10)


def test_clean_window_is_the_time_to_the_first_strong_echo(make_scene):
    scene = make_scene({**SHALLOW, **GIVEN})
    place = hydrophones(scene)
    paths = arrivals(scene, place, SOURCE, frequency_hz=F)
    lengths = [np.linalg.norm(place - np.array(SOURCE) * (1, 1, sign), axis=1) for sign in (1, -1)]
    shortest = np.min(lengths[1] - lengths[0]) / float(scene.water.sound_speed_m_s(1.0))
    # Sound is slower by a few parts per million along the echo, which runs nearer the surface.
    assert multipath_free_s(paths) == pytest.approx(shortest, rel=1e-3)
    # With a threshold of 0 dB no echo is stronger than the direct arrival: the horizon is all there is to say.
    assert multipath_free_s(paths, threshold_db=0.0) == paths.horizon_s


@pytest.mark.parametrize("pool", [SHALLOW, SLOPING, {"depth_m": 3.0, "surface_roughness_m": 0.05}])
@pytest.mark.parametrize("threshold_db", [-6.0, -20.0])
def test_the_map_of_clean_windows_equals_the_windows_of_all_arrivals(make_scene, pool, threshold_db):
    scene = make_scene(pool)
    x, y = np.meshgrid(np.linspace(0.5, 24.5, 12), np.linspace(0.5, 12.0, 7), indexing="ij")
    place = np.stack([x, y, np.full(x.shape, 0.8)], axis=-1)[..., None, :] + scene.array.positions_m
    at_once = multipath_free_map_s(scene, place, SOURCE, frequency_hz=F, threshold_db=threshold_db)
    laid_out = multipath_free_s(arrivals(scene, place, SOURCE, frequency_hz=F), threshold_db=threshold_db)
    np.testing.assert_allclose(at_once, laid_out, atol=1e-11)
    assert np.ptp(at_once) > 1e-4


@pytest.mark.parametrize(
    "change, text",
    [
        (
            {"hydrophones_site_m": [0.0, 1.0, 2.0]},
            r"hydrophones_site_m has shape \(3,\); \(\.\.\., n_hydrophones, 3\)",
        ),
        (
            {"hydrophones_site_m": [[30.0, 1.0, 1.0]]},
            r"hydrophones_site_m=\[30\.0, 1\.0, 1\.0\] is outside the water",
        ),
        ({"source_m": [[1.0, 1.0, 1.0]]}, r"source_m has shape \(1, 3\); \(3,\) is needed"),
        ({"source_m": [1.0, 1.0, -0.1]}, r"source_m=\[1\.0, 1\.0, -0\.1\] is outside the water"),
        ({"source_m": [9.0, 6.0, 1.0]}, r"source_m=.* is the place of a hydrophone; they must differ"),
        ({"frequency_hz": 0.0}, r"frequency_hz=0\.0 must be positive and finite"),
        ({"horizon_s": -1.0}, r"horizon_s=-1\.0 must be positive and finite"),
    ],
)
@pytest.mark.parametrize("function", [arrivals, multipath_free_map_s])
def test_wrong_arguments_are_refused(make_scene, function, change, text):
    scene = make_scene(SHALLOW)
    given = {"hydrophones_site_m": [[9.0, 6.0, 1.0]], "source_m": SOURCE, "frequency_hz": F, **change}
    with pytest.raises(ParameterError, match=text):
        function(scene, given.pop("hydrophones_site_m"), given.pop("source_m"), **given)


def test_wrong_levels_are_refused(make_scene):
    scene = make_scene(SHALLOW)
    with pytest.raises(ParameterError, match=r"floor_db=3\.0 must be at most 0 dB"):
        arrivals(scene, hydrophones(scene), SOURCE, frequency_hz=F, floor_db=3.0)
    with pytest.raises(ParameterError, match=r"threshold_db=3\.0 must be at most 0 dB"):
        multipath_free_map_s(scene, hydrophones(scene), SOURCE, frequency_hz=F, threshold_db=3.0)
    paths = arrivals(scene, hydrophones(scene), SOURCE, frequency_hz=F)
    with pytest.raises(ParameterError, match=r"threshold_db=-60\.0 must be from the arrivals' floor of -40\.0 dB"):
        multipath_free_s(paths, threshold_db=-60.0)
