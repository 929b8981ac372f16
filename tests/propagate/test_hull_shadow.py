"""The vehicle's bodies in the way of sound: a box between two hydrophones, one ahead of it and one astern."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.frames import Pose
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.multipath_free_window import multipath_free_map_s
from acoustics.propagate.render.draw import ChannelFaults, draw_recording
from acoustics.propagate.render.samples import render_pressure
from acoustics.scene.scene import Scene

F = 30e3
BOX = {"kind": "box", "low_m": (-0.1, -0.5, -0.3), "high_m": (0.1, 0.5, 0.3)}
AHEAD, ASTERN = 0, 1


def deep_scene(*, shadow=BOX, heading_deg=0.0, pinger=(20.0, 10.0, 10.0), ends=0.3, **more):
    table = {
        "water": {"temperature_degc": 15.0},
        "pool": {"depth_m": 30.0, "floor": "concrete"},
        "pinger": [{"position_m": pinger, "frequency_hz": F, "source_level_db": 180.0}],
        "array": {
            "hydrophone": [
                {"name": "ahead", "position_m": (ends, 0.0, 0.0)},
                {"name": "astern", "position_m": (-ends, 0.0, 0.0)},
            ]
        },
        "noise": {"ambient_density_db": 0.0, "self_noise_density_db": 0.0},
        "vehicle": {"position_m": (10.0, 10.0, 10.0), "heading_deg": heading_deg},
        "mounting": {"shadow": [shadow]} if shadow else {},
    }
    return Scene.model_validate(table | more)


def heard(scene, pose=None):
    pose = scene.vehicle.pose if pose is None else pose
    hydrophones = pose.to_site(scene.array.positions_m)
    source = scene.pingers[0].position_m
    with_hull = arrivals(scene, hydrophones, source, frequency_hz=F, horizon_s=30e-3, hull=Hull.of(scene, pose))
    without = arrivals(scene, hydrophones, source, frequency_hz=F, horizon_s=30e-3)
    return with_hull, without


@pytest.mark.parametrize(("heading", "blocked"), [(0.0, ASTERN), (180.0, AHEAD)])
def test_the_box_blocks_the_direct_path_and_echoes_pass_above_and_below(heading, blocked):
    # By hand: level, 0.2 m behind a box 0.6 m high. The surface's echo comes 20 m down over 10 m, so at the near face
    # it is 0.4 m above the hydrophone, over the box's 0.3 m; the floor's comes up four times as steeply.
    with_hull, without = heard(deep_scene(heading_deg=heading))
    free = 1 - blocked
    assert not with_hull.valid[blocked, 0]
    assert with_hull.amplitude[blocked, 0] == 0
    assert with_hull.delay_s[blocked, 0] == without.delay_s[blocked, 0]
    assert with_hull.valid[:, 1:].all()
    assert np.array_equal(with_hull.amplitude[free], without.amplitude[free])
    assert np.array_equal(with_hull.amplitude[blocked, 1:], without.amplitude[blocked, 1:])


def test_a_higher_box_blocks_the_echo_of_the_surface_too_and_not_that_of_the_floor():
    tall = BOX | {"low_m": (-0.1, -0.5, -0.45), "high_m": (0.1, 0.5, 0.45)}
    with_hull, without = heard(deep_scene(shadow=tall))
    surface, floor = (without.face_names.index(name) for name in ("surface", "floor"))
    first = without.faces[:, 0]
    single = without.order == 1
    of_surface = int(np.flatnonzero(single & (first == surface))[0])
    of_floor = int(np.flatnonzero(single & (first == floor))[0])
    # Paths come by the mean of their delays over the hydrophones that hear them: find them again by the delay.
    for path, reaches in ((of_surface, False), (of_floor, True)):
        same = np.isclose(with_hull.delay_s[ASTERN], without.delay_s[ASTERN, path], rtol=0, atol=1e-9)
        assert with_hull.valid[ASTERN][same].any() == reaches


def test_a_body_that_is_not_in_the_way_changes_no_bit():
    aside = BOX | {"low_m": (-0.1, 0.3, 2.0), "high_m": (0.1, 0.5, 2.3)}
    with_hull, without = heard(deep_scene(shadow=aside))
    for name in ("delay_s", "amplitude", "order", "valid"):
        assert np.array_equal(getattr(with_hull, name), getattr(without, name))


def test_a_mast_in_the_air_does_not_block_the_echo_of_the_surface():
    # The straight line to the image passes through the mast, but above the water there is no path of sound.
    mast = {"kind": "box", "low_m": (-1.0, -0.5, -12.0), "high_m": (9.0, 0.5, -10.1)}
    with_hull, without = heard(deep_scene(shadow=mast))
    assert np.array_equal(with_hull.valid, without.valid)
    reaching_down = mast | {"high_m": (9.0, 0.5, -9.0)}
    assert not np.array_equal(heard(deep_scene(shadow=reaching_down))[0].valid, without.valid)


def test_without_bodies_there_is_no_hull():
    scene = deep_scene(shadow=None)
    assert Hull.of(scene, scene.vehicle.pose) is None


def test_windows_of_a_map_are_those_of_the_arrivals_at_many_poses():
    scene = deep_scene()
    rng = np.random.default_rng(4)
    n = 60
    place = np.column_stack([rng.uniform(5, 35, (n, 2)), rng.uniform(2, 28, n)])
    pose = Pose(place, rng.uniform(-0.4, 0.4, n), rng.uniform(-1.2, 1.2, n), rng.uniform(-np.pi, np.pi, n))
    hydrophones, source = pose.to_site(scene.array.positions_m), scene.pingers[0].position_m
    hull = Hull.of(scene, pose)
    paths = arrivals(scene, hydrophones, source, frequency_hz=F, horizon_s=8e-3, hull=hull)
    window = multipath_free_map_s(scene, hydrophones, source, frequency_hz=F, horizon_s=8e-3, hull=hull)
    assert 5 < np.sum(~paths.valid[..., 0].all(axis=-1)) < n - 5
    assert window == pytest.approx(multipath_free_s(paths), rel=1e-9)
    plain = multipath_free_map_s(scene, hydrophones, source, frequency_hz=F, horizon_s=8e-3)
    assert np.all(window >= plain)  # what does not reach a hydrophone cannot shorten the window
    assert np.any(window > plain)


def test_where_no_hydrophone_hears_the_direct_sound_there_is_no_window():
    around = BOX | {"low_m": (-0.4, -0.5, -0.3), "high_m": (0.4, 0.5, 0.3)}
    scene = deep_scene(shadow=around)
    paths, _ = heard(scene)
    assert not paths.valid[:, 0].any()
    assert multipath_free_s(paths) == 0
    pose = scene.vehicle.pose
    sites, source = pose.to_site(scene.array.positions_m), scene.pingers[0].position_m
    assert multipath_free_map_s(scene, sites, source, frequency_hz=F, hull=Hull.of(scene, pose)) == 0


def test_a_hydrophone_on_a_body_hears_outwards_whatever_its_tolerance():
    # Both sit on the faces of the box; drawn a millimetre or two out of place, half of them would be inside.
    scene = deep_scene(ends=0.1)
    for seed in range(8):
        paths = draw_recording(scene, seconds=0.1, seed=seed).series[0].paths
        assert paths.valid[:, 0].tolist() == [True, False]


def test_a_recording_holds_nothing_of_a_blocked_direct_sound():
    drawn = draw_recording(deep_scene(), seconds=1.5, seed=3)
    one = drawn.series[0]
    direct, echo = one.direct_delay_s, one.first_echo_delay_s
    pressure = np.concatenate(list(render_pressure(drawn)))
    rate = drawn.scene.recorder.sample_rate_hz
    start = int((one.start_s[0] + direct.max()) * rate) + 2
    stop = start + int(0.9 * (echo - direct).min() * rate)
    loud = np.sqrt(np.mean(pressure[start:stop] ** 2, axis=0))
    # 180 dB re 1 uPa is 1 kPa, so 100 Pa at 10 m; noise of 0 dB re 1 uPa^2/Hz over 100 kHz is under 1 mPa.
    assert loud[AHEAD] > 20
    assert loud[ASTERN] < 2e-3


def test_swapped_cables_swap_the_shadow_with_them():
    drawn = draw_recording(deep_scene(), seconds=0.1, seed=1, faults=ChannelFaults(swapped=(("ahead", "astern"),)))
    assert drawn.series[0].paths.valid[:, 0].tolist() == [False, True]


def test_a_vehicle_that_hears_nothing_at_all_still_records():
    around = BOX | {"low_m": (-0.4, -0.5, -0.4), "high_m": (0.4, 0.5, 0.4)}
    drawn = draw_recording(deep_scene(shadow=around), seconds=0.05, seed=1, echoes=False)
    assert not drawn.series[0].paths.valid.any()
    assert sum(len(block) for block in render_pressure(drawn)) == drawn.n_samples
