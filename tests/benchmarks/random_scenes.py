"""Scenes drawn at random for benchmarks: pools of many sizes and materials, shipped arrays and wide ones, loud and
quiet."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Floats, bearing_and_depression, principal_axes
from acoustics.physics.levels import power_ratio_db
from acoustics.scene.array import Array
from acoustics.scene.materials import MATERIALS
from acoustics.scene.pool import Pool
from acoustics.scene.scenario import load_array, shipped
from acoustics.scene.scene import Scene

ARRAYS = tuple(sorted(shipped("arrays")))
FLOORS = tuple(sorted(MATERIALS))
SETTINGS, DEEP_M = 24, 200.0
SECTOR_OF_A_LINE = np.deg2rad(60.0)  # as in `spacing`: a line is blind along itself


def random_scene(seed: int) -> Scene:
    """A rectangular pool, 1.2 to 8 m deep, with a pinger near its floor 2 to 40 m from the vehicle.

    The pinger sends 25 to 40 kHz; the noise is within 10 dB of what a vehicle that idles makes.
    """
    rng = np.random.default_rng(np.random.SeedSequence([20_26, seed]))
    array = load_array(ARRAYS[seed % len(ARRAYS)])
    while True:
        range_m = float(np.exp(rng.uniform(np.log(2.0), np.log(40.0))))
        deep = float(np.exp(rng.uniform(np.log(1.2), np.log(8.0))))
        shallow = deep * float(rng.choice([1.0, rng.uniform(0.5, 1.0)]))
        shallow = max(shallow, 1.2)
        long_m, wide_m = range_m + rng.uniform(4.0, 30.0), rng.uniform(8.0, 30.0)
        at = rng.uniform([1.0, 1.0], [long_m - 1.0, wide_m - 1.0])
        turn = rng.uniform(-np.pi, np.pi)
        floor_m = shallow + (deep - shallow) * at[0] / long_m
        depth = floor_m - rng.uniform(0.1, min(1.0, floor_m - 0.3))
        level = np.sqrt(max(range_m**2 - depth**2, 0.0))
        vehicle = at + level * np.array([np.cos(turn), np.sin(turn)])
        if level < 1.0 or not (0.9 < vehicle[0] < long_m - 0.9 and 0.9 < vehicle[1] < wide_m - 0.9):
            continue
        below = shallow + (deep - shallow) * vehicle[0] / long_m
        swims = rng.uniform(0.3, min(below - 0.6, 2.0)) if below > 0.95 else below / 3
        floor = [[0.0, 0.0, shallow], [long_m, 0.0, deep], [0.0, wide_m, shallow]]
        table = {
            "title": f"random scene {seed}",
            "water": {
                "temperature_degc": rng.uniform(4.0, 28.0),
                "practical_salinity": float(rng.choice([0.0, 0.5, 30.0])),
            },
            "pool": {
                "outline_m": [[0.0, 0.0], [long_m, 0.0], [long_m, wide_m], [0.0, wide_m]],
                "floor_points_m": floor,
                "walls": str(rng.choice(FLOORS)),
                "floor": str(rng.choice(FLOORS)),
                "surface_roughness_m": rng.uniform(0.0, 0.01),
            },
            "pinger": [
                {
                    "position_m": [*at.tolist(), depth],
                    "frequency_hz": rng.uniform(25e3, 40e3),
                    "source_level_db": rng.uniform(160.0, 170.0),
                    "q": rng.uniform(5.0, 15.0),
                }
            ],
            "array": array.model_dump(by_alias=True) | {"mount_m": [0.0, 0.0, 0.1]},
            "recorder": {"sample_rate_hz": 250e3, "gain_db": 20.0, "bits": 24, "skew_sd_s": 2e-7},
            "noise": {"ambient_density_db": 55.0, "self_noise_density_db": 76.0 + rng.uniform(-10.0, 10.0)},
            "vehicle": {"position_m": [*vehicle.tolist(), float(swims)], "heading_deg": 0.0},
        }
        return Scene.model_validate(table)


def integer_setting(k: int) -> Scene:
    """One of 24 scenes in which integers may be wrong: 3 to 8 hydrophones at random in a plane or in space, 17 mm to
    0.6 m from first to last, Q 4 to 20, 12 to 45 dB of 2E/N0 for the whole burst, echoes in every other.

    Each range is taken in even steps, in an order of its own. Without echoes it is open water, deep enough that none
    comes before the burst ends.
    """
    order = np.random.default_rng(2026)
    size_m, q, ratio_db = (
        order.permutation(steps)[k]
        for steps in (
            np.geomspace(0.017, 0.6, SETTINGS),
            np.linspace(4.0, 20.0, SETTINGS),
            np.linspace(12.0, 45.0, SETTINGS),
        )
    )
    rng, n = np.random.default_rng([2026, k]), 3 + k // 2 % 6
    flat = n == 3 or k // 12 == 0
    while True:
        places = rng.uniform(-0.5, 0.5, (n, 3)) * [1.0, 1.0, 0.0 if flat else 0.6]
        apart = np.linalg.norm(places[:, None] - places, axis=-1)
        if (apart + np.eye(n)).min() > 0.2:  # of hydrophones that do not touch
            break
    scene = random_scene(1000 + k)
    (pinger,) = scene.pingers
    array = Array.from_positions(places * size_m / apart.max())
    array = array.model_copy(update={"mount_m": scene.array.mount_m})
    scene = scene.model_copy(update={"array": array})
    range_m = float(np.linalg.norm(scene.vehicle.pose.to_site(array.positions_m).mean(axis=0) - pinger.position_m))
    heard_db = float(power_ratio_db(link_budget(scene, pinger, range_m).energy_ratio_2e_n0))
    pinger = pinger.model_copy(update={"q": q, "source_level_db": pinger.source_level_db + ratio_db - heard_db})
    if k % 2:
        return scene.model_copy(update={"pingers": (pinger,)})
    down = np.array([0.0, 0.0, DEEP_M])
    vehicle = scene.vehicle.model_copy(update={"position_m": tuple(np.array(scene.vehicle.position_m) + down)})
    pinger = pinger.model_copy(update={"position_m": tuple(np.array(pinger.position_m) + down)})
    return scene.model_copy(update={"pool": Pool(depth_m=2.0 * DEEP_M), "pingers": (pinger,), "vehicle": vehicle})


def random_poses(scene: Scene, n: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Vehicle positions (n, 3) [m] within a hand's breadth of the scene's, and headings (n,) [rad].

    Echoes add in other phases at each place. The headings are all round, but of a line of hydrophones those in which
    the pinger is within 60 degrees of abeam.
    """
    places = np.array(scene.vehicle.position_m) + rng.uniform(-1.0, 1.0, (n, 3)) * [0.2, 0.2, 0.05]
    heading = rng.uniform(-np.pi, np.pi, n)
    if scene.array.rank == 1:
        axis = bearing_and_depression(principal_axes(scene.array.positions_m)[0])[0]
        site = np.arctan2(*(np.array(scene.pingers[0].position_m) - places)[:, 1::-1].T)
        off = rng.uniform(-SECTOR_OF_A_LINE, SECTOR_OF_A_LINE, n) + np.pi * rng.integers(2, size=n)
        heading = site - (axis + np.pi / 2 + off)
    return places, heading
