"""Where geometry degenerates, from the scene to the located ping: a finite answer, or a refusal that names its reason."""

from __future__ import annotations

import json

import numpy as np
import pytest

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import InputError, ParameterError
from acoustics.base.frames import bearing_and_depression, direction
from acoustics.estimate.direction.bearing import estimate_bearing
from acoustics.estimate.locate.pipeline import LocateOptions, locate
from acoustics.estimate.position.fix import locate_source
from acoustics.estimate.tdoa.differences import tdoa_from_toa
from acoustics.io.ping_lines import ping_table
from acoustics.io.sidecar import read_sidecar
from acoustics.io.streams import stream_recording
from acoustics.physics.tdoa import spherical_time
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.multipath_free_window import multipath_free_map_s
from acoustics.propagate.render.draw import draw_recording
from acoustics.propagate.render.samples import render
from acoustics.scene.scenario import load_scene
from acoustics.scene.scene import Scene
from acoustics.study.simulate.recording import simulate_recording

ARRAYS = {
    "pair": [(0.0, 0.0, 0.0), (0.0, 0.02, 0.0)],
    "line": [(0.0, 0.0, 0.0), (0.0, 0.02, 0.0), (0.0, 0.06, 0.0)],
    "plane": [(0.0, 0.0, 0.0), (0.02, 0.0, 0.0), (0.0, 0.02, 0.0), (0.02, 0.02, 0.0)],
    "upright plane": [(0.0, 0.0, 0.0), (0.02, 0.0, 0.0), (0.0, 0.0, 0.02), (0.02, 0.0, 0.02)],
    "volume": [(0.0, 0.0, 0.0), (0.02, 0.0, 0.0), (0.0, 0.02, 0.0), (0.0, 0.0, 0.02)],
}
# Pinger and vehicle [m]; the vehicle looks along +x.
PLACES = {
    "in the array's plane": ((16.0, 8.0, 1.0), (8.0, 6.0, 1.0)),
    "on a baseline's axis": ((8.0, 10.0, 1.0), (8.0, 6.0, 1.0)),
    "dead ahead": ((16.0, 6.0, 1.0), (8.0, 6.0, 1.0)),
    "straight below": ((8.0, 6.0, 2.9), (8.0, 6.0, 1.0)),
    "straight above": ((8.0, 6.0, 0.0), (8.0, 6.0, 1.0)),
    "among the hydrophones": ((8.011, 6.011, 1.011), (8.0, 6.0, 1.0)),
    "array at the surface": ((16.0, 8.0, 2.0), (8.0, 6.0, 0.0)),
    "all at the surface": ((16.0, 8.0, 0.0), (8.0, 6.0, 0.0)),
    "pinger on the floor": ((16.0, 8.0, 3.0), (8.0, 6.0, 1.0)),
    "pinger in a corner": ((0.0, 0.0, 3.0), (8.0, 6.0, 1.0)),
    "array at a wall": ((16.0, 8.0, 1.0), (0.0, 6.0, 1.0)),
}
POOLS = {
    "level": {"depth_m": 3.0},
    "sloping": {"floor_points_m": [(0.0, 0.0, 3.0), (25.0, 0.0, 3.8), (0.0, 12.5, 3.0)]},
}
OUTLINE = [(0.0, 0.0), (25.0, 0.0), (25.0, 12.5), (0.0, 12.5)]


def scene_of(shape, place, pool="level", **parts):
    pinger, vehicle = PLACES[place]
    rows = [{"name": f"h{k}", "position_m": p, "tolerance_m": 0.0} for k, p in enumerate(ARRAYS[shape])]
    table = {
        "water": {"temperature_degc": 20.0},
        "pool": {"outline_m": OUTLINE, **POOLS[pool]},
        "pinger": [{"position_m": pinger, "frequency_hz": 30e3, "pri_s": 0.5}],
        "array": {"hydrophone": rows},
        "recorder": {"sample_rate_hz": 192e3, "gain_db": 20.0},
        "vehicle": {"position_m": vehicle},
        "noise": {"ambient_density_db": 50.0},
    }
    return Scene.model_validate(table | parts)


