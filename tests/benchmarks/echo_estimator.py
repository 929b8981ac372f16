"""Print what the estimator by echoes makes of single pings at random places of a pool that is not quite as sketched.

    python tests/benchmarks/echo_estimator.py [--places 60] [--first 0] [--jobs 1] [--last-m 0] [--rows half-wave ...]

Truth is drawn anew at every ping from the tolerances: walls, floor and its slope, own place, depth and attitude, sound
speed, mounting, skew, Q to 20 %, the carrier to 0.2 %, depth of the pinger; each path's amplitude errs by 5 % at each
channel, and two points of the hull send a tenth of all sound on. The sketch, the pose and the data sheet say otherwise.
A row's settings come on top. With 60 places a share of 90 % is known to 8 %. With --last-m the estimator is given a last
place, so far off along each axis (standard deviation).

    python tests/benchmarks/echo_estimator.py --runs 20 [--rows half-wave]

Runs of four pings straight towards the pinger, the errors of sketch, own place, heading, array and water the same in all
of them: the position fused from bearings alone, and with the places by echoes.

    python tests/benchmarks/echo_estimator.py --windows 300

How long could one listen before the first echo from a wall, by the sketch and a bearing alone: the earliest such path
over all places on the bearing to two standard deviations and at least half a metre from the walls, against the pool as
it is; and how far the sound of floor and surface before it comes from another azimuth than the pinger's. Geometry only.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import repeat

import numpy as np

from acoustics.base.frames import Floats, Pose, bearing_and_depression
from acoustics.base.polygons import half_planes, meeting_places
from acoustics.base.regions import inside_region
from acoustics.estimate.echoes import DirectBearing, SiteKnowledge
from acoustics.estimate.echoes.paths import arrivals_alone, path_sets
from acoustics.estimate.echoes.search import states_at, water_along
from acoustics.estimate.fuse import track_of_pings
from acoustics.estimate.locate.heard_ping import EventSegment, HeardPing, PingContext
from acoustics.estimate.locate.one_ping import locate_pings
from acoustics.io.echo_fix import EchoFix, EchoMode
from acoustics.io.ping import NavigatedPose
from acoustics.io.site_sketch import faces_sd, site_faces
from acoustics.physics.burst import Burst
from acoustics.propagate.arrivals import Arrivals, arrivals
from acoustics.propagate.render.bursts import SampleTimes, ping_pressure
from acoustics.scene.array import Array
from acoustics.scene.pinger import Pinger
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.fuse import RunErrors, errors_of_run, fuse_run
from acoustics.study.simulate import drawn_sketch, sidecar_of_scene, sketch_of_scene

PINGS, WAY_M = 4, 2.1  # of a run
SEED, RATE_HZ, LEAD_S, LISTEN_S = 101, 250e3, 0.06, 0.016
HULL_M, HULL_SHARE = np.array([[-0.3, 0.15, 0.1], [0.1, -0.2, 0.05]]), 0.1
OWN_SD_M, CARRIER_SD = 0.05, 0.002
BEARING_SD, OFF_WALL_M = np.deg2rad(4.0), 0.5  # of the direct sound; pingers stand no nearer to a wall
WET_M = 0.03  # that hydrophones and pinger keep from every face
REFLECTOR_M = 0.3  # pressure that a body sends on, over that which meets it, at 1 m [m]


@dataclass(frozen=True)
class Setting:
    """What a row is about; lengths in metres."""

    array: str = "square-half-wave"
    near_m: float = 2.0
    far_m: float = 15.0
    floor_off_m: float = 0.0
    wall_off_m: float = 0.0
    own_sd_m: float = OWN_SD_M
    scatter: float = 0.05
    q_sd: float = 0.2
    uneven_m: float = 0.0
    reflector: bool = False
    speed_m_s: float = 0.0
    second_hz: float = 0.0


ROWS = {
    "half-wave": Setting(),
    "hull-4": Setting("hull-4"),
    "15-20 m": Setting(near_m=15.0, far_m=20.0),
    "uneven floor, 3 cm": Setting(uneven_m=0.03),
    "floor 0.3 m off": Setting(floor_off_m=0.3),
    "wall 0.3 m off": Setting(wall_off_m=0.3),
    "own place to 0.3 m": Setting(own_sd_m=0.3),
    "scatter 20 %": Setting(scatter=0.2),
    "a reflector": Setting(reflector=True),
    "floor 0.1 m off": Setting(floor_off_m=0.1),
    "wall 0.2 m off": Setting(wall_off_m=0.2),
    "Q to 40 %": Setting(q_sd=0.4),
    "0.5 m/s": Setting(speed_m_s=0.5),
    "second pinger": Setting(second_hz=34e3),
}


def noted_scene(setting: Setting, rng: np.random.Generator) -> Scene:
    """The pool as sketched, with vehicle and pinger somewhere in it."""
    scene = load_scene(shipped("examples")["mallard-basin"])
    array: Array = load_array(shipped("arrays")[setting.array])
    if setting.array != "hull-4":
        array = array.model_copy(update={"mount_m": (0.2, 0.0, 0.2)})
    while True:
        own = np.array([*rng.uniform([1.0, 1.0], [24.0, 11.5]), rng.uniform(0.4, 1.0)])
        source = np.array([*rng.uniform([0.7, 0.7], [24.3, 11.8]), 0.0])
        source[2] = scene.pool.floor_depth_m(source) - rng.uniform(0.2, 0.6)
        distance = np.linalg.norm((source - own)[:2])
        if setting.near_m < distance < setting.far_m and scene.pool.floor_depth_m(own) > own[2] + 0.5:
            break
    heading = float(rng.uniform(-180.0, 180.0))
    vehicle = scene.vehicle.model_copy(
        update={
            "position_m": tuple(own.tolist()), "heading_deg": heading, "roll_deg": 0.0, "pitch_deg": 0.0,
            "position_sd_m": setting.own_sd_m,
        }
    )  # fmt: skip
    pinger = scene.pingers[0].model_copy(update={"position_m": tuple(source.tolist())})
    return scene.model_copy(update={"array": array, "vehicle": vehicle, "pingers": (pinger,)})


def true_pool(scene: Scene, setting: Setting, rng: np.random.Generator) -> Scene:
    """The scene with the pool's errors drawn, and those of the row put on."""
    drawn = drawn_sketch(scene, rng).pool
    outline, points = np.array(drawn.outline_m), np.array(drawn.floor_points_m)
    points[:, 2] += setting.floor_off_m * rng.choice([-1, 1])
    outward, reach = half_planes(outline)
    reach[rng.integers(len(reach))] += setting.wall_off_m * rng.choice([-1, 1])
    shape = {
        "outline_m": tuple(map(tuple, meeting_places((outward, reach)).tolist())),
        "floor_points_m": tuple(map(tuple, points.tolist())),
    }
    return scene.model_copy(update={"pool": scene.pool.model_copy(update=shape)})


