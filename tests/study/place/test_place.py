from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose, bearing_and_depression, direction, wrap_angle
from acoustics.base.intervals import rate_interval
from acoustics.scene.mounting import BoxBody, BoxRegion, CylinderBody, HullPatch, KeepOutBox, Mounting
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.draws import ArrivalErrors, simulate_bearings
from acoustics.study.execution.chunks import Running, Workers
from acoustics.study.place.aim import Aim, criterion_for
from acoustics.study.place.mirror import mirror_error
from acoustics.study.place.regions import fits, outside_bodies, scattered
from acoustics.study.place.search import best_of, exchange, judged, search
from acoustics.study.place.shipped import alternatives
from acoustics.study.place.study import study_place

LIMIT = 0.01
PATCH = Mounting(region=(BoxRegion(low_m=(-0.15, -0.15, 0.1), high_m=(0.15, 0.15, 0.2)),), minimum_spacing_m=0.02)


@pytest.fixture(scope="module")
def scene():
    return load_scene(shipped("examples")["mallard-basin"])


def thinned(scene, aim):
    """A few bearings all round in a small box, for speed."""
    small = scene.model_copy(update={"mounting": PATCH})
    found = criterion_for(small, scene.pingers[0], aim)[0]
    return replace(found, towards=found.towards.take(slice(None, None, 3)))


@pytest.fixture(scope="module")
def criterion(scene):
    return thinned(scene, Aim(worst=False))


@pytest.fixture(scope="module")
def at_four_metres(scene):
    """Near enough for a position of some use."""
    return thinned(scene, Aim(of="position", ranges_m=(4.0,)))


def turned(criterion, **changes):
    """The same with other directions."""
    return replace(criterion, towards=replace(criterion.towards, **changes))


def by_trying_all(criterion, places, n, limit):
    """Every choice of n places worked out in full: the reference for the search."""
    arrays = places[np.array(list(combinations(range(len(places)), n)))]
    arrays = arrays[criterion.mounting.fits(arrays)]
    every = [judged(criterion, array) for array in arrays]
    return min(every, key=lambda f: f.rank(limit)), arrays


@pytest.mark.parametrize("worst", [True, False])
@pytest.mark.parametrize("of", ["bearing", "position"])
@pytest.mark.slow
def test_exchange_finds_what_trying_all_triples_of_eight_places_finds(criterion, of, worst):
    criterion = replace(criterion, of=of, worst=worst)
    places = np.array([[x, y, 0.15] for x in (0.0, 0.025, 0.09) for y in (0.0, 0.03, 0.1)][:7] + [[0.05, 0.05, 0.2]])
    reference, arrays = by_trying_all(criterion, places, 3, LIMIT)
    others = [f.error for f in (judged(criterion, a) for a in arrays) if f.wrong_integer <= LIMIT]
    assert 1 < len(others) < len(arrays)  # the limit decides: some choices keep it, some do not
    found = min(
        (exchange(criterion, judged(criterion, a), LIMIT, lambda rest, own: places) for a in arrays[::20]),
        key=lambda f: f.rank(LIMIT),
    )
    assert found.error == pytest.approx(reference.error, rel=1e-9)
    assert found.wrong_integer <= LIMIT
    assert best_of(criterion, arrays, LIMIT).error == pytest.approx(reference.error, rel=1e-9)


def test_error_is_the_bound_where_no_mirror_image_and_no_shadow_is(criterion):
    cube = load_array("cube-8").positions_m * 3
    bound = bearing_bound(
        cube,
        criterion.towards.bearing,
        criterion.towards.depression,
        criterion.sound_speed_m_s,
        arrival_variance_s2=criterion.towards.carrier_variance_s2[:, None],
        element_sd_m=1e-3,
        skew_sd_s=criterion.sizes.skew_sd_s,
        sound_speed_sd_m_s=criterion.sizes.sound_speed_sd_m_s,
    )
    assert criterion.errors(cube[None])[0] == pytest.approx(bound.bearing_sd, rel=1e-12)