@pytest.fixture(params=PLACES)
def place(request):
    return request.param


@pytest.mark.parametrize("pool", POOLS)
def test_arrivals_and_clean_windows_are_finite(place, pool):
    scene = scene_of("volume", place, pool)
    hydrophones = scene.vehicle.pose.to_site(scene.array.positions_m)
    source = scene.pingers[0].position_m
    paths = arrivals(scene, hydrophones, source, frequency_hz=30e3)
    assert np.isfinite(paths.delay_s).all() and np.isfinite(paths.amplitude).all()
    assert paths.valid[:, 0].all() and (paths.delay_s[:, 0] > 0).all()
    # Straight rays at the speed of 20 C water: the direct sound takes its distance, to the span of speeds with depth.
    distance = np.linalg.norm(hydrophones - source, axis=-1)
    assert paths.delay_s[:, 0] == pytest.approx(distance / scene.sound_speed_m_s, rel=1e-4)
    window = multipath_free_s(paths)
    assert 0 <= window <= paths.horizon_s
    at_once = multipath_free_map_s(scene, hydrophones[None], source, frequency_hz=30e3)
    assert at_once[0] == pytest.approx(window, abs=1e-11)


@pytest.mark.parametrize("place", ["all at the surface", "straight above"])
def test_a_source_on_the_surface_is_cancelled_by_its_image(place):
    # A pressure-releasing plane: source and image of opposite sign in one place (Lloyd's mirror at no depth).
    scene = scene_of("volume", place)
    hydrophones = scene.vehicle.pose.to_site(scene.array.positions_m)
    paths = arrivals(scene, hydrophones, scene.pingers[0].position_m, frequency_hz=30e3)
    pair = paths.amplitude[:, :2]
    assert np.abs(pair.sum(axis=-1)) == pytest.approx(np.zeros(4), abs=1e-12)
    assert multipath_free_s(paths) == 0


@pytest.mark.parametrize("array", ARRAYS)
def test_bounds_are_numbers_or_infinite(array, place):
    scene = scene_of(array, place)
    points = scene.array.positions_m
    source = np.subtract(scene.pingers[0].position_m, scene.vehicle.position_m)
    link = link_budget(scene, scene.pingers[0], np.linalg.norm(source))
    bearing, depression = bearing_and_depression(source)
    nuisances = {"element_sd_m": 1e-3, "sound_speed_sd_m_s": 2.0, "skew_sd_s": 1e-7, "attitude_sd": [0.01, 0.01, 0.03]}
    for variance, extra in ((float(link.carrier_variance_s2), nuisances), (1e-30, nuisances), (1e-30, {})):
        found = bearing_bound(points, bearing, depression, 1482.0, arrival_variance_s2=variance, **extra)
        assert not np.isnan(found.covariance).any() and (np.diagonal(found.covariance) >= 0).all()
        for depth in ({}, {"source_depth_sd_m": 0.1}):
            bound = position_bound(points, source, 1482.0, arrival_variance_s2=variance, **extra, **depth)
            assert not np.isnan(bound.covariance_m2).any() and bound.horizontal_rms_m >= 0


@pytest.mark.parametrize("array", ["pair", "plane", "volume"])
@pytest.mark.parametrize("sd_s", [0.0, 1e-8, 1e-3])
def test_estimates_are_finite_or_refused_by_name(array, place, sd_s):
    points = np.array(ARRAYS[array])
    source = np.subtract(*PLACES[place])
    times = spherical_time(points, source, 1482.0) + sd_s * np.random.default_rng(1).normal(size=(2, len(points)))
    delays = tdoa_from_toa(times, sd_s**2)
    bearing = estimate_bearing(delays, points, 1482.0)
    assert np.isfinite(bearing.bearing).all() and np.isfinite(bearing.covariance).all()
    assert np.all(bearing.ok | (np.array(bearing.reason) != ""))
    for depth in ({}, {"source_depth_m": source[2], "source_depth_sd_m": 0.05}):
        fix = locate_source(delays, points, 1482.0, **depth)
        assert np.isfinite(fix.position_m).all() and np.isfinite(fix.covariance_m2).all()
        assert np.all(fix.ok | (np.array(fix.reason) != ""))