def sound_paths(
    true: Scene, pose: Pose, body_m: Floats, source_m: Floats, hz: float, setting: Setting, rng: np.random.Generator
) -> tuple[Floats, np.ndarray, np.ndarray]:
    """Delays [s], amplitudes and existence of paths (n_channels, n_paths), with what no estimator is told of."""
    n, speed = len(body_m), true.sound_speed_m_s + true.sound_speed_sd_m_s * rng.standard_normal()
    extra = rng.uniform([1.0, 1.0, 0.3], [24.0, 11.5, 1.0])[None]
    points = np.concatenate([pose.to_site(np.concatenate([body_m, HULL_M])), extra])
    paths = arrivals(true, points, source_m, frequency_hz=hz, horizon_s=0.012, floor_db=-50.0)
    bounces = np.sum(paths.faces[0] == paths.face_names.index("floor"), axis=-1)
    delay = paths.delay_s * true.sound_speed_m_s / speed
    delay = delay + setting.uneven_m / speed * bounces * rng.standard_normal(delay.shape[1])
    shape = paths.amplitude.shape
    stray = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(2.0)
    amplitude = paths.amplitude * (1.0 + setting.scatter * stray * (np.arange(shape[1]) > 0))
    delays, amplitudes, valid = [delay[:n]], [amplitude[:n]], [paths.valid[:n]]
    for k in range(len(HULL_M)):
        away = np.linalg.norm(body_m - HULL_M[k], axis=-1)[:, None]
        turn = np.exp(2j * np.pi * rng.uniform())
        delays.append(delay[n + k] + away / speed)
        amplitudes.append(np.broadcast_to(HULL_SHARE * turn * amplitude[n + k], delays[-1].shape))
        valid.append(np.broadcast_to(paths.valid[n + k], delays[-1].shape))
    if setting.reflector:
        away = np.linalg.norm(points[:n] - extra, axis=-1)[:, None]
        delays.append(delay[-1, :1] + away / speed)
        amplitudes.append(REFLECTOR_M * amplitude[-1, :1] / away)
        valid.append(np.ones((n, 1), dtype=bool))
    skew = true.recorder.timing_sd_s(hz) * rng.standard_normal((n, 1))
    return np.concatenate(delays, axis=1) + skew, np.concatenate(amplitudes, axis=1), np.concatenate(valid, axis=1)


