"""Print how far the models of unusual places are from references made by other means: the table in the guide's physics.

    python tests/benchmarks/places.py [--receivers 12] [--seed 1]

Pools that are not convex and floors of several planes against pyroomacoustics and against the method for convex pools;
walls by name against the equations of motion, carried through the layer by the matrix exponential; rays in a layered
profile, between walls too, against closed form, an integration of the ray equations by scipy, the way back, and straight
paths in even water. The references are those of the tests, here at more and at random places. A minute.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pyroomacoustics as pra

from acoustics.base.frames import Floats
from acoustics.physics.eigenrays import eigenrays
from acoustics.physics.floor_rays import trace_over_floor
from acoustics.physics.refraction import linear_gradient_travel_time
from acoustics.propagate import bending
from acoustics.propagate.arrivals import arrivals
from acoustics.scene.material import Material
from acoustics.scene.materials import MATERIALS
from acoustics.scene.pool import Pool
from acoustics.scene.scene import Scene

Row = tuple[str, str, str]

RECTANGLE = [(0.0, 0.0), (12.0, 0.0), (12.0, 6.0), (0.0, 6.0)]
MIDDLE_DEEP = {
    "floor_points_m": [[0, 0, 1.2], [12, 0, 1.2], [12, 6, 1.2], [0, 6, 1.2], [5, 2, 3], [8, 2, 3], [6, 4, 3]]
}
ROUND_ENDS = [
    (x + 6.0 * np.cos(a), 6.0 + 6.0 * np.sin(a))
    for x, first in ((19.0, -0.5), (6.0, 0.5))
    for a in np.pi * np.linspace(first, first + 1.0, 10)
]
SAME_M = 1e-3  # lengths nearer together are one path


def of_tests(name: str) -> ModuleType:
    """A module of the tests, by its place there."""
    spec = importlib.util.spec_from_file_location(Path(name).stem, Path(__file__).parents[1] / name)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def scene_with(pool: dict, *, pinger: tuple, vehicle: tuple, water: dict | None = None) -> Scene:
    places = {"a": (0.0, 0.0, 0.0), "b": (0.02, 0.0, 0.0), "c": (0.0, 0.02, 0.0), "d": (0.0, 0.0, 0.02)}
    return Scene.model_validate(
        {
            "water": water or {"temperature_degc": 26.0},
            "pool": pool,
            "pinger": [{"position_m": pinger, "frequency_hz": 30e3}],
            "array": {"hydrophone": [{"name": name, "position_m": place} for name, place in places.items()]},
            "vehicle": {"position_m": vehicle},
        }
    )


def beside_pyroomacoustics(receivers: int, rng: np.random.Generator) -> Iterator[Row]:
    theirs = of_tests("propagate/images/test_not_convex.py")
    places = [("an L", theirs.L_SHAPE, theirs.LEVEL), ("a pool with a bay", theirs.WITH_A_BAY, theirs.LEVEL)]
    places += [("a shelf, a slope, a deep end and a rise", RECTANGLE, theirs.HOPPER)]
    for name, outline, floor in places:
        room, paths, alone, apart = theirs.room_of(scene_with, outline, floor), 0, 0, 0.0
        walls = [
            pra.wall_factory(polygon.T.astype(np.float32), np.array([0.2]), np.array([0.0]))
            for polygon in theirs.as_polygons(outline, floor)
        ]
        for receiver in places_in(Pool.model_validate({"outline_m": outline, **floor}), receivers, rng):
            other = pra.Room(walls, fs=48000, max_order=theirs.LONGEST_ORDER)
            other.add_source(np.array(theirs.SOURCE))
            other.add_microphone(receiver)
            other.image_source_model()
            seen = other.visibility[0][0].astype(bool)
            expected = np.linalg.norm(other.sources[0].images.T[seen].astype(float) - receiver, axis=1)
            length, order = theirs.lengths(room, receiver)
            ours = length[(order <= theirs.LONGEST_ORDER) & (length < theirs.REACH_M - 1.0)]
            more, off = matched(ours, expected[expected < theirs.REACH_M - 1.0])
            paths, alone, apart = paths + len(ours), alone + more, max(apart, off)
        found = f"{paths} paths: {alone} in one of the two alone, lengths within {1e3 * apart:.2g} mm"
        yield name, "pyroomacoustics, to the fifth order", found


def places_in(pool: Pool, count: int, rng: np.random.Generator) -> list[Floats]:
    """Random places in the water, 0.2 m from all faces."""
    low, high = np.min(pool.outline_m, axis=0), np.max(pool.outline_m, axis=0)
    found: list[Floats] = []
    while len(found) < count:
        place = np.array([*rng.uniform(low, high), rng.uniform(0.2, pool.deepest_m)])
        if pool.contains(place, 0.2):
            found.append(place)
    return found


def matched(ours: Floats, expected: Floats) -> tuple[int, float]:
    """How many of both have no partner in the other, and by how much partners differ at most [m]."""
    apart = np.abs(ours[:, None] - expected)
    nearest = apart.min(axis=0)
    alone = int(np.sum(apart.min(axis=1) > SAME_M) + np.sum(nearest > SAME_M))
    return alone, float(nearest[nearest <= SAME_M].max(initial=0.0))


def beside_the_convex_method(receivers: int, rng: np.random.Generator) -> Iterator[Row]:
    """The same room once as convex, once with edges to its faces, so that rays are followed from face to face."""
    theirs = of_tests("propagate/images/test_not_convex.py")
    outline = [(0, 0), (9, -1), (12, 5), (7, 10), (-1, 6)]
    room = theirs.room_of(
        scene_with, outline, {"floor_points_m": [[0.0, 0.0, 1.4], [12.0, 5.0, 2.6], [-1.0, 6.0, 2.0]]}
    )
    corners = np.array(outline)
    along = np.roll(corners, -1, axis=0) - corners
    edges = np.zeros((len(room.normals), 2, 4))
    for k, (start, way) in enumerate(zip(corners, along, strict=True), 2):
        edges[k] = [[*way, 0.0, way @ start], [*-way, 0.0, -way @ (start + way)]]
    paths, off = 0, 0.0
    for receiver in rng.uniform((1, 1, 0.1), (7, 5, 1.4), (receivers, 3)):
        plain, edged = (np.sort(theirs.lengths(each, receiver)[0]) for each in (room, replace(room, edges=edges)))
        paths, off = paths + len(plain), max(off, float(np.abs(edged / plain - 1.0).max()))
    yield (
        "five walls, a sloping floor",
        "the method for convex pools",
        f"{paths} paths: lengths apart by {off:.1g} of them at most",
    )


def work_of_many_corners() -> Iterator[Row]:
    places = [("round ends of 20 corners", {"outline_m": ROUND_ENDS, "depth_m": 2.2}, (22.0, 3.0, 1.7))]
    places += [("a hopper of 12 planes", {"outline_m": RECTANGLE, **MIDDLE_DEEP}, (6.5, 3.0, 2.5))]
    for name, pool, pinger in places:
        scene = scene_with(pool, pinger=pinger, vehicle=(4.0, 4.0, 0.8))
        begin = os.times().user
        heard = scene.vehicle.pose.to_site(scene.array.positions_m)
        paths = arrivals(scene, heard, pinger, frequency_hz=30e3, horizon_s=0.01)
        found = f"{paths.delay_s.shape[-1]} paths, {os.times().user - begin:.1f} s of processor"
        yield f"{name}: echoes up to 10 ms", "processor time", found


def walls_by_name() -> Iterator[Row]:
    theirs, grazing = of_tests("physics/test_layered_reflection.py"), np.deg2rad(np.arange(1.0, 90.0, 2.0))
    water = {"water_density_kg_m3": theirs.RHO, "water_speed_m_s": theirs.C}
    for name, named in MATERIALS.items():
        if not named.layer:
            continue
        layer, behind = (dict(part) for part in (named.layer, named.behind))
        thickness = layer.pop("thickness_m")
        expected = [
            theirs.carried_through(g, theirs.Medium(**layer), thickness, theirs.Medium(**behind)) for g in grazing
        ]
        ours = Material.model_validate(name).reflection(grazing, frequency_hz=theirs.F, **water)
        off = float(np.abs(ours - expected).max())
        yield f"{name}, 30 kHz, 1 to 89 deg", "equations of motion through the layer", f"coefficient within {off:.1g}"


def rays() -> Iterator[Row]:
    theirs = of_tests("physics/test_ray_tracing.py")
    depth, ranges = np.array([[2.0, 9.0, 30.0]]), np.array([10.0, 30.0, 60.0, 120.0])
    found = eigenrays(np.array([0.0, 60.0]), np.array([1480.0, 1300.0]), 12.0, np.tile(depth, (4, 1)), ranges)
    straight = np.hypot(ranges[found.receiver], depth[0, found.target] - 12.0)
    speed_there = 1480.0 - 3.0 * depth[0, found.target]
    exact = linear_gradient_travel_time(
        straight, from_speed_m_s=1480.0 - 36.0, to_speed_m_s=speed_there, gradient_per_s=-3.0
    )
    off = float(np.abs(found.ends.time_s / exact - 1.0).max())
    yield f"one gradient, {len(exact)} eigenrays, 10 to 120 m", "closed form", f"times within {off:.1g} of them"
    ends = [integrated_in_layers(theirs, angle) for angle in np.deg2rad([-6.0, -4.0, -2.0, 0.0, 1.0])]
    time, deep = np.abs(ends).max(axis=0)
    yield "three layers, 5 rays, 55 m", "ray equations (solve_ivp)", f"{1e9 * time:.1g} ns, {1e3 * deep:.1g} mm"


def integrated_in_layers(theirs: ModuleType, angle: float) -> tuple[float, float]:
    """By what time [s] and depth [m] at 55 m differ from an integration of the ray equations."""
    from scipy.integrate import solve_ivp

    def change(_: float, state: Floats) -> list[float]:
        layer = min(max(int(np.searchsorted(theirs.ROWS, state[0], side="right")) - 1, 0), 2)
        slope = (theirs.SPEED[layer + 1] - theirs.SPEED[layer]) / (theirs.ROWS[layer + 1] - theirs.ROWS[layer])
        speed = theirs.SPEED[layer] + slope * (state[0] - theirs.ROWS[layer])
        return [np.tan(state[1]), -slope / speed, 1 / (speed * np.cos(state[1]))]

    found = solve_ivp(change, (0, 55.0), [7.0, angle, 0.0], rtol=1e-10, atol=1e-12, max_step=0.02)
    ends = theirs.one(theirs.ROWS, theirs.SPEED, 7.0, angle, 55.0)
    return float(ends.time_s[0] - found.y[2, -1]), float(ends.depth_m[0] - found.y[0, -1])


def rays_over_a_slope() -> Iterator[Row]:
    theirs, off = of_tests("physics/test_floor_rays.py"), []
    for angle, turn in np.deg2rad([(-20.0, 1.0), (-3.0, 0.0), (6.0, -2.0), (17.0, 3.0)]):
        place, long = np.array([[42.0, -1.0, 3.0]]), np.full(1, 1.0)
        water = (theirs.ROWS, theirs.SPEED, theirs.SLOPING, theirs.SOURCE)
        ends = trace_over_floor(*water, place, np.array([angle]), np.array([turn]), long)
        state, met = theirs.integrated(theirs.SLOPING, angle, turn, 42.0)
        assert ends.faces[0][ends.faces[0] >= 0].tolist() == met
        off.append((ends.time_s[0] - state[6], ends.across_m[0] - state[1] - 1.0))
    time, across = np.abs(off).max(axis=0)
    found = f"{1e9 * time:.1g} ns, {1e3 * across:.1g} mm"
    yield "a sloping floor, 4 rays of 1 to 3 reflections, 40 m", "ray equations (solve_ivp)", found
    there_m, times, levels = [(38.0, 14.0, 2.5), (-30.0, 8.0, 7.0), (5.0, 45.0, 4.0)], [], []
    for there in there_m:
        ways = theirs.found(theirs.SLOPING, theirs.SOURCE, there), theirs.found(theirs.SLOPING, there, theirs.SOURCE)
        one, other = (ray.ends.time_s.argsort() for ray in ways)
        times.append(np.abs(ways[0].ends.time_s[one] / ways[1].ends.time_s[other] - 1.0).max())
        levels.append(np.abs(ways[0].amplitude[one] / ways[1].amplitude[other] - 1.0).max())
    found = f"times within {max(times):.1g}, amplitudes within {max(levels):.1g} of them"
    yield "a sloping floor, eigenrays at 3 places", "the way back", found


def even_water() -> Iterator[Row]:
    theirs = of_tests("propagate/test_bent_paths.py")
    for name, pool, water in [
        ("a level floor", theirs.FLOOR, theirs.EVEN),
        ("a sloping floor", theirs.SLOPE, theirs.EVEN_DEEP),
        ("a floor of three planes", theirs.SHELF, theirs.EVEN_DEEP),
    ]:
        scene = scene_with(pool, pinger=tuple(theirs.SOURCE), vehicle=(20.0, 0.0, 2.0), water=water)
        asked = {"frequency_hz": 30e3, "horizon_s": 6e-3, "floor_db": -60.0}
        places = np.stack([theirs.placed(range_m) for range_m in (20.0, 40.0, 60.0)])
        share = bending.BEND_SHARE
        straight = arrivals(scene, places, theirs.SOURCE, **asked)
        try:
            bending.BEND_SHARE = -1.0  # take all rays as bent
            bent = arrivals(scene, places, theirs.SOURCE, **asked)
        finally:
            bending.BEND_SHARE = share
        both = straight.valid & bent.valid
        off = float(np.abs(bent.delay_s / straight.delay_s - 1.0)[both].max())
        found = (
            f"{int(both.sum())} paths: {int(np.sum(straight.valid != bent.valid))} in one alone, times within {off:.1g}"
        )
        yield f"even water over {name}, 20 to 60 m", "image sources", found


def between_walls(receivers: int, rng: np.random.Generator) -> Iterator[Row]:
    """Bent rays in pools: even water, the ray equations with reflection, the way back, and the work."""
    theirs, share = of_tests("propagate/test_bent_between_walls.py"), bending.BEND_SHARE
    try:
        bending.BEND_SHARE = -1.0  # take all rays as bent
        for name, floor in (("level", theirs.LEVEL), ("sloping", theirs.SLOPE), ("broken", theirs.STEPS)):
            yield even_pools(theirs, name, floor, receivers, rng)
        for name, floor in (("level", theirs.LEVEL), ("sloping", theirs.SLOPE), ("broken", theirs.STEPS)):
            yield integrated_in_pools(theirs, name, floor, receivers, rng)
            yield the_way_back(theirs, name, floor, receivers, rng)
    finally:
        bending.BEND_SHARE = share
    corners = {"4 corners": theirs.BOX, "an L": theirs.L_SHAPE, "20 corners": ROUND_ENDS}
    for name, outline in corners.items():
        for floor in (theirs.LEVEL, theirs.SLOPE):
            yield work_between_walls(theirs, name, outline, floor)


def layered_pool(theirs: ModuleType, outline: list, floor: dict, water: dict, *places: Floats) -> Scene:
    pinger, vehicle = places or (theirs.SOURCE, np.array([4.0, 4.0, 1.0]))
    return scene_with({"outline_m": outline, **floor}, pinger=tuple(pinger), vehicle=tuple(vehicle), water=water)


def far_places(theirs: ModuleType, scene: Scene, count: int, rng: np.random.Generator) -> list[Floats]:
    """Random places in the water 4 m and more from the source, seen from above."""
    found: list[Floats] = []
    while len(found) < count:
        places = places_in(scene.pool, 1, rng)
        found += [place for place in places if np.hypot(*(place - theirs.SOURCE)[:2]) > 4.0]
    return found


def even_pools(theirs: ModuleType, name: str, floor: dict, receivers: int, rng: np.random.Generator) -> Row:
    count, alone, off, share = 0, 0, 0.0, bending.BEND_SHARE
    for outline in (theirs.BOX, theirs.FIVE, theirs.L_SHAPE):
        scene = layered_pool(theirs, outline, floor, theirs.EVEN)
        places = theirs.elements(*far_places(theirs, scene, receivers, rng))
        ways = []
        for bending.BEND_SHARE in (np.inf, share):
            ways.append(arrivals(scene, places, theirs.SOURCE, **theirs.ASKED))
        for k in range(len(places)):
            straight, bent = (way.delay_s[k, 0, way.valid[k, 0]] for way in ways)
            apart = np.abs(straight[:, None] - bent) / straight.mean()
            alone += int(np.sum(apart.min(axis=1) > 1e-6) + np.sum(apart.min(axis=0) > 1e-6))
            count, off = count + len(straight), max(off, float(apart.min(axis=1)[apart.min(axis=1) < 1e-6].max()))
    found = f"{count} paths: {alone} in one alone, times within {off:.1g}"
    return f"even water between walls over a {name} floor, three outlines", "image sources", found


def integrated_in_pools(theirs: ModuleType, name: str, floor: dict, receivers: int, rng: np.random.Generator) -> Row:
    scene, found = layered_pool(theirs, theirs.L_SHAPE, floor, theirs.WARM_ABOVE), []
    while len(found) < receivers:
        (receiver,) = far_places(theirs, scene, 1, rng)
        paths = arrivals(scene, receiver[None], theirs.SOURCE, **theirs.ASKED)
        which = rng.choice(np.flatnonzero(paths.valid[0]), 1)
        # Its search may not come to the ray.
        found += list(theirs.beside_integration(scene, receiver, paths, which).T)
    ours, theirs_s, size, expected = np.array(found).T
    off, level = np.abs(ours - theirs_s).max(), np.quantile(np.abs(size / expected - 1.0), 0.9)
    what = f"{1e9 * off:.1g} ns, nine in ten amplitudes within {level:.1g} of them"
    return f"an L with a profile, {name} floor, {len(found)} rays of up to 8 ms more", "ray equations (solve_ivp)", what


def the_way_back(theirs: ModuleType, name: str, floor: dict, receivers: int, rng: np.random.Generator) -> Row:
    count, alone, off = 0, 0, 0.0
    scene = layered_pool(theirs, theirs.L_SHAPE, floor, theirs.WARM_ABOVE)
    for place in far_places(theirs, scene, receivers, rng):
        back = layered_pool(theirs, theirs.L_SHAPE, floor, theirs.WARM_ABOVE, place, theirs.SOURCE)
        asked = theirs.ASKED | {"floor_db": -90.0}
        out = arrivals(scene, place[None], theirs.SOURCE, **asked)
        home = arrivals(back, theirs.SOURCE[None], place, **asked)
        one, other = (way.delay_s[0, way.valid[0]] for way in (out, home))
        apart = np.abs(one[:, None] - other)
        nearest = np.concatenate([apart.min(axis=1), apart.min(axis=0)])
        count, alone = count + nearest.size, alone + int(np.sum(nearest > 1e-9))
        off = max(off, float(nearest[nearest <= 1e-9].max()))
    found = f"{count} paths both ways: {alone} one way alone, times within {1e9 * off:.1g} ns"
    return f"an L with a profile, {name} floor, {receivers} places", "the way back", found


def work_between_walls(theirs: ModuleType, name: str, outline: list, floor: dict) -> Row:
    scene = layered_pool(
        theirs, outline, floor, theirs.WARM_ABOVE, np.array([6.0, 4.0, 2.4]), np.array([20.0, 5.0, 1.0])
    )
    heard, begin = scene.vehicle.pose.to_site(scene.array.positions_m), os.times().user
    paths = arrivals(scene, heard, np.array([6.0, 4.0, 2.4]), frequency_hz=30e3, horizon_s=0.02)
    found = f"{paths.delay_s.shape[-1]} paths, {os.times().user - begin:.1f} s of processor"
    kind = "level" if floor is theirs.LEVEL else "sloping"
    return f"{name}, a {kind} floor and a profile: echoes up to 20 ms", "processor time", found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--receivers", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    print("| place | reference | difference at most |\n|---|---|---|")
    parts = [beside_pyroomacoustics(args.receivers, rng), beside_the_convex_method(args.receivers, rng)]
    parts += [work_of_many_corners(), walls_by_name(), rays(), rays_over_a_slope(), even_water()]
    for part in [*parts, between_walls(args.receivers, rng)]:
        for row in part:
            print("| " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    main()
