from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from acoustics.accuracy.bounds import bearing_bound
from acoustics.errors import ParameterError
from acoustics.geometry import direction
from acoustics.scenario import load_array, load_scene, shipped
from acoustics.scene.mounting import BoxBody, BoxRegion, HullPatch, KeepOutBox, Mounting
from acoustics.study.place import study_place
from acoustics.study.place_aim import Aim, criterion_for
from acoustics.study.place_criterion import mirror_error
from acoustics.study.place_search import Found, best_of, exchange, search
from acoustics.study.place_shipped import rivals

LIMIT = 0.01
PATCH = Mounting(region=(BoxRegion(low_m=(-0.15, -0.15, 0.1), high_m=(0.15, 0.15, 0.2)),), minimum_spacing_m=0.02)


@pytest.fixture(scope="module")
def scene():
    return load_scene(shipped("examples")["mallard-basin"])


@pytest.fixture(scope="module")
def criterion(scene):
    """A few bearings all round in a small box, for speed."""
    small = scene.model_copy(update={"mounting": PATCH})
    found = criterion_for(small, scene.pingers[0], Aim(worst=False))[0]
    return replace(found, bearing=found.bearing[::3], depression=found.depression[::3])


def judged(criterion, array):
    one = array[None]
    return Found(array, float(criterion.error_figure(one)[0]), float(criterion.wrong_cycle_figure(one)[0]))


def by_trying_all(criterion, places, n, limit):
    """Every choice of n places worked out in full: the reference for the search."""
    arrays = places[np.array(list(combinations(range(len(places)), n)))]
    arrays = arrays[criterion.mounting.fits(arrays)]
    every = [judged(criterion, array) for array in arrays]
    return min(every, key=lambda f: (max(f.wrong_cycle, limit), f.error)), arrays


@pytest.mark.parametrize("worst", [True, False])
def test_exchange_finds_what_trying_all_triples_of_eight_places_finds(criterion, worst):
    criterion = replace(criterion, worst=worst)
    places = np.array([[x, y, 0.15] for x in (0.0, 0.025, 0.09) for y in (0.0, 0.03, 0.1)][:7] + [[0.05, 0.05, 0.2]])
    reference, arrays = by_trying_all(criterion, places, 3, LIMIT)
    others = [f.error for f in (judged(criterion, a) for a in arrays) if f.wrong_cycle <= LIMIT]
    assert 1 < len(others) < len(arrays)  # the limit decides: some choices keep it, some do not
    found = min(
        (exchange(criterion, judged(criterion, a), LIMIT, lambda rest, own: places) for a in arrays[::10]),
        key=lambda f: (max(f.wrong_cycle, LIMIT), f.error),
    )
    assert found.error == pytest.approx(reference.error, rel=1e-9)
    assert found.wrong_cycle <= LIMIT
    assert best_of(criterion, arrays, LIMIT).error == pytest.approx(reference.error, rel=1e-9)


def test_error_is_the_bound_where_no_mirror_image_and_no_shadow_is(criterion):
    cube = load_array("cube-8").positions_m * 3
    bound = bearing_bound(
        cube,
        criterion.bearing,
        criterion.depression,
        criterion.sound_speed_m_s,
        arrival_variance_s2=criterion.carrier_variance_s2,
        element_sd_m=1e-3,
        skew_sd_s=criterion.skew_sd_s,
        sound_speed_sd_m_s=criterion.sound_speed_sd_m_s,
    )
    assert criterion.errors(cube[None])[0] == pytest.approx(bound.bearing_sd, rel=1e-12)