def add_ping(pressure: Floats, pinger: Pinger, start_s: float, paths: tuple, doppler: Floats | None) -> None:
    """Add a ping to samples; with shares of the carrier by which each path is shifted, path by path."""
    delay, amplitude, valid = paths
    groups = [slice(None)] if doppler is None else [slice(k, k + 1) for k in range(delay.shape[1])]
    times = SampleTimes(1.0 / RATE_HZ, np.zeros(len(pressure)))
    for k, part in enumerate(groups):
        if not valid[:, part].any():
            continue
        hz = pinger.frequency_hz * (1.0 if doppler is None else 1.0 + doppler[k])
        shifted = pinger.model_copy(update={"frequency_hz": hz})
        first, sound = ping_pressure(shifted, start_s, delay[:, part], amplitude[:, part], valid[:, part], times)
        count = min(pressure.shape[1] - first, len(sound))
        if count > 0:
            pressure[:, first : first + count] += sound[:count].real.T


@dataclass(frozen=True)
class Place:
    """Vehicle and pinger in a pool as noted and as they are; the pinger's place is that of its transducer."""

    scene: Scene
    true: Scene
    pose: Pose
    body_m: Floats
    pinger: Pinger


def drawn_place(setting: Setting, rng: np.random.Generator) -> Place:
    """A place with all its errors drawn; again where these leave something out of the water."""
    while True:
        scene = noted_scene(setting, rng)
        true, vehicle = true_pool(scene, setting, rng), scene.vehicle
        errors, noted = rng.standard_normal(6), vehicle.pose
        turn = errors[3:] * vehicle.attitude_sd
        own_sd = np.array([setting.own_sd_m, setting.own_sd_m, vehicle.depth_sd_m])
        pose = Pose(
            noted.position_m + errors[:3] * own_sd, noted.roll + turn[0], noted.pitch + turn[1], noted.heading + turn[2]
        )
        body = scene.array.positions_m
        body = body + rng.standard_normal(body.shape) * scene.array.tolerances_m[:, None]
        sheet = scene.pingers[0]
        source = np.array(sheet.position_m) + [0.0, 0.0, 0.1 * rng.standard_normal()]
        source[2] = min(source[2], float(true.pool.floor_depth_m(source)) - 0.05)
        pinger = sheet.model_copy(
            update={
                "position_m": tuple(source.tolist()),
                "frequency_hz": sheet.frequency_hz * (1.0 + CARRIER_SD * rng.standard_normal()),
                "q": float(np.clip(sheet.q * np.exp(setting.q_sd * rng.standard_normal()), 2, 30)),
            }
        )
        wet = pose.to_site(np.concatenate([body, HULL_M]))
        if true.pool.contains(np.vstack([wet, source]), WET_M).all():
            return Place(scene, true, pose, body, pinger)


