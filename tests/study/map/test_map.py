"""The pool map: bounds and simulation of one ping over the grid."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.ambiguity.prediction import integer_ambiguity
from acoustics.accuracy.bounds import bearing_bound
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import OutputError, ParameterError
from acoustics.base.frames import Pose, bearing_and_depression
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.check import summary
from acoustics.study.execution.chunks import Running, Workers
from acoustics.study.map.ambiguity import wrong_integers_in_cells
from acoustics.study.map.study import MapChoices, map_pool

pytestmark = pytest.mark.usefixtures("few")

POOL = load_scene(shipped("examples")["mallard-basin"])
LAKE = load_scene(shipped("examples")["fennel-reservoir"])


def test_cells_outside_the_water_are_empty():
    deep = POOL.model_copy(update={"study": POOL.study.model_copy(update={"map_depth_m": 2.5})})
    result = map_pool(deep, deep.pingers[0], trials=0, seed=1, step_m=1.0)
    # floor: 1.4 m at x = 0 to 3.8 m at x = 25; the array hangs 0.2 m lower, so wet where x > (2.7 - 1.4) / 0.096
    assert np.isnan(result.position_m[:, result.x_m < 13.0]).all()
    assert np.isfinite(result.multipath_free_s[:, (result.x_m > 14.0) & (result.x_m < 24.0)]).all()


def test_simulated_fixes_of_a_hull_wide_array_agree_with_the_bound():
    scene = POOL.model_copy(
        update={
            "array": load_array("hull-4"),
            "noise": POOL.noise.model_copy(update={"self_noise_density_db": 55.0, "ambient_density_db": 50.0}),
        }
    )
    result = map_pool(scene, scene.pingers[0], trials=400, seed=1, step_m=2.0)
    good = (result.refused == 0) & (result.position_m < 1.0)
    assert good.sum() > 10
    # Root mean square of 400 ellipses that are nearly lines: known to 1 / sqrt(800) = 3.5 % a cell, so the median
    # ratio over the cells to about 1 %; the rest is the second-order error of long thin ellipses.
    assert np.median(result.simulated_m[good] / result.position_m[good]) == pytest.approx(1.0, abs=0.05)


@pytest.mark.slow
def test_heading_turns_the_map_with_the_vehicle():
    # Pinger in the middle of a lake without walls: turning the vehicle by 90 degrees turns the map by 90 degrees.
    pinger = LAKE.pingers[0].model_copy(update={"position_m": (20.0, 20.0, 8.0)})
    plan = LAKE.study.model_copy(update={"map_extent_m": (0.0, 0.0, 40.0, 40.0), "map_step_m": 4.0})

    def heading(degrees):
        vehicle = LAKE.vehicle.model_copy(update={"heading_deg": degrees})
        scene = LAKE.model_copy(update={"vehicle": vehicle, "study": plan, "pingers": (pinger,)})
        return map_pool(scene, pinger, trials=0, seed=1).position_m

    assert heading(90.0) == pytest.approx(np.rot90(heading(0.0), -1), rel=1e-6)


def test_a_later_seed_changes_only_the_simulation():
    first = map_pool(POOL, POOL.pingers[0], trials=5, seed=1, step_m=2.5)
    other = map_pool(POOL, POOL.pingers[0], trials=5, seed=2, step_m=2.5)
    assert np.array_equal(first.position_m, other.position_m)
    assert not np.array_equal(first.simulated_m, other.simulated_m)


@pytest.mark.parametrize(("step", "expected"), [(0.01, "at most 200,000"), (None, "study.map_extent_m is missing")])
def test_grids_that_cannot_be_are_refused(step, expected):
    scene = POOL if step else LAKE.model_copy(update={"study": LAKE.study.model_copy(update={"map_extent_m": None})})
    with pytest.raises(ParameterError, match=expected):
        map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=step)


def test_a_pinger_in_the_cells_sees_the_same_as_a_vehicle_there():
    # One cell holds the scene's own pinger: the map over pingers must give there what the map over vehicles gives in
    # the cell of the scene's own vehicle, window by reciprocity included.
    x, y, depth = POOL.vehicle.position_m
    px, py, _ = POOL.pingers[0].position_m

    def one_cell(x, y, over):
        plan = POOL.study.model_copy(update={"map_extent_m": (x - 1, y - 1, x + 1, y + 1), "map_depth_m": depth})
        scene = POOL.model_copy(update={"study": plan})
        return map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=2.0, choices=MapChoices(over=over))

    vehicle, pinger = one_cell(x, y, "vehicle"), one_cell(px, py, "pinger")
    assert pinger.multipath_free_s.item() == pytest.approx(vehicle.multipath_free_s.item(), rel=1e-9)
    assert pinger.position_m.item() == pytest.approx(vehicle.position_m.item(), rel=1e-6)
    assert pinger.bearing_deg.item() == pytest.approx(vehicle.bearing_deg.item(), rel=1e-6)


@pytest.mark.slow
def test_the_worst_heading_is_the_worst_of_maps_at_each_heading(monkeypatch):
    monkeypatch.setattr("acoustics.study.map.study._HEADINGS", 6)
    line = POOL.model_copy(update={"array": load_array("line-4")})

    def at(degrees, **choice):
        turned = line.vehicle.model_copy(update={"heading_deg": degrees})
        scene = line.model_copy(update={"vehicle": turned})
        return map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=5.0, choices=MapChoices(**choice))

    worst = at(20.0, heading="worst")
    maps = [at(20.0 + 60.0 * k) for k in range(6)]
    wet = np.isfinite(worst.multipath_free_s)
    assert worst.heading_deg is None
    for name in ("position_m", "bearing_deg"):
        each = np.array([getattr(m, name)[wet] for m in maps])
        # Headings in degrees and in radians differ by rounding, which an ill-observed position magnifies.
        assert getattr(worst, name)[wet] == pytest.approx(each.max(axis=0), rel=1e-5)
    k = np.round((worst.worst_heading_deg[wet] - 20.0) % 360 / 60).astype(int)
    picked = np.array([m.position_m[wet] for m in maps])[k, np.arange(wet.sum())]
    assert worst.position_m[wet] == pytest.approx(picked, rel=1e-5)


@pytest.mark.slow
def test_the_vehicles_own_position_adds_in_quadrature():
    vehicle = POOL.vehicle.model_copy(update={"position_sd_m": 0.4})
    quiet = POOL.noise.model_copy(update={"self_noise_density_db": 50.0, "ambient_density_db": 45.0})
    scene = POOL.model_copy(update={"vehicle": vehicle, "array": load_array("hull-4"), "noise": quiet})
    result, relative = (
        map_pool(scene, scene.pingers[0], trials=400, seed=1, step_m=2.5, choices=MapChoices(site_position=site))
        for site in (True, False)
    )
    seen = np.isfinite(relative.position_m)
    # Independent errors of 0.4 m along x and y.
    assert result.position_m[seen] == pytest.approx(np.hypot(relative.position_m[seen], 0.4 * np.sqrt(2)), rel=1e-4)
    good = (result.refused == 0) & (result.position_m < 1.0)
    assert good.sum() > 5
    assert np.median(result.simulated_m[good] / result.position_m[good]) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("array", "often"), [("square-half-wave", 0.01), ("hull-4", 0.2)])
def test_interpolated_wrong_cycles_are_near_those_of_every_cell(array, often, monkeypatch):
    monkeypatch.setattr("acoustics.study.map.ambiguity.SAMPLED_CELLS", 100)
    scene = POOL.model_copy(update={"array": load_array(array)})
    pinger, pose = scene.pingers[0], scene.vehicle.pose
    places = np.stack(
        [*np.meshgrid(np.linspace(0.6, 24.4, 20), np.linspace(0.6, 11.9, 10)), np.full((10, 20), 0.8)], -1
    )
    places = places.reshape(-1, 3)
    source = Pose(places, 0.0, 0.0, pose.heading).to_body(np.array([pinger.position_m]))[:, 0]
    window = multipath_free_windows(scene, pinger, places)
    link = link_budget(scene, pinger, np.linalg.norm(source, axis=-1), window_s=window)
    positions = scene.array.positions_m
    exact = integer_ambiguity(
        positions, *bearing_and_depression(source), scene.sound_speed_m_s, frequency_hz=pinger.frequency_hz,
        carrier_variance_s2=link.carrier_variance_s2[:, None]
        + scene.recorder.skew_sd_s**2 + (scene.array.tolerances_m / scene.sound_speed_m_s) ** 2,
        envelope_variance_s2=link.cycle_variance_s2[:, None],
    ).wrong_probability  # fmt: skip
    assert exact.max() > often
    wrong = wrong_integers_in_cells(scene, pinger, positions, source, link)
    # Half of the 200 cells are worked out and the rest interpolated; the prediction itself is good to 0.006.
    assert np.sqrt(np.mean((wrong - exact) ** 2)) < 0.02
    # A weighted mean of sampled cells, about one in two: no cell is further off than its share is from that of a cell
    # beside it, and the prediction's 0.006.
    grid = np.pad(exact.reshape(10, 20), 1, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(grid, (3, 3)).reshape(200, 9)
    assert np.all(np.abs(wrong - exact) < np.abs(around - exact[:, None]).max(axis=-1) + 0.006)


def test_failed_pings_are_those_without_a_fix_or_with_a_wrong_cycle():
    result = map_pool(POOL, POOL.pingers[0], trials=20, seed=1, step_m=2.5)
    assert result.failed == pytest.approx(1 - (1 - result.refused) * (1 - result.wrong_integer))
    assert set(result.quantiles) == {
        "bearing_deg",
        "position_m",
        "own_position_m",
        "wrong_integer",
        "simulated_m",
        "refused",
        "failed",
        "not_right_station",
        "not_right_station_simulated",
    }


@pytest.mark.slow
def test_two_processes_and_a_resumed_folder_give_the_same_bits(tmp_path):
    def mapped(seed=1, **running):
        return map_pool(POOL, POOL.pingers[0], trials=1500, seed=seed, step_m=5.0, running=Running(**running))

    here = mapped()
    spread = mapped(workers=Workers(2), folder=tmp_path / "map")
    next((tmp_path / "map").glob("chunk-*.npz")).unlink()
    resumed = mapped(folder=tmp_path / "map")
    for other in (spread, resumed):
        assert np.array_equal(other.simulated_m, here.simulated_m, equal_nan=True)
        assert np.array_equal(other.refused, here.refused, equal_nan=True)
    with pytest.raises(OutputError, match="another study"):
        mapped(seed=2, folder=tmp_path / "map")


def test_a_pinger_among_the_hydrophones_leaves_a_hole_in_the_map():
    x, y, z = POOL.pingers[0].position_m
    plan = POOL.study.model_copy(update={"map_extent_m": (x - 1.5, y - 1.5, x + 1.5, y + 1.5), "map_depth_m": z})
    scene = POOL.model_copy(update={"study": plan})
    result = map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=1.0)
    assert np.isnan(result.position_m[1, 1])
    assert np.isfinite(result.multipath_free_s).sum() == 8


HULL = POOL.model_copy(update={"array": load_array("hull-4")})


def shadowed(*bodies):
    mounting = HULL.mounting.model_validate({"shadow": list(bodies)})
    return HULL.model_copy(update={"mounting": mounting})


TUBE = {"kind": "cylinder", "from_m": (-0.3, 0.0, 0.12), "to_m": (0.25, 0.0, 0.12), "radius_m": 0.1}


@pytest.mark.slow
def test_a_body_out_of_the_way_changes_no_bit_of_the_map():
    aside = {"kind": "box", "low_m": (-0.2, -0.2, -1.2), "high_m": (0.2, 0.2, -1.0)}
    choices = MapChoices(echo_cells=1, echo_pings=2)
    plain, other = (
        map_pool(s, s.pingers[0], trials=20, seed=1, step_m=5.0, choices=choices) for s in (HULL, shadowed(aside))
    )
    for name in ("bearing_deg", "position_m", "multipath_free_s", "wrong_integer", "simulated_m", "refused", "failed"):
        assert np.array_equal(getattr(plain, name), getattr(other, name), equal_nan=True), name
    assert np.array_equal(plain.stations.simulated.right, other.stations.simulated.right, equal_nan=True)
    assert plain.echoes == other.echoes


@pytest.mark.parametrize("over", ["vehicle", "pinger"])
@pytest.mark.slow
def test_hydrophones_behind_a_body_count_as_if_they_were_not_there(over):
    scene = shadowed(TUBE)
    choices = MapChoices(over=over)
    result = map_pool(scene, scene.pingers[0], trials=0, seed=1, step_m=1.0, choices=choices)
    partly = np.argwhere((result.shadowed == 0.25) & (result.multipath_free_s > 5e-5))
    assert len(partly) > 5
    for row, column in partly[:: len(partly) // 5]:
        place = np.array([result.x_m[column], result.y_m[row], result.depth_m])
        waypoint, source = (
            (place, scene.pingers[0].position_m) if over == "vehicle" else (scene.vehicle.position_m, place)
        )
        seen = Pose(waypoint, 0.0, 0.0, scene.vehicle.pose.heading).to_body(np.array([source]))
        # By the line of sight alone, in the body frame.
        heard = np.flatnonzero(scene.mounting.hears(scene.array.positions_m, seen)[0])
        assert len(heard) == 3
        rest = scene.array.model_copy(update={"hydrophones": tuple(scene.array.hydrophones[k] for k in heard)})
        link = link_budget(
            scene, scene.pingers[0], np.linalg.norm(seen, axis=-1), window_s=result.multipath_free_s[row, column]
        )
        bound = bearing_bound(
            rest.positions_m,
            *bearing_and_depression(seen),
            scene.sound_speed_m_s,
            arrival_variance_s2=link.carrier_variance_s2[:, None],
            element_sd_m=rest.tolerances_m,
            skew_sd_s=scene.recorder.skew_sd_s,
            sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
            attitude_sd=scene.vehicle.attitude_sd,
        )
        assert result.bearing_deg[row, column] == pytest.approx(np.rad2deg(bound.bearing_sd[0]), rel=1e-6)


def test_where_a_body_hides_the_pinger_from_all_nothing_is_found():
    wall = {"kind": "box", "low_m": (-0.3, -0.4, -0.4), "high_m": (0.5, 0.4, 0.6)}  # holds the bow's two
    scene = shadowed(wall)
    result = map_pool(scene, scene.pingers[0], trials=10, seed=1, step_m=2.5)
    hidden = result.shadowed > 0.5
    assert hidden.any()
    assert np.all(result.refused[hidden] == 1)
    assert np.all(result.wrong_integer[hidden] == 1)
    assert np.all(result.stations.simulated.undecided[hidden] == 1)
    assert np.all(result.stations.predicted.undecided[hidden] == 1)
    assert not np.isfinite(result.position_m[hidden]).any()
    half = result.shadowed == 0.5
    assert half.any()
    assert np.isfinite(result.bearing_deg[half]).any()


@pytest.mark.slow
def test_the_worst_heading_takes_the_shadow_of_each_heading():
    scene = shadowed(TUBE)
    worst = map_pool(scene, scene.pingers[0], trials=5, seed=1, step_m=5.0, choices=MapChoices(heading="worst"))
    one = map_pool(scene, scene.pingers[0], trials=5, seed=1, step_m=5.0)
    wet = worst.wet
    assert np.all(worst.position_m[wet] >= one.position_m[wet] * (1 - 1e-9))
    assert worst.shadowed[wet].max() > 0


def test_the_outlook_names_the_hydrophones_behind_a_body():
    # The pinger is nearly ahead, and the box stands between it and the two astern.
    bow = {"kind": "box", "low_m": (0.2, -0.3, 0.0), "high_m": (0.3, 0.3, 0.4)}
    scene = shadowed(bow)
    remarks = " ".join(summary(scene, scene.pingers[0]).remarks)
    assert "hide amber pinger from the hydrophones 'stern-starboard', 'stern-low' where it stands" in remarks
    assert "mounting.shadow" not in " ".join(summary(HULL, HULL.pingers[0]).remarks)