@pytest.mark.parametrize("place", [name for name in PLACES if name != "among the hydrophones"])
def test_the_direction_is_right_wherever_a_volume_can_tell_it(place):
    points = np.array(ARRAYS["volume"])
    source = np.subtract(*PLACES[place])
    found = estimate_bearing(tdoa_from_toa(spherical_time(points, source, 1482.0), 0.0), points, 1482.0)
    unit = direction(found.bearing[0], found.depression[0])
    # A wave front bends by the aperture over twice the distance; seen from the array's middle that is of second order.
    middle = source - points.mean(axis=0)
    assert unit == pytest.approx(middle / np.linalg.norm(middle), abs=0.02 / np.linalg.norm(middle) + 1e-6)


@pytest.mark.parametrize(("array", "echoes"), [("pair", True), ("plane", True), ("volume", True), ("volume", False)])
@pytest.mark.slow
def test_one_ping_is_rendered_and_located_or_refused(array, place, echoes, tmp_path):
    scene = scene_of(array, place)
    file = tmp_path / "one.wav"
    simulate_recording(scene, file, seed=1, pings=1, echoes=echoes, reverberation_s=5e-3)
    sidecar = read_sidecar(file.with_suffix(".json"))
    for ping in locate(stream_recording(file, sidecar), sidecar, LocateOptions()):
        json.dumps(ping_table(ping), allow_nan=False)
        assert ping.ok or ping.reason
        if ping.ok:
            assert np.isfinite(ping.tdoa_s).all() and ping.candidates
            assert ping.position_m is not None or ping.position_reason


@pytest.mark.parametrize("density_db", [-100.0, -20.0, 50.0])
@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.slow
def test_with_next_to_no_noise_or_none_in_the_samples_both_pings_are_located(density_db, bits, tmp_path):
    # At -100 dB every sample between the bursts is 0; at -20 dB and 24 bits only the last bits move.
    recorder = {"sample_rate_hz": 192e3, "gain_db": 20.0, "bits": bits}
    scene = scene_of("volume", "in the array's plane", noise={"ambient_density_db": density_db}, recorder=recorder)
    file = tmp_path / "quiet.wav"
    simulate_recording(scene, file, seed=1, pings=2, echoes=False)
    sidecar = read_sidecar(file.with_suffix(".json"))
    found = list(locate(stream_recording(file, sidecar), sidecar, LocateOptions()))
    assert len(found) == 2
    for ping in found:
        assert ping.ok and np.isfinite(ping.tdoa_covariance_s2).all()
        # The wave from 8.2 m bends by the array's width over the distance, 2e-3 rad.
        seen = direction(ping.candidates[0].bearing, ping.candidates[0].depression)
        assert seen == pytest.approx(np.subtract(*PLACES["in the array's plane"]) / np.hypot(8, 2), abs=0.1)


@pytest.mark.slow
def test_strong_pings_in_water_quieter_than_a_step_of_the_converter_are_all_located(tmp_path):
    """Samples stand still between bursts of 5,000 steps: the noise is the converter's, and neither the ringing of a
    pinger's own filter nor what leaks into it from the other is a ping."""
    recorder = {"sample_rate_hz": 192e3, "gain_db": 24.0, "bits": 16}
    places = {"one": (16.0, 8.0, 1.0), "other": (4.0, 10.0, 1.0)}
    pingers = [
        {"name": name, "position_m": place, "frequency_hz": f, "pri_s": 0.5}
        for (name, place), f in zip(places.items(), (28e3, 36e3), strict=True)
    ]
    noise = {"ambient_density_db": 15.0}
    scene = scene_of("volume", "dead ahead", noise=noise, recorder=recorder, pinger=pingers)
    file = tmp_path / "quiet.wav"
    simulate_recording(scene, file, seed=1, pings=6)
    sidecar = read_sidecar(file.with_suffix(".json"))
    found = list(locate(stream_recording(file, sidecar), sidecar, LocateOptions()))
    assert all(ping.ok for ping in found)
    for name, place in places.items():
        own = [p for p in found if p.pinger == name]
        assert len(own) == 6
        away = np.subtract(place, scene.vehicle.position_m)
        for ping in own:
            seen = direction(ping.candidates[0].bearing, ping.candidates[0].depression)
            assert seen == pytest.approx(away / np.linalg.norm(away), abs=0.1)


