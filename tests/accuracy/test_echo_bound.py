"""The bound with echoes against the bound without, against a dense Fisher matrix of rendered samples, and itself."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.bounds import position_bound
from acoustics.accuracy.echo_bound import EchoKnowledge, echo_bound, echo_place_errors
from acoustics.accuracy.echo_bound.information import joint_information
from acoustics.accuracy.echo_bound.products import BurstDoubt, product
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose
from acoustics.physics.burst import Burst
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.scenario import load_scene, shipped

KNOWN_BURST = EchoKnowledge(0.0, 0.0)


def shipped_scene(name, **pool):
    scene = load_scene(shipped("examples")[name])
    return scene.model_copy(update={"pool": scene.pool.model_copy(update=pool)})


@pytest.fixture(scope="module")
def basin():
    return shipped_scene("mallard-basin")


def at_the_vehicle(scene, pinger=None, **options):
    pinger = pinger or scene.pingers[0]
    pose = scene.vehicle.pose
    return echo_bound(
        scene, pinger, pose.position_m[None], np.array([pose.heading]), np.array([pinger.position_m]), **options
    )


def blind(scene, places, window_s):
    """The bound of an estimator that knows nothing of the pool, horizontal RMS [m]."""
    pinger, vehicle = scene.pingers[0], scene.vehicle
    turned = Pose(np.zeros(3), 0.0, 0.0, vehicle.pose.heading)
    source = turned.to_body(np.array(pinger.position_m) - places)
    own = Pose(np.zeros(3), vehicle.pose.roll, vehicle.pose.pitch, 0.0)
    link = link_budget(
        scene, pinger, np.linalg.norm(source - scene.array.positions_m.mean(0), axis=-1), window_s=window_s
    )
    return position_bound(
        own.to_site(scene.array.positions_m),
        source,
        scene.sound_speed_m_s,
        arrival_variance_s2=link.carrier_variance_s2[:, None],
        element_sd_m=scene.array.tolerances_m,
        skew_sd_s=scene.recorder.timing_sd_s(pinger.frequency_hz),
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        attitude_sd=vehicle.attitude_sd,
        pivot_m=np.zeros(3),
        source_depth_sd_m=float(np.hypot(scene.study.pinger_depth_sd_m, vehicle.depth_sd_m)),
    ).horizontal_rms_m


def test_without_faces_it_is_the_closed_form_of_the_direct_sound(basin):
    """One path of unknown amplitude: the same as arrival times of variance 1 / (beta^2 2E/N0), Kay (1993) eq. 3.14.

    The energy ratio is each channel's here and the middle's there; over 25 mm at 2 m that is under 1 %.
    """
    open_water = basin.pool.model_copy(
        update={"outline_m": None, "floor_points_m": None, "surface_reflects": False, "surface_roughness_m": 0.0}
    )
    scene = basin.model_copy(update={"pool": open_water})
    places = np.array([[18.0, 6.5, 0.8], [15.0, 9.0, 1.5], [19.0, 10.0, 0.5]])
    sources = np.tile(scene.pingers[0].position_m, (3, 1))
    ours = echo_bound(
        scene, scene.pingers[0], places, np.full(3, scene.vehicle.pose.heading), sources, knowledge=KNOWN_BURST
    )
    length = scene.pingers[0].length_s
    np.testing.assert_allclose(ours.whole_burst_m, blind(scene, places, length), rtol=0.01)
    assert ours.to_first_wall_m.tolist() == ours.whole_burst_m.tolist()
    assert ours.first_wall_s.tolist() == [length] * 3


class Rendered:
    """Noise-free complex samples of a scene whose errors are dialled in one by one, by image sources."""

    def __init__(self, scene, pinger, window_s, spacing_s):
        self.scene, self.pinger = scene, pinger
        self.nominal = self.paths({})
        first = self.nominal.delay_s[:, :1]
        kept = (self.nominal.delay_s < first + window_s).any(axis=0)
        self.kept, self.count = kept, int(kept.sum())
        n = round(window_s / spacing_s)
        self.time = first + (np.arange(n) + 0.5) * (window_s / n)
        self.spacing = window_s / n
        self.amplitude = np.where(self.nominal.delay_s < first + window_s, self.nominal.amplitude, 0.0)[:, kept]

    def paths(self, errors):
        """Arrivals with errors of the pool, the places and the attitude."""
        scene, pool = self.scene, self.scene.pool
        corners, points = np.array(pool.outline_m), np.array(pool.floor_points_m)
        along = np.roll(corners, -1, axis=0) - corners
        inward = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
        for k in range(len(corners)):  # right angles: both corners of a wall move straight out
            corners[[k, (k + 1) % len(corners)]] -= errors.get(f"wall {k}", 0.0) * inward[k]
        tilt = np.array([errors.get("slope x", 0.0), errors.get("slope y", 0.0)])
        points[:, 2] += errors.get("floor", 0.0) + (points[:, :2] - pool.middle_m) @ tilt
        moved = pool.model_copy(
            update={"outline_m": tuple(map(tuple, corners)), "floor_points_m": tuple(map(tuple, points))}
        )
        own = np.array([errors.get(f"own {axis}", 0.0) for axis in "xyz"])
        place = np.array([errors.get(axis, 0.0) for axis in "xyz"]) + own * [1, 1, 0]
        pose = scene.vehicle.pose
        turn = [errors.get(name, 0.0) for name in ("roll", "pitch", "heading")]
        hydrophones = scene.array.positions_m.copy()
        for h in range(len(hydrophones)):
            hydrophones[h] += [errors.get(f"hydrophone {h} {axis}", 0.0) for axis in "xyz"]
        turned = Pose(
            pose.position_m + own, *(a + t for a, t in zip((pose.roll, pose.pitch, pose.heading), turn, strict=True))
        )
        return arrivals(
            scene.model_copy(update={"pool": moved}),
            turned.to_site(hydrophones),
            np.array(self.pinger.position_m) + place,
            frequency_hz=self.pinger.frequency_hz,
            horizon_s=self.pinger.length_s,
            floor_db=-30.0,
        )

    def samples(self, errors):
        paths = self.paths(errors) if set(errors) - {"emission", "speed", "q", "carrier"} else self.nominal
        delay = paths.delay_s[:, self.kept] / (1 + errors.get("speed", 0.0) / self.scene.sound_speed_m_s)
        delay = delay + errors.get("emission", 0.0)
        for h in range(len(delay)):
            delay[h] += errors.get(f"skew {h}", 0.0)
        p = self.pinger
        burst = Burst(p.frequency_hz, p.length_s, p.q * (1 + errors.get("q", 0.0)), p.sweep_hz)
        age = self.time[:, :, None] - delay[:, None, :]
        phase = (burst.carrier + 2 * np.pi * errors.get("carrier", 0.0)) * age - burst.carrier * self.time[:, :, None]
        return burst.complex_envelope(age) * np.exp(1j * phase) * self.amplitude[:, None, :]


def dense_bound(scene, pinger, window_s, spacing_s, knowledge):
    """Horizontal RMS by the whole Fisher matrix, amplitudes and all, of central differences [m]."""
    rendered = Rendered(scene, pinger, window_s, spacing_s)
    vehicle, study = scene.vehicle, scene.study
    n = len(scene.array.hydrophones)
    sd = {"x": np.inf, "y": np.inf, "z": study.pinger_depth_sd_m, "emission": np.inf, "speed": scene.sound_speed_sd_m_s}
    sd |= {"own x": vehicle.position_sd_m, "own y": vehicle.position_sd_m, "own z": vehicle.depth_sd_m}
    sd |= dict(zip(("roll", "pitch", "heading"), vehicle.attitude_sd, strict=True))
    sd |= {"floor": 0.05, "slope x": 0.002, "slope y": 0.002} | {f"wall {k}": 0.05 for k in range(4)}
    sd |= {f"hydrophone {h} {axis}": scene.array.tolerances_m[h] for h in range(n) for axis in "xyz"}
    sd |= {f"skew {h}": scene.recorder.timing_sd_s(pinger.frequency_hz) for h in range(n)}
    sd |= {"q": knowledge.q_sd_share, "carrier": knowledge.frequency_sd_share * pinger.frequency_hz}
    sd = {name: value for name, value in sd.items() if value > 0}
    steps = {"emission": 1e-9, "carrier": 0.01, "speed": 1e-3, "q": 1e-4} | {f"skew {h}": 1e-9 for h in range(n)}
    by_error = []
    for name in sd:
        step = steps.get(name, 1e-6)
        by_error.append((rendered.samples({name: step}) - rendered.samples({name: -step})).sum(-1) / (2 * step))
    each = rendered.samples({})
    each = each[..., each.any(axis=(0, 1))]  # a path that begins last has no sample
    columns = [*by_error, *np.moveaxis(each, -1, 0), *np.moveaxis(1j * each, -1, 0)]
    noise_db = float(scene.noise_density_db(pinger.frequency_hz))
    scale = np.sqrt(2 * 10 ** ((pinger.source_level_db - noise_db) / 10) * rendered.spacing)
    # Orthogonal triangles keep the figures that normal equations would lose.
    design = scale * np.array([column.ravel() for column in columns]).T
    prior = np.zeros((len(sd), design.shape[1]))
    prior[range(len(sd)), range(len(sd))] = [1 / value for value in sd.values()]
    rows = np.concatenate([design.real, design.imag, prior])
    size = np.linalg.norm(rows, axis=0)
    triangle = np.linalg.inv(np.linalg.qr(rows / size, mode="r")) / size[:, None]
    covariance = triangle @ triangle.T
    return np.sqrt(covariance[0, 0] + covariance[1, 1])


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize(("sweep_hz", "whole", "rtol"), [
    (0.0, False, 0.01),
    (5000.0, False, 0.01),
    (0.0, True, 0.03),
])  # fmt: skip
def test_elimination_equals_a_dense_fisher_matrix_of_rendered_samples(basin, sweep_hz, whole, rtol):
    """A finite difference moves the scene itself and asks the image-source method again.

    Within 1 or 3 %: each path's envelope has a kink, where a sum over samples 0.5 or 1 us apart is off by up to half a
    sample, 0.3 or 0.6 % of a time constant, and the whole burst has 23 of them; and coefficients are taken at the
    array's middle.
    """
    pinger = basin.pingers[0].model_copy(update={"sweep_hz": sweep_hz})
    vehicle = basin.vehicle.model_copy(update={"position_sd_m": 0.1})
    scene, knowledge = basin.model_copy(update={"vehicle": vehicle}), EchoKnowledge(0.1, 1e-3)
    bound = at_the_vehicle(scene, pinger, knowledge=knowledge)
    if whole:
        ours, dense = bound.whole_burst_m[0], dense_bound(scene, pinger, pinger.length_s, 1e-6, knowledge)
    else:
        ours, dense = (
            bound.to_first_wall_m[0],
            dense_bound(scene, pinger, float(bound.first_wall_s[0]), 5e-7, knowledge),
        )
    assert ours == pytest.approx(dense, rel=rtol)


def test_mallard_basin_where_the_vehicle_stands(basin):
    """Figures of a separate study of the same model in another program: 0.21 m and 1.16 m, to within 5 %."""
    bound = at_the_vehicle(basin)
    assert bound.whole_burst_m[0] == pytest.approx(0.21, rel=0.05)
    assert bound.to_first_wall_m[0] == pytest.approx(1.16, rel=0.05)


@pytest.mark.slow
def test_more_sound_and_more_knowledge_never_hurt(basin):
    """Information only adds up: no place where a longer window, or a better known pool, gives a larger bound."""
    rng = np.random.default_rng(8)
    places = np.column_stack([rng.uniform(1, 24, 40), rng.uniform(1, 11.5, 40), rng.uniform(0.5, 1.0, 40)])
    given = (places, np.full(40, basin.vehicle.pose.heading), np.tile(basin.pingers[0].position_m, (40, 1)))
    pinger = basin.pingers[0]
    bound = echo_bound(basin, pinger, *given, knowledge=KNOWN_BURST)
    assert (bound.whole_burst_m <= bound.to_first_wall_m * (1 + 1e-6)).all()
    without = blind(basin, places, multipath_free_windows(basin, pinger, places))
    assert (bound.to_first_wall_m <= without * 1.01).all()
    surveyed = shipped_scene("mallard-basin", wall_sd_m=0.0, floor_sd_m=0.0, floor_slope_sd=0.0)
    exact = echo_bound(surveyed, pinger, *given, knowledge=KNOWN_BURST)
    assert (exact.whole_burst_m <= bound.whole_burst_m * (1 + 1e-6)).all()
    hazy = echo_bound(basin, pinger, *given, knowledge=EchoKnowledge(0.2, 2e-3, 0.05))
    assert (hazy.whole_burst_m >= bound.whole_burst_m * (1 - 1e-6)).all()


@pytest.mark.slow
def test_one_place_at_a_time_gives_the_same(basin):
    rng = np.random.default_rng(3)
    places = np.column_stack([rng.uniform(1, 24, 300), rng.uniform(1, 11.5, 300), np.full(300, 0.8)])
    sources = np.tile(basin.pingers[0].position_m, (300, 1))
    together = echo_bound(basin, basin.pingers[0], places, np.zeros(300), sources)
    for k in (0, 137, 299):
        alone = echo_bound(basin, basin.pingers[0], places[[k]], np.zeros(1), sources[[k]])
        np.testing.assert_allclose(together.whole_burst_m[k], alone.whole_burst_m[0], rtol=1e-3)
        np.testing.assert_allclose(together.to_first_wall_m[k], alone.to_first_wall_m[0], rtol=1e-3)


@pytest.mark.parametrize("name", ["fennel-reservoir", "quay-nine"])
def test_other_sites_have_bounds_too(name):
    bound = at_the_vehicle(shipped_scene(name))
    assert 0 < bound.whole_burst_m[0] <= bound.to_first_wall_m[0] * (1 + 1e-6)


def test_shapes_that_do_not_fit_are_refused(basin):
    with pytest.raises(ParameterError, match=r"have shapes \(2, 3\), \(1,\) and \(2, 3\)"):
        echo_bound(basin, basin.pingers[0], np.ones((2, 3)), np.zeros(1), np.ones((2, 3)))


def test_a_product_in_blocks_is_the_product():
    rng = np.random.default_rng(5)
    left, right = (rng.standard_normal((2, 130, n)) + 1j * rng.standard_normal((2, 130, n)) for n in (75, 60))
    np.testing.assert_allclose(product(left, right), np.swapaxes(left.conj(), -1, -2) @ right, atol=1e-12)


@pytest.mark.parametrize("window_s", [1e-4, 4e-3], ids=["few cycles", "whole burst"])
def test_a_tone_in_closed_form_is_a_chirp_that_sweeps_nothing(window_s):
    """The latter is integrated over nodes, good to 1e-5 of each product; information is a difference of such."""
    rng = np.random.default_rng(8)
    shape = 3, 4, 9  # places, channels, paths, in another order at each channel, some of them beyond the window
    delay = 0.01 + rng.uniform(0.0, 5e-3, shape)
    delay[..., 0] = 0.01 + rng.uniform(0.0, 5e-5, shape[:2])
    delay[0, 1, 3:5] = delay[0, 1, 2]  # several begin at once
    delay[1, :, 6] = np.inf
    amplitude = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    amplitude[..., 0] *= 300.0
    by, doubt = 1e-5 * rng.standard_normal((*shape, 5)), BurstDoubt(0.1, 30.0)
    tone, chirp = (
        joint_information(Burst(30e3, 4e-3, 8.0, sweep), doubt, delay, amplitude, by, np.full(3, window_s))
        for sweep in (0.0, 1e-6)
    )
    size = np.sqrt(np.einsum("nii->ni", chirp))
    np.testing.assert_allclose((tone - chirp) / (size[:, :, None] * size[:, None]), 0.0, atol=1e-4)


def test_a_film_of_water_has_a_bound_where_its_paths_can_be_told():
    film = shipped_scene("mallard-basin", floor_points_m=((0.0, 0.0, 0.2), (25.0, 0.0, 0.2), (0.0, 12.5, 0.2)))
    middle_m = film.array.positions_m.mean(axis=0)
    places = np.array([[19.0, 8.0, 0.1], [2.0, 2.0, 0.1]]) - middle_m
    bound = echo_bound(film, film.pingers[0], places, np.zeros(2), np.tile([20.0, 8.0, 0.12], (2, 1)))
    assert np.isfinite(bound.whole_burst_m[0])
    assert np.isinf(bound.whole_burst_m[1])


def test_errors_of_places_make_up_their_bound(basin):
    """What the errors make of a place and what is new at each ping are together the bound; some of both is there."""
    pinger, vehicle = basin.pingers[0], basin.vehicle
    places = np.array([vehicle.position_m, [10.0, 3.0, 0.8]])
    given = places, np.array([0.3, -1.0]), np.tile(pinger.position_m, (2, 1))
    errors, bound = echo_place_errors(basin, pinger, *given), echo_bound(basin, pinger, *given, site_position=True)
    assert errors.told.all()
    np.testing.assert_allclose(np.trace(errors.covariance_m2, axis1=1, axis2=2), bound.whole_burst_m**2, rtol=1e-4)
    spread = errors.by * errors.sd
    lasting = spread @ np.swapaxes(spread, -1, -2)
    new = np.linalg.eigvalsh(errors.covariance_m2 - lasting)
    assert (new > 0).all() and (new[:, 1] > 1e-3).all() and (np.trace(lasting, axis1=1, axis2=2) > 1e-3).all()


def test_a_known_wall_makes_no_error(basin):
    surveyed = shipped_scene("mallard-basin", wall_sd_m=0.0)
    place = np.array([basin.vehicle.position_m]), np.zeros(1), np.array([basin.pingers[0].position_m])
    by = [echo_place_errors(scene, basin.pingers[0], *place).by[0] for scene in (basin, surveyed)]
    assert np.abs(by[0][:, -4:]).max() > 0.1 and not by[1][:, -4:].any()