def test_mirror_image_of_a_level_plane_is_harmless_and_of_an_upright_one_is_not():
    square = 0.1 * np.array([[1, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0.0]])
    bearing, depression = np.deg2rad([30.0, 100.0]), np.deg2rad([10.0, 10.0])
    everyone = np.ones((2, 4), dtype=bool)
    assert mirror_error(square, everyone, bearing, depression, 1e-3) == pytest.approx(0.0, abs=1e-9)
    # Turned upright into the x-z plane, 30 deg is as likely -30 deg: half the pings are 60 deg off.
    upright = square[:, [0, 2, 1]]
    expected = np.sqrt(0.5) * np.deg2rad([60.0, 160.0])
    assert mirror_error(upright, everyone, bearing, depression, 1e-3) == pytest.approx(expected, rel=1e-6)
    # A line athwart takes ahead for astern: 30 deg for 150 deg, 100 deg for 80 deg.
    line = np.array([[0, y, 0.0] for y in (-0.1, 0.0, 0.1)])
    ahead_or_astern = mirror_error(line, np.ones((2, 3), dtype=bool), bearing, np.zeros(2), 1e-3)
    assert np.all(ahead_or_astern >= np.sqrt(0.5) * np.deg2rad([120.0, 20.0]) * (1 - 1e-9))


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
    found = mirror_error(upright, np.ones(4, dtype=bool), np.array(bearing), np.array(depression), sd)
    assert (found / (2 * bearing)) ** 2 == pytest.approx(share, abs=4 * np.sqrt(share / 40_000))
    assert 0.05 < share < 0.45


def test_a_hydrophone_in_the_shadow_is_lost_for_that_direction_alone(criterion):
    wall = BoxBody(low_m=(-0.02, 0.10, 0.0), high_m=(0.02, 0.12, 0.3))
    shaded = replace(criterion, mounting=PATCH.model_copy(update={"shadows": (wall,)}))
    array = np.array([[0.0, 0.05, 0.15], [0.1, 0.05, 0.15], [0.1, -0.1, 0.15], [-0.1, -0.1, 0.15]])
    heard = shaded.heard(array[None])[0]
    abeam = int(np.argmin(np.abs(criterion.bearing - np.pi / 2)))
    assert heard[abeam].tolist() == [False, True, True, True]
    with_wall, without = shaded.errors(array[None])[0], criterion.errors(array[None])[0]
    three = criterion.errors(array[None, 1:])[0]
    assert with_wall[abeam] == pytest.approx(three[abeam], rel=1e-12)
    clear = heard.all(axis=-1)
    assert clear.any() and with_wall[clear] == pytest.approx(without[clear], rel=1e-12)
    cycles = shaded.wrong_cycles(array[None])[0]
    assert cycles[abeam] == pytest.approx(criterion.wrong_cycles(array[None, 1:])[0, abeam])
    # All but one hydrophone hidden: a guess, and no cycle to mistake.
    box = BoxBody(low_m=(-0.2, -0.2, 0.16), high_m=(0.2, 0.2, 0.3))
    below = replace(
        shaded, mounting=PATCH.model_copy(update={"shadows": (box,)}), depression=criterion.depression + 1.2
    )
    assert below.errors(array[None]) == pytest.approx(np.pi / np.sqrt(3))
    assert np.all(below.wrong_cycles(array[None]) == 0)


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
    assert found.wrong_cycle <= LIMIT
    again = search(replace(criterion, mounting=mounting), 4, LIMIT, arrays=(), random_starts=1, seed=4)
    assert np.array_equal(found.hydrophones_m, again.hydrophones_m)


def test_another_hydrophone_never_makes_it_worse(criterion):
    found = search(criterion, 3, LIMIT, arrays=(), random_starts=1, seed=2)
    for n in (4, 5):
        more = search(criterion, n, LIMIT, arrays=(found,), random_starts=0, seed=2)
        assert more.error < found.error and more.wrong_cycle <= LIMIT
        found = more