def test_a_recording_of_nothing_is_refused_by_name(tmp_path):
    scene = scene_of("volume", "dead ahead", noise={"ambient_density_db": -100.0})
    weak = scene.model_copy(update={"pingers": (scene.pingers[0].model_copy(update={"source_level_db": -100.0}),)})
    file = tmp_path / "silent.wav"
    simulate_recording(weak, file, seed=1, pings=2)
    sidecar = read_sidecar(file.with_suffix(".json"))
    with pytest.raises(InputError, match="every channel holds one value throughout: nothing was recorded"):
        list(locate(stream_recording(file, sidecar), sidecar, LocateOptions()))


def test_a_bound_without_noise_is_refused_by_name():
    for bound, where in ((bearing_bound, (0.1, 0.2)), (position_bound, ((3.0, 1.0, 0.5),))):
        with pytest.raises(ParameterError, match="arrival_variance_s2=0 must be above 0"):
            bound(ARRAYS["volume"], *where, 1482.0, arrival_variance_s2=0.0)


def test_a_pinger_at_a_hydrophone_is_refused_by_name(tmp_path):
    scene = scene_of("volume", "dead ahead")
    place = scene.vehicle.pose.to_site(scene.array.positions_m)
    with pytest.raises(ParameterError, match=r"source_m=\[.*\] is the place of a hydrophone; they must differ"):
        arrivals(scene, place, place[1], frequency_hz=30e3)
    (tmp_path / "scene.toml").write_text(
        "water = { temperature_degc = 20.0 }\nvehicle = { position_m = [8.0, 6.0, 1.0] }\n"
        'pinger = [{ position_m = [8.0, 6.0, 1.0], frequency_hz = 30e3 }]\narray = { use = "square-half-wave" }\n'
    )
    with pytest.raises(InputError, match=r"pinger\[1\].position_m: pinger lies within 1 cm of a hydrophone or of"):
        load_scene(tmp_path / "scene.toml")
    # A bound there is no error: it says that the place is not observed from itself, or a number.
    bound = position_bound(ARRAYS["volume"], ARRAYS["volume"][0], 1482.0, arrival_variance_s2=1e-16)
    assert not np.isnan(bound.covariance_m2).any()


def test_hydrophones_at_the_surface_that_their_tolerance_lifts_out_are_refused():
    rows = [{"name": f"h{k}", "position_m": p, "tolerance_m": 0.01} for k, p in enumerate(ARRAYS["plane"])]
    scene = scene_of("plane", "array at the surface", array={"hydrophone": rows})
    with pytest.raises(ParameterError, match="hydrophones_site_m=.* is outside the water"):
        draw_recording(scene, seconds=0.1, seed=1)


def test_a_recording_of_one_sample(tmp_path):
    scene = scene_of("volume", "dead ahead")
    (block,) = render(draw_recording(scene, seconds=1 / 192e3, seed=1))
    assert block.shape == (1, 4)
    file = tmp_path / "one.wav"
    simulate_recording(scene, file, seed=1, seconds=1 / 192e3)
    sidecar = read_sidecar(file.with_suffix(".json"))
    with pytest.raises(InputError, match="1 samples are too short to hold a ping"):
        list(locate(stream_recording(file, sidecar), sidecar, LocateOptions()))