def heard_ping(setting: Setting, at: Place, rng: np.random.Generator) -> tuple[EventSegment, PingContext]:
    """The samples of one ping at a place, and what the estimator is told."""
    scene, sheet = at.scene, at.scene.pingers[0]
    source = np.array(at.pinger.position_m)
    paths = sound_paths(at.true, at.pose, at.body_m, source, at.pinger.frequency_hz, setting, rng)
    density = (1e-6 * 10 ** (float(scene.noise_density_db(sheet.frequency_hz)) / 20)) ** 2
    n = len(at.body_m)
    pressure = rng.standard_normal((n, int((LEAD_S + LISTEN_S) * RATE_HZ))) * np.sqrt(density * RATE_HZ / 2)
    start = LEAD_S + 0.002 - paths[0][:, 0].min()
    doppler = None
    if setting.speed_m_s:
        doppler = setting.speed_m_s / scene.sound_speed_m_s * rng.uniform(-1.0, 1.0, paths[0].shape[1])
    add_ping(pressure, at.pinger, start, paths, doppler)
    if setting.second_hz:
        other = sheet.model_copy(update={"frequency_hz": setting.second_hz})
        where = np.array([*rng.uniform([1.0, 1.0], [24.0, 11.5]), 1.0])
        second = sound_paths(at.true, at.pose, at.body_m, where, setting.second_hz, setting, rng)
        add_ping(pressure, other, start + rng.uniform(0.0, 3e-3), second, None)
    notes = sidecar_of_scene(scene)
    context = PingContext(notes, "phase", None)
    volts, cut = pressure / context.pa_per_volt[:, None], int(LEAD_S * RATE_HZ)
    recent = np.full(n, density * RATE_HZ / 2) / context.pa_per_volt**2
    part = EventSegment(volts[:, : cut - 100], volts[:, cut:], int(0.003 * RATE_HZ), cut, RATE_HZ, recent, 0.0)
    return part, context


def one_place(name: str, place: int, last_m: float) -> tuple[float, ...]:
    """Error on the map [m], level of the region that holds the truth, refused, not sure, CPU time by echoes [s]."""
    setting = ROWS[name]
    rng = np.random.default_rng([SEED, list(ROWS).index(name), place])
    at = drawn_place(setting, rng)
    part, context = heard_ping(setting, at, rng)
    known = context.sidecar.pingers[0]
    burst = Burst(known.frequency_hz, known.length_s, known.q)
    begin = time.process_time()
    locate_pings([HeardPing(1, known, burst, part, context)])
    direct = time.process_time()
    sketched = replace(context, site=sketch_of_scene(at.scene))
    source = np.array(at.pinger.position_m)
    if last_m:
        last = EchoMode(source + last_m * rng.standard_normal(3), last_m**2 * np.eye(3), 1.0)
        sketched.last_places[known.name] = EchoFix(True, "", modes=(last,))
    fix = locate_pings([HeardPing(1, known, burst, part, sketched)])[0].echoes
    spent = time.process_time() - direct - (direct - begin)
    if fix is None or not fix.modes:
        return np.nan, 1.0, 1.0, 1.0, spent
    error = float(np.linalg.norm((fix.modes[0].position_m - source)[:2]))
    return error, fix.credible_level(source), float(not fix.ok), float(not fix.sure), spent


def one_run(name: str, run: int) -> tuple[float, ...]:
    """Of the position by bearings alone, then with echoes: error [m], inside the 95 % ellipse, no position to go by."""
    setting = replace(ROWS[name], near_m=WAY_M + 2.0)
    rng = np.random.default_rng([SEED, len(ROWS) + list(ROWS).index(name), run])
    at, pings = drawn_place(setting, rng), []
    source = np.array(at.pinger.position_m)
    away = source[:2] - at.scene.vehicle.position_m[:2]
    sheet = at.scene.pingers[0]
    burst, site = Burst(sheet.frequency_hz, sheet.length_s, sheet.q), sketch_of_scene(at.scene)
    for k, gone in enumerate(np.linspace(0.0, WAY_M, PINGS)):
        step = np.array([*(gone * away / np.hypot(*away)), 0.0])
        noted = at.scene.vehicle.model_copy(update={"position_m": tuple(at.scene.vehicle.position_m + step)})
        roll, pitch = noted.attitude_sd[:2] * rng.standard_normal(2)
        there = replace(
            at,
            scene=at.scene.model_copy(update={"vehicle": noted}),
            pose=Pose(at.pose.position_m + step, roll, pitch, at.pose.heading),
        )
        part, context = heard_ping(setting, there, rng)
        sketched = replace(context, site=site)
        pings += locate_pings([HeardPing(k + 1, context.sidecar.pingers[0], burst, part, sketched)])
    lasting = float(np.rad2deg(at.scene.vehicle.attitude_sd[2]))
    errors = errors_of_run(pings, at.scene, RunErrors(lasting, 0.0, 0.0))
    found: list[float] = []
    for by_echoes in (False, True):
        fix = fuse_run(pings, track_of_pings(pings), errors, at.scene, by_echoes=by_echoes)
        off = (fix.position_m - source)[:2]
        right = np.isfinite(off).all() and bool(inside_region(off, fix.covariance_m2[:2, :2]))
        found += [float(np.hypot(*off)), float(right), float(not fix.ok)]
    return *found, float(sum(ping.echoes is not None and ping.echoes.ok for ping in pings))