def test_square_patch_without_cycle_trouble_gives_the_corners(criterion):
    # At no noise but the mounting's, four hydrophones in a level square patch: sum over bearings of the variance is
    # least for the largest and equal spreads along x and y, which only the four corners have.
    patch = HullPatch(kind="hull_patch", corner_m=(-0.1, -0.1, 0.1), along_m=(0.2, 0, 0), across_m=(0, 0.2, 0))
    clean = replace(
        criterion,
        carrier_variance_s2=1e-16,
        envelope_variance_s2=1e-14,
        mounting=Mounting(region=(patch,), minimum_spacing_m=0.02, tolerance_m=1e-4),
    )
    found = search(clean, 4, LIMIT, arrays=(), random_starts=2, seed=1)
    corners = {(x, y, 0.1) for x in (-0.1, 0.1) for y in (-0.1, 0.1)}
    assert {tuple(np.round(r, 3)) for r in found.hydrophones_m} == corners


def test_every_shipped_array_is_compared_and_placed_where_allowed(criterion):
    pairs = rivals(criterion, LIMIT)
    assert [as_it_is.name for as_it_is, _ in pairs] == list(shipped("arrays"))
    for as_it_is, scaled in pairs:
        for rival in (as_it_is, scaled):
            if rival.found is not None:
                assert criterion.mounting.fits(rival.found.hydrophones_m)
        if as_it_is.found is not None and as_it_is.found.wrong_cycle <= LIMIT:
            assert not as_it_is.found.beats(scaled.found, LIMIT)
    hull = next(pair[0] for pair in pairs if pair[0].name == "hull-4")
    assert hull.found is None  # 0.7 m long in a box of 0.3 m


def test_study_beats_the_best_shipped_array_and_simulation_agrees(scene):
    small = scene.model_copy(update={"mounting": PATCH.model_copy(update={"minimum_spacing_m": 0.015})})
    result = study_place(small, scene.pingers[0], 4, aim=Aim(worst=False), random_starts=1, trials=3000, seed=1)
    assert result.within_limit and result.gain_over_shipped > 1 and result.gain_over_scaled >= 1
    assert result.best_shipped.n_hydrophones <= 4
    assert PATCH.fits(result.hydrophones_m)
    assert result.error_deg == pytest.approx(result.mean_error_deg)
    # 3,000 pings: 1.3 % standard error of the RMS; the bound itself is approached to 2 % at this level. The predicted
    # rate of wrong cycles is good to a tenth.
    right, wrong = result.simulated.right_cycle_deg, result.simulated.wrong_cycle
    assert right.value == pytest.approx(result.mean_error_deg, rel=0.06)
    assert wrong.low / 1.1 <= result.mean_wrong_cycle <= 1.1 * wrong.high


def test_aim_at_a_sector(scene):
    criterion = criterion_for(scene, scene.pingers[0], Aim(True, 300.0, 60.0, (5.0, 20.0)))[0]
    bearings = np.rad2deg(criterion.bearing)
    assert bearings.min() == pytest.approx(300) and bearings.max() == pytest.approx(420)
    assert np.unique(np.rad2deg(criterion.depression)) == pytest.approx([5.0, 20.0])
    assert len(bearings) == 18


@pytest.mark.parametrize(
    "n, aim, mounting, message",
    [
        (2, Aim(), PATCH, "takes 3 to 8"),
        (9, Aim(), PATCH, "takes 3 to 8"),
        (4, Aim(from_deg=10.0), PATCH, "both ends"),
        (4, Aim(from_deg=10.0, to_deg=370.0), PATCH, "sector is empty"),
        (4, Aim(), Mounting(region=(BoxRegion(low_m=(0, 0, -5), high_m=(1, 1, 0)),)), "out of the water"),
        (4, Aim(), PATCH.model_copy(update={"minimum_spacing_m": 0.5}), "not found room"),
    ],
)
def test_refusals(scene, n, aim, mounting, message):
    changed = scene.model_copy(update={"mounting": mounting})
    with pytest.raises(ParameterError, match=message):
        study_place(changed, scene.pingers[0], n, aim=aim, random_starts=1, trials=0, seed=1)