def test_position_error_is_the_bound_where_no_mirror_image_and_no_extent_of_the_water_counts(at_four_metres):
    cube = load_array("cube-8").positions_m * 5
    known = replace(at_four_metres.known, area_sd_m=1e4)
    bound = position_bound(
        cube,
        at_four_metres.towards.source_m,
        at_four_metres.sound_speed_m_s,
        arrival_variance_s2=at_four_metres.towards.carrier_variance_s2[:, None],
        source_depth_sd_m=known.depth_sd_m,
        element_sd_m=1e-3,
        skew_sd_s=at_four_metres.sizes.skew_sd_s,
        sound_speed_sd_m_s=at_four_metres.sizes.sound_speed_sd_m_s,
        attitude_sd=at_four_metres.sizes.single_attitude_sd,
        pivot_m=np.zeros(3),
    )
    found = replace(at_four_metres, known=known).errors(cube[None])[0]
    assert found == pytest.approx(bound.horizontal_rms_m, rel=1e-6)
    # What is known of the water helps, and nobody errs by more than a guess in it.
    assert np.all(at_four_metres.errors(cube[None])[0] < found)
    guess = at_four_metres.errors(1e-6 * cube[None])[0]
    assert guess == pytest.approx(np.sqrt(2) * at_four_metres.known.area_sd_m, rel=0.2)
    assert np.all(guess <= np.sqrt(2) * at_four_metres.known.area_sd_m)


def test_position_of_a_tilted_vehicle_is_that_of_the_array_tilted(scene, at_four_metres):
    upright = Pose(np.zeros(3), 0.2, -0.1, 0.0).rotation
    tilted = replace(at_four_metres, known=replace(at_four_metres.known, upright=upright))
    source = at_four_metres.towards.source_m @ upright.T
    bearing, depression = bearing_and_depression(source)
    level = turned(at_four_metres, bearing=bearing, depression=depression)
    array = load_array("tetra-4").positions_m * 4
    assert tilted.errors(array[None])[0] == pytest.approx(level.errors((array @ upright.T)[None])[0], rel=1e-9)


def mirrored_bearing(array, bearing, depression, delay_sd_m):
    unit = direction(bearing, depression)

    def harm(image):
        return wrap_angle(bearing_and_depression(image)[0] - bearing)

    heard = np.ones((*unit.shape[:-1], len(array)), dtype=bool)
    return mirror_error(array, heard, unit, delay_sd_m, harm=harm)


def test_mirror_image_of_a_level_plane_is_harmless_and_of_an_upright_one_is_not():
    square = 0.1 * np.array([[1, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0.0]])
    bearing, depression = np.deg2rad([30.0, 100.0]), np.deg2rad([10.0, 10.0])
    assert mirrored_bearing(square, bearing, depression, 1e-3) == pytest.approx(0.0, abs=1e-9)
    # Turned upright into the x-z plane, 30 deg is as likely -30 deg: half the pings are 60 deg off.
    upright = square[:, [0, 2, 1]]
    expected = np.sqrt(0.5) * np.deg2rad([60.0, 160.0])
    assert mirrored_bearing(upright, bearing, depression, 1e-3) == pytest.approx(expected, rel=1e-6)
    # A line athwart takes ahead for astern: 30 deg for 150 deg, 100 deg for 80 deg.
    line = np.array([[0, y, 0.0] for y in (-0.1, 0.0, 0.1)])
    ahead_or_astern = mirrored_bearing(line, bearing, np.zeros(2), 1e-3)
    assert np.all(ahead_or_astern >= np.sqrt(0.5) * np.deg2rad([120.0, 20.0]) * (1 - 1e-9))


def test_a_known_depth_tells_a_mirror_image_apart_as_often_as_simulated():
    # A square tilted by 20 deg about the bow, the pinger abeam at 4 m: its image is deeper. Reference: 40,000 draws of
    # a depth aid good to 2 m, the nearer of the two depths chosen; 4 standard errors.
    tilt = np.deg2rad(20.0)
    normal = np.array([0.0, -np.sin(tilt), np.cos(tilt)])
    level = np.array([[1, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0.0]])
    array = 0.15 * level @ np.array([[1, 0, 0], [0, np.cos(tilt), np.sin(tilt)], normal])
    unit = np.array([0.0, 1.0, 0.0])
    image = unit - 2 * (unit @ normal) * normal
    aid = 2.0 * np.random.default_rng(6).normal(size=40_000)
    share = (np.abs(aid - 4 * image[2]) < np.abs(aid)).mean()
    assert 0.1 < share < 0.45
    found = mirror_error(
        array,
        np.ones(4, dtype=bool),
        unit,
        1e-3,
        harm=lambda other: 4 * np.linalg.norm((other - unit)[..., :2], axis=-1),
        against=lambda other: (4 * other[..., 2] / 2.0) ** 2,
    )
    assert (found / (4 * np.linalg.norm((image - unit)[:2]))) ** 2 == pytest.approx(
        share, abs=4 * np.sqrt(share / 40_000)
    )