def run_summary(results: np.ndarray) -> str:
    """A row: by bearings alone, then with echoes; the errors are those of positions to go by."""
    told = []
    for error, right, refused in (results[:, :3].T, results[:, 3:6].T):
        used = refused == 0
        near = f"{np.median(error[used]):.2f} | {np.mean(error[used] <= 1.0):.0%}" if used.any() else "none | none"
        told += [f"{used.sum()}", near, f"{np.mean(right):.0%}"]
    return " | ".join([f"{len(results)}", *told, f"{results[:, 6].mean():.1f}"]).replace("%", " %")


def one_window(place: int) -> tuple[float, ...]:
    """From the direct sound to the first echo from a wall [s], by the sketch and as it is; azimuth of what comes before
    it, off the pinger's, over the floor as it is and over a level one, the worst path [deg]."""
    rng = np.random.default_rng([SEED, 2 * len(ROWS), place])
    at = drawn_place(ROWS["half-wave"], rng)
    scene, source = at.scene, np.array(at.pinger.position_m)
    sheet, vehicle, pool = scene.pingers[0], scene.vehicle, sketch_of_scene(scene).pool
    faces = site_faces(pool)
    noted = NavigatedPose(
        tuple(vehicle.pose.position_m), 0.0, 0.0, vehicle.pose.heading, heading_sd=vehicle.attitude_sd[2]
    )
    known = SiteKnowledge(
        faces, faces_sd(pool, faces), scene.array.positions_m, scene.array.tolerances_m, 0.0, noted, scene.sound_speed_m_s,
        0.0, Burst(sheet.frequency_hz, sheet.length_s, sheet.q), float(sheet.position_m[2]), 0.1,
    )  # fmt: skip
    heard = float(bearing_and_depression(at.pose.to_body(source[None])[0])[0]) + BEARING_SD * rng.standard_normal()
    cells = water_along(known, (DirectBearing(heard, BEARING_SD),), sds=2.0, off_wall_m=OFF_WALL_M)
    by_sketch = first_wall_s(known, np.column_stack([cells, np.full(len(cells), known.depth_m)])).min()
    # Tilt and mounting are other errors, which the estimators know.
    upright, off = vehicle.pose.to_site(scene.array.positions_m), []
    for pool in (at.true, level(at.true)):
        paths = arrivals(pool, upright, source, frequency_hz=sheet.frequency_hz, horizon_s=0.012, floor_db=-40.0)
        off.append(azimuth_off_deg(paths, upright, until_wall_s(paths, sheet.length_s)))
    heard_by = arrivals(
        at.true, at.pose.to_site(at.body_m), source, frequency_hz=sheet.frequency_hz, horizon_s=0.012, floor_db=-40.0
    )
    return by_sketch, until_wall_s(heard_by, sheet.length_s), *off


def until_wall_s(paths: Arrivals, longest_s: float) -> float:
    """From the direct sound to the first echo from a wall at any hydrophone, at most so long [s]."""
    of_walls = np.isin(paths.faces, [k for k, name in enumerate(paths.face_names) if "wall" in name]).any(axis=-1)
    after = np.where(paths.valid, paths.delay_s - paths.delay_s[:, :1], np.inf)
    return float(after[:, of_walls].min(initial=longest_s))


def first_wall_s(known: SiteKnowledge, places_m: Floats) -> Floats:
    """From the direct sound to the first echo from a wall for places of shape (n, 3) [s]; the burst's length if none."""
    paths = path_sets(known, places_m, known.burst.length_s)
    wall = np.array([name.startswith("wall") for name in known.faces.names] + [False])[paths.faces].any(axis=-1)
    arrival = arrivals_alone(known, paths, states_at(known, places_m[:, :2], (), 0.0))
    after = (arrival - arrival[..., :1]).min(axis=1)
    return np.where(wall[paths.sequence] & (paths.expected > 0), after, known.burst.length_s).min(axis=-1)