def test_mirror_of_a_nearly_flat_array_fades_as_simulated():
    # Reference: simulated delays of pinger and image compared by their misfit; 40,000 draws, 4 standard errors.
    rng = np.random.default_rng(5)
    upright = np.array([[0.1, 0.0005, 0.1], [0.1, -0.0005, -0.1], [-0.1, 0.0005, -0.1], [-0.1, -0.0005, 0.1]])
    bearing, depression, sd = np.deg2rad(70.0), 0.0, 1.5e-3
    true, image = direction(bearing, depression), direction(-bearing, depression)
    paths = -(upright @ true) + sd * rng.normal(size=(40_000, 4))

    def misfit(unit):
        rest = paths + upright @ unit
        return ((rest - rest.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1)

    share = (misfit(image) < misfit(true)).mean()
    found = mirrored_bearing(upright, np.array(bearing), np.array(depression), sd)
    assert (found / (2 * bearing)) ** 2 == pytest.approx(share, abs=4 * np.sqrt(share / 40_000))
    assert 0.05 < share < 0.45


def test_a_hydrophone_in_the_shadow_is_lost_for_that_direction_alone(criterion):
    wall = BoxBody(low_m=(-0.02, 0.10, 0.0), high_m=(0.02, 0.12, 0.3))
    shaded = replace(criterion, mounting=PATCH.model_copy(update={"shadows": (wall,)}))
    array = np.array([[0.0, 0.05, 0.15], [0.1, 0.05, 0.15], [0.1, -0.1, 0.15], [-0.1, -0.1, 0.15]])
    heard = shaded.heard(array[None])[0]
    abeam = int(np.argmin(np.abs(criterion.towards.bearing - np.pi / 2)))
    assert heard[abeam].tolist() == [False, True, True, True]
    with_wall, without = shaded.errors(array[None])[0], criterion.errors(array[None])[0]
    three = criterion.errors(array[None, 1:])[0]
    assert with_wall[abeam] == pytest.approx(three[abeam], rel=1e-12)
    clear = heard.all(axis=-1)
    assert clear.any() and with_wall[clear] == pytest.approx(without[clear], rel=1e-12)
    cycles = shaded.wrong_integers(array[None])[0]
    assert cycles[abeam] == pytest.approx(criterion.wrong_integers(array[None, 1:])[0, abeam])
    # All but one hydrophone hidden: a guess, as bad as a wrong cycle.
    box = BoxBody(low_m=(-0.2, -0.2, 0.16), high_m=(0.2, 0.2, 0.3))
    below = turned(shaded, depression=criterion.towards.depression + 1.2)
    below = replace(below, mounting=PATCH.model_copy(update={"shadows": (box,)}))
    assert below.errors(array[None]) == pytest.approx(np.pi / np.sqrt(3))
    assert replace(below, of="position").errors(array[None]) == pytest.approx(np.sqrt(2) * below.known.area_sd_m)
    assert np.all(below.wrong_integers(array[None]) == 1) and below.wrong_integers_roughly(array[None]) == 1


def test_what_is_wrong_often_enough_is_not_worked_out_to_the_end(criterion):
    wall = BoxBody(low_m=(-0.02, 0.10, 0.0), high_m=(0.02, 0.12, 0.3))
    shaded = replace(criterion, worst=True, mounting=PATCH.model_copy(update={"shadows": (wall,)}))
    arrays = np.random.default_rng(3).uniform(-0.1, 0.1, (6, 4, 3)) + [0, 0, 0.1]
    full = shaded.wrong_integer_figure(arrays)
    enough = float(np.median(full))
    part = shaded.wrong_integer_figure(arrays, enough=enough)
    assert part[full <= enough] == pytest.approx(full[full <= enough])
    assert np.all(part[full > enough] > enough) and np.all(part <= full)


def test_no_hydrophone_inside_a_body():
    tube = CylinderBody(kind="cylinder", from_m=(-0.1, 0, 0.15), to_m=(0.1, 0, 0.15), radius_m=0.03)
    mounting = PATCH.model_copy(update={"shadows": (tube,)})
    inside, on_top, at_the_end, far = [0, 0, 0.15], [0.05, 0, 0.12], [0.1, 0, 0.15], [0.1, 0.1, 0.1]
    points = np.array([inside, on_top, at_the_end, far])
    assert outside_bodies(mounting, points).tolist() == [False, True, True, True]
    assert not fits(mounting, points) and fits(mounting, points[1:])
    places = scattered(mounting, 2000, np.random.default_rng(1))
    in_tube = (np.hypot(places[:, 1], places[:, 2] - 0.15) < 0.0299) & (np.abs(places[:, 0]) < 0.0999)
    assert len(places) > 500 and not in_tube.any()


@pytest.mark.slow
def test_search_gets_out_from_where_the_vehicle_hides_half_the_bearings(criterion):
    # A tube along the bow over the whole box: one side of it is shadowed to the other, but under its edge all is heard.
    tube = CylinderBody(kind="cylinder", from_m=(-0.15, 0, 0.12), to_m=(0.15, 0, 0.12), radius_m=0.04)
    shaded = replace(criterion, worst=True, mounting=PATCH.model_copy(update={"shadows": (tube,)}))
    aside = judged(shaded, np.array([[0.0, 0.1, 0.12], [0.02, 0.1, 0.12], [0.0, 0.12, 0.12]]))
    assert aside.error == shaded.guess
    found = search(shaded, 4, LIMIT, arrays=(aside,), random_starts=0, seed=1)
    assert found.error < 0.3 * shaded.guess
    assert np.all(shaded.heard(found.hydrophones_m[None]).sum(axis=-1) >= 2)


def test_several_ranges_are_judged_each_by_its_own_link(scene):
    small = scene.model_copy(update={"mounting": PATCH})
    array = load_array("tetra-4").positions_m[None] * 2
    both, ranges = criterion_for(small, scene.pingers[0], Aim(of="position", ranges_m=(8.0, 3.0)))
    assert ranges.range_m.tolist() == pytest.approx([3.0, 8.0])
    for k, distance in enumerate((3.0, 8.0)):
        alone = criterion_for(small, scene.pingers[0], Aim(of="position", ranges_m=(distance,)))[0]
        part = slice(24 * k, 24 * (k + 1))
        for judge in ("bearing_errors", "position_errors", "wrong_integers"):
            assert getattr(both, judge)(array)[:, part] == pytest.approx(getattr(alone, judge)(array)), judge
        # The pinger's height over the vehicle stays what it is in the scenario.
        assert alone.towards.source_m[:, 2] == pytest.approx(1.6)
        link = link_budget(small, scene.pingers[0], distance, window_s=ranges.multipath_free_s[k])
        assert alone.towards.carrier_variance_s2 == pytest.approx(float(link.carrier_variance_s2))
    roughly = both.wrong_integers_roughly(array)[0]
    assert roughly == pytest.approx(max(both.wrong_integers(array)[0]), rel=1.0, abs=1e-6)


@pytest.mark.parametrize("worst", [True, False])
@pytest.mark.parametrize("of", ["bearing", "position"])
def test_a_first_look_at_few_directions_dismisses_only_what_errs_no_less(criterion, of, worst):
    criterion = replace(criterion, of=of, worst=worst)
    arrays = np.random.default_rng(8).uniform(-0.1, 0.1, (300, 4, 3))
    errors = criterion.error_figure(arrays)
    than = float(np.quantile(errors, 0.1))
    kept = criterion.may_err_less(arrays, than, np.array([1, 4]))
    assert np.all(kept[errors < than])
    assert not kept.all()


@pytest.mark.slow
def test_search_keeps_every_constraint(criterion):
    regions = (
        BoxRegion(low_m=(-0.15, -0.15, 0.1), high_m=(0.15, -0.05, 0.2)),
        HullPatch(kind="hull_patch", corner_m=(-0.1, 0.05, 0.1), along_m=(0.2, 0.0, 0.0), across_m=(0.0, 0.05, 0.05)),
    )
    hole = KeepOutBox(low_m=(-0.05, -0.16, 0.0), high_m=(0.16, -0.1, 0.3))
    mounting = Mounting(region=regions, keep_out=(hole,), minimum_spacing_m=0.022)
    found = search(replace(criterion, mounting=mounting), 4, LIMIT, arrays=(), random_starts=1, seed=4)
    points = found.hydrophones_m
    in_box = np.all((points >= [-0.15, -0.15, 0.1] - np.full(3, 1e-6)) & (points <= [0.150001, -0.049999, 0.200001]), 1)
    rest = points - [-0.1, 0.05, 0.1]
    on_patch = (np.abs(rest[:, 1] - rest[:, 2]) < 2e-6) & (rest[:, 0] >= -1e-6) & (rest[:, 0] <= 0.200001)
    on_patch &= (rest[:, 1] >= -1e-6) & (rest[:, 1] <= 0.050001)
    assert np.all(in_box | on_patch)
    in_hole = np.all((points > [-0.04999, -0.16, 0.0]) & (points < [0.16, -0.10001, 0.3]), axis=1)
    assert not in_hole.any()
    distance = np.linalg.norm(points[:, None] - points[None], axis=-1)[np.triu_indices(4, 1)]
    assert distance.min() >= 0.022 - 1e-6
    assert found.wrong_integer <= LIMIT
    again = search(replace(criterion, mounting=mounting), 4, LIMIT, arrays=(), random_starts=1, seed=4)
    assert np.array_equal(found.hydrophones_m, again.hydrophones_m)


@pytest.mark.slow
def test_another_hydrophone_never_makes_it_worse(criterion):
    found = search(criterion, 3, LIMIT, arrays=(), random_starts=1, seed=2)
    for n in (4, 5):
        more = search(criterion, n, LIMIT, arrays=(found,), random_starts=0, seed=2)
        assert more.error < found.error and more.wrong_integer <= LIMIT
        found = more


def test_square_patch_without_cycle_trouble_gives_the_corners(criterion):
    # At no noise but the mounting's, four hydrophones in a level square patch: sum over bearings of the variance is
    # least for the largest and equal spreads along x and y, which only the four corners have.
    patch = HullPatch(kind="hull_patch", corner_m=(-0.1, -0.1, 0.1), along_m=(0.2, 0, 0), across_m=(0, 0.2, 0))
    quiet = turned(criterion, carrier_variance_s2=np.full(8, 1e-16), envelope_variance_s2=np.full(8, 1e-14))
    clean = replace(
        quiet,
        mounting=Mounting(region=(patch,), minimum_spacing_m=0.02, tolerance_m=1e-4),
    )
    found = search(clean, 4, LIMIT, arrays=(), random_starts=2, seed=1)
    corners = {(x, y, 0.1) for x in (-0.1, 0.1) for y in (-0.1, 0.1)}
    assert {tuple(np.round(r, 3)) for r in found.hydrophones_m} == corners


def test_every_shipped_array_is_compared_and_placed_where_allowed(criterion):
    pairs = alternatives(criterion, LIMIT)
    assert [as_it_is.name for as_it_is, _ in pairs] == list(shipped("arrays"))
    for as_it_is, scaled in pairs:
        for alternative in (as_it_is, scaled):
            if alternative.found is not None:
                assert criterion.mounting.fits(alternative.found.hydrophones_m)
        if as_it_is.found is not None and as_it_is.found.wrong_integer <= LIMIT:
            assert scaled.found.rank(LIMIT) <= as_it_is.found.rank(LIMIT)
    hull = next(pair[0] for pair in pairs if pair[0].name == "hull-4")
    assert hull.found is None  # 0.7 m long in a box of 0.3 m


@pytest.mark.slow
@pytest.mark.thorough
def test_study_beats_the_best_shipped_array_and_simulation_agrees(scene):
    small = scene.model_copy(update={"mounting": PATCH.model_copy(update={"minimum_spacing_m": 0.015})})
    result = study_place(small, scene.pingers[0], 4, aim=Aim(worst=False), random_starts=0, trials=3000, seed=1)
    assert result.found.within_limit and result.gain_over_shipped > 1 and result.gain_over_scaled >= 1
    assert result.best_shipped.n_hydrophones <= 4
    assert PATCH.fits(result.hydrophones_m)
    assert result.found.error_deg == pytest.approx(result.mean_error_deg)
    assert result.found.position_error_m == pytest.approx(result.mean_position_error_m)
    assert result.simulated.position_m is None
    # 3,000 pings: 1.3 % standard error of the RMS; the bound itself is approached to 2 % at this level. The predicted
    # rate of wrong cycles is good to a tenth.
    criterion = criterion_for(small, scene.pingers[0], aim=Aim(worst=False))[0]
    at = criterion.towards.take(np.resize(np.arange(24), 3000))
    errors = ArrivalErrors(at.carrier_variance_s2[0], at.envelope_variance_s2[0], criterion.sizes)
    drawn = simulate_bearings(
        result.hydrophones_m,
        at.bearing,
        at.depression,
        criterion.sound_speed_m_s,
        errors,
        criterion.frequency_hz,
        np.random.default_rng(1),
    )
    right = np.rad2deg(np.sqrt(np.mean(drawn.error[~drawn.wrong_integer] ** 2)))
    assert right == pytest.approx(result.mean_error_deg, rel=0.06)
    wrong = rate_interval(int(drawn.wrong_integer.sum()), 3000)
    assert wrong.low / 1.1 <= result.mean_wrong_integer <= 1.1 * wrong.high
    # With echoes, and by the window that the vehicle's estimator takes, it is another error, of that size.
    assert 0.5 < result.simulated.one_ping.right_integer_deg.value / result.mean_error_deg < 2


@pytest.mark.slow
@pytest.mark.thorough
def test_study_of_the_position_beats_the_best_shipped_array_and_simulation_agrees(scene):
    small = scene.model_copy(update={"mounting": PATCH.model_copy(update={"minimum_spacing_m": 0.015})})
    aim = Aim(of="position", worst=False, ranges_m=(3.0,))
    result = study_place(small, scene.pingers[0], 4, aim=aim, random_starts=0, trials=3000, seed=1)
    assert result.found.within_limit and result.gain_over_shipped > 1 and result.gain_over_scaled >= 1
    ratio = result.best_shipped.position_error_m / result.found.position_error_m
    assert result.gain_over_shipped == pytest.approx(ratio)
    # 3,000 fixes: 1.3 % standard error of the RMS; where a standard deviation is a tenth of the range the model is
    # curved, and the bound good to some percent only.
    assert result.simulated.position_m.value == pytest.approx(result.mean_position_error_m, rel=0.1)
    assert result.simulated.refused.value < 0.01


@pytest.mark.slow
def test_two_processes_and_one_that_goes_on_find_the_same_array(criterion, tmp_path):
    def searched(**running):
        return search(criterion, 3, LIMIT, arrays=(), random_starts=2, seed=5, fingerprint="f", **running)

    here = searched(running=Running(folder=tmp_path))
    (tmp_path / "chunk-000001.npz").unlink()  # as if stopped before the second start was through
    told = []
    resumed = searched(running=Running(folder=tmp_path), progress=lambda done, total: told.append((done, total)))
    assert told == [(1, 2), (2, 2)]
    for other in (resumed, searched(running=Running(Workers(2)))):
        assert np.array_equal(other.hydrophones_m, here.hydrophones_m)
        assert (other.error, other.wrong_integer) == (here.error, here.wrong_integer)


def test_aim_at_a_sector(scene):
    criterion = criterion_for(scene, scene.pingers[0], Aim("bearing", True, 300.0, 60.0, (5.0, 20.0)))[0]
    bearings = np.rad2deg(criterion.towards.bearing)
    assert bearings.min() == pytest.approx(300) and bearings.max() == pytest.approx(420)
    assert np.unique(np.rad2deg(criterion.towards.depression)) == pytest.approx([5.0, 20.0])
    assert len(bearings) == 18


@pytest.mark.parametrize(
    "n, aim, mounting, message",
    [
        (2, Aim(), PATCH, "takes 3 to 8"),
        (9, Aim(), PATCH, "takes 3 to 8"),
        (4, Aim(from_deg=10.0), PATCH, "both ends"),
        (4, Aim(from_deg=10.0, to_deg=370.0), PATCH, "sector is empty"),
        (4, Aim(ranges_m=(5.0, 99.0)), PATCH, "range 99 m: the line from amber pinger through the vehicle"),
        (4, Aim(ranges_m=(1.0,)), PATCH, "range 1 m: .* at the vehicle's depth, 1.6 m from the pinger's"),
        (4, Aim(), Mounting(region=(BoxRegion(low_m=(0, 0, -5), high_m=(1, 1, 0)),)), "out of the water"),
        (4, Aim(), PATCH.model_copy(update={"minimum_spacing_m": 0.5}), "not found room"),
    ],
)
def test_refusals(scene, n, aim, mounting, message):
    changed = scene.model_copy(update={"mounting": mounting})
    with pytest.raises(ParameterError, match=message):
        study_place(changed, scene.pingers[0], n, aim=aim, random_starts=1, trials=0, seed=1)