def level(scene: Scene) -> Scene:
    """The pool with a level floor, as deep as in its middle and nowhere less."""
    points = np.array(scene.pool.floor_points_m)
    points[:, 2] = points[:, 2].max()
    pool = scene.pool.model_copy(update={"floor_points_m": tuple(map(tuple, points.tolist()))})
    return scene.model_copy(update={"pool": pool})


def azimuth_off_deg(paths: Arrivals, body_m: Floats, until_s: float) -> float:
    """Azimuth of the paths before a time, by the plane wave that fits their times best, off that of the direct sound.

    A horizontal array: its plane waves have two slownesses. The mean of the paths by their energy within the time.
    """
    flat = body_m - body_m.mean(axis=0)
    keep = paths.valid.all(axis=0) & ((paths.delay_s - paths.delay_s[:, :1]).max(axis=0) < until_s)
    slowness = np.linalg.lstsq(flat[:, :2], paths.delay_s[:, keep] - paths.delay_s[:, keep].mean(axis=0), rcond=None)[0]
    azimuth = np.arctan2(-slowness[1], -slowness[0])
    left = np.maximum(until_s - (paths.delay_s - paths.delay_s[:, :1]).mean(axis=0)[keep], 0.0)
    energy = left * np.mean(np.abs(paths.amplitude[:, keep]) ** 2, axis=0)
    return float(np.rad2deg(np.abs(np.sum(energy * np.angle(np.exp(1j * (azimuth - azimuth[0])))) / energy.sum())))


RUN_HEADER = (
    "| setting | runs | bearings: positions | median m | within 1 m | region right | with echoes: positions | median m | "
    "within 1 m | region right | places a run |\n" + "| --- " * 11 + "|"
)


def summary(results: np.ndarray) -> str:
    """A row: all answers, those that were not refused, and those that were neither refused nor said to be unsure."""
    error, level, refused, unsure, spent = results.T
    near, right, used = error <= 1.0, level <= 0.95, refused == 0
    plain = used & (unsure == 0)
    return " | ".join(
        [
            f"{len(error)}",
            f"{np.nanmedian(error):.2f}",
            f"{np.mean(near):.0%}",
            f"{np.mean(right):.0%}",
            f"{np.mean(refused):.0%}",
            f"{np.median(error[used]):.2f}" if used.any() else "none",
            f"{np.mean(near[used]):.0%}" if used.any() else "none",
            f"{np.mean(right[used]):.0%}" if used.any() else "none",
            f"{np.mean(~near & used):.0%}",
            f"{np.mean(used & ~plain):.0%}",
            f"{np.mean(~near & plain):.0%}",
            f"{np.mean(spent):.1f}, {np.median(spent):.1f}",
        ]
    ).replace("%", " %")


HEADER = (
    "| setting | places | median m | within 1 m | region right | refused | median m | within 1 m | region right | "
    "over 1 m, not refused | not sure to 1 m | over 1 m, unannounced | CPU s, mean and median |\n" + "| --- " * 13 + "|"
)


def main() -> None:
    """Parse the size and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--places", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--runs", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--rows", nargs="*", default=list(ROWS), choices=list(ROWS))
    parser.add_argument("--windows", type=int, default=0)
    parser.add_argument("--last-m", type=float, default=0.0)
    options = parser.parse_args()
    if options.windows:
        by_sketch, wall, off, off_level = np.array([one_window(k) for k in range(options.windows)]).T
        print(
            f"{options.windows} places: window by the sketch late in {np.sum(by_sketch > wall)}, median "
            f"{1e6 * np.median(by_sketch):.0f} us of {1e6 * np.median(wall):.0f} us; azimuth of what comes before the "
            f"first wall off by up to {off.max():.2f} deg (median {np.median(off):.3f}), over a level floor up to "
            f"{off_level.max():.3f} deg (median {np.median(off_level):.4f})"
        )
        return
    one, told, count = partial(one_place, last_m=options.last_m), summary, options.places
    if options.runs:
        one, told, count = one_run, run_summary, options.runs
    print(RUN_HEADER if options.runs else HEADER)
    with ProcessPoolExecutor(options.jobs) as pool:
        for name in options.rows:
            results = np.array(list(pool.map(one, repeat(name), range(options.first, options.first + count))))
            print(f"| {name} | {told(results)} |", flush=True)


if __name__ == "__main__":
    main()
