"""The split of a bound against the bound itself, closed forms, and derivatives of the bound by each error."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.accuracy.bounds import bearing_bound, position_bound
from acoustics.accuracy.error_budget import bearing_model, error_budget, position_model, systematic_shift
from acoustics.base.errors import ParameterError
from acoustics.base.frames import direction_jacobian
from acoustics.physics.tdoa import spherical_time
from acoustics.physics.timing_bounds import two_element_bearing_sd
from acoustics.scene.scenario import load_array

SPEED = 1480.0
BEARING, DEPRESSION = 0.7, 0.3
SOURCE = np.array([4.0, 3.0, 1.5])
PAIR = np.array([[0.0, -0.01, 0.0], [0.0, 0.01, 0.0]])
# Bound and split invert different matrices, each with up to five figures of ill-conditioning.
SAME = 1e-7


def case(name, seed=1):
    """Hydrophones and unlike errors of every kind, each of a size that shows."""
    hydrophones = load_array(name).positions_m
    rng = np.random.default_rng(seed)
    n = len(hydrophones)
    return hydrophones, {
        "noise": rng.uniform(1e-8, 5e-8, n),
        "skew": rng.uniform(1e-8, 5e-8, n),
        "element": rng.uniform(1e-5, 1e-4, n),
        "sound_speed": 3.0,
        "attitude": np.array([0.01, 0.008, 0.03]),
        "depth": 0.2,
        "own": 0.05,
    }


def bound_of(kind, hydrophones, sizes):
    arguments = {
        "arrival_variance_s2": sizes["noise"] ** 2,
        "skew_sd_s": sizes["skew"],
        "element_sd_m": sizes["element"],
        "sound_speed_sd_m_s": sizes["sound_speed"],
        "attitude_sd": sizes["attitude"],
    }
    if kind == "bearing":
        return bearing_bound(hydrophones, BEARING, DEPRESSION, SPEED, **arguments)
    return position_bound(
        hydrophones, SOURCE, SPEED, source_depth_sd_m=sizes["depth"], pivot_m=np.zeros(3),
        position_sd_m=(sizes["own"], sizes["own"], 0.0), **arguments,
    )  # fmt: skip


def covariance_of(kind, hydrophones, sizes):
    bound = bound_of(kind, hydrophones, sizes)
    return bound.covariance if kind == "bearing" else bound.covariance_m2


def budget_of(kind, hydrophones, sizes):
    arguments = {
        "arrival_sd_s": {"noise": sizes["noise"], "skew": sizes["skew"], "element": sizes["element"] / SPEED},
        "sound_speed_sd_m_s": sizes["sound_speed"],
        "attitude_sd": sizes["attitude"],
    }
    if kind == "bearing":
        model = bearing_model(hydrophones, BEARING, DEPRESSION, SPEED, **arguments)
    else:
        model = position_model(
            hydrophones,
            SOURCE,
            SPEED,
            depth_sd_m={"depth": sizes["depth"]},
            own_position_sd_m=sizes["own"],
            **arguments,
        )
    return error_budget(model, bound_of(kind, hydrophones, sizes).observable)


PART = {"own": "own_position"}  # named otherwise in the budget


ARRAYS = ["tetra-4", "cube-8", "square-half-wave", "hull-4", "mixed-5", "corner-3"]


@pytest.mark.parametrize("kind", ["bearing", "position"])
@pytest.mark.parametrize("name", ARRAYS)
def test_contributions_add_in_quadrature_to_the_bound(name, kind):
    hydrophones, sizes = case(name)
    budget, bound = budget_of(kind, hydrophones, sizes), covariance_of(kind, hydrophones, sizes)
    sd = np.sqrt(np.diag(bound))
    assert sum(budget.parts.values()) == pytest.approx(budget.covariance, rel=1e-9, abs=1e-9 * sd.max() ** 2)
    assert budget.covariance / np.outer(sd, sd) == pytest.approx(bound / np.outer(sd, sd), rel=SAME, abs=SAME)


@pytest.mark.parametrize("kind", ["bearing", "position"])
@pytest.mark.parametrize("error", ["noise", "skew", "element", "sound_speed", "depth", "own", "attitude"])
def test_a_contribution_is_the_slope_of_the_bound_by_that_error(error, kind):
    # The estimator is the best one, so to first order its own change adds nothing (envelope theorem): the bound's
    # derivative by one error's variance, times that variance, is what the error contributes. From bounds alone.
    hydrophones, sizes = case("mixed-5")
    budget = budget_of(kind, hydrophones, sizes)
    step = 1e-4
    up, down = (covariance_of(kind, hydrophones, sizes | {error: sizes[error] * np.sqrt(1 + s)}) for s in (step, -step))
    names = ("roll", "pitch", "heading") if error == "attitude" else (PART.get(error, error),)
    parts = sum(budget.parts.get(name, np.zeros_like(up)) for name in names)
    slope = (up - down) / (2 * step)
    # Central difference: error of the order step^2, and the bound's rounding of 1e-10 over a step of 1e-4.
    assert parts == pytest.approx(slope, rel=1e-4, abs=1e-5 * np.diag(budget.covariance).max())


@pytest.mark.parametrize("kind", ["bearing", "position"])
@pytest.mark.parametrize("error", ["noise", "skew", "element", "sound_speed", "depth", "own"])
def test_halving_is_the_bound_with_half_the_error(error, kind):
    hydrophones, sizes = case("hull-4")
    budget = budget_of(kind, hydrophones, sizes)
    expected = covariance_of(kind, hydrophones, sizes | {error: 0.5 * sizes[error]})
    halved = budget.halved.get(PART.get(error, error), budget.covariance)
    assert np.diag(halved) == pytest.approx(np.diag(expected), rel=SAME)


def test_a_pair_has_the_closed_form_of_two_elements():
    # sigma = c sigma_tau / (d cos b), textbook identity; the delay of two arrivals has sqrt(2) of one's deviation.
    for from_broadside in np.deg2rad([0.0, 30.0, 60.0]):
        model = bearing_model(PAIR, from_broadside, 0.0, SPEED, arrival_sd_s={"noise": 1e-7, "skew": 2e-7})
        budget = error_budget(model, [True, False])
        for name, sd in (("noise", 1e-7), ("skew", 2e-7)):
            expected = two_element_bearing_sd(
                np.sqrt(2) * sd, spacing_m=0.02, sound_speed_m_s=SPEED, bearing_from_broadside=from_broadside
            )
            assert np.sqrt(budget.parts[name][0, 0]) == pytest.approx(float(expected), rel=1e-12)


@pytest.mark.parametrize("name", ARRAYS)
def test_heading_and_own_position_contribute_themselves(name):
    # Turning the array about the vertical is turning the bearing; moving it is moving the fix. Nothing can tell them.
    hydrophones, sizes = case(name)
    bearing, position = (budget_of(kind, hydrophones, sizes) for kind in ("bearing", "position"))
    assert np.sqrt(bearing.parts["heading"][0, 0]) == pytest.approx(sizes["attitude"][2], rel=SAME)
    assert bearing.parts["heading"][1, 1] == pytest.approx(0.0, abs=1e-9 * bearing.covariance[1, 1])
    assert np.diag(position.parts["own_position"])[:2] == pytest.approx(sizes["own"] ** 2, rel=1e-5)


def test_taking_an_error_away_gains_at_least_its_contribution():
    # The estimator can only gain by weighing again, so total^2 - total_without^2 >= contribution^2.
    hydrophones, sizes = case("tetra-4")
    budget = budget_of("position", hydrophones, sizes)
    for error in ("skew", "element", "sound_speed"):
        without = covariance_of("position", hydrophones, sizes | {error: 0.0 * sizes[error]})
        gained = np.diag(budget.covariance - without)
        assert np.all(gained >= np.diag(budget.parts[error]) - SAME * np.diag(budget.covariance))


def test_a_depth_that_is_known_exactly_is_no_special_case():
    hydrophones, sizes = case("hull-4")
    sizes["depth"] = 0.0
    budget, bound = budget_of("position", hydrophones, sizes), covariance_of("position", hydrophones, sizes)
    assert np.diag(budget.covariance)[:2] == pytest.approx(np.diag(bound)[:2], rel=SAME)
    assert budget.parts["depth"] == pytest.approx(np.zeros((3, 3)), abs=1e-20)


def test_what_is_not_observed_is_infinite_and_never_nan():
    sizes = {"noise": 1e-8, "skew": 0.0, "element": np.zeros(2), "sound_speed": 1.0, "attitude": np.full(3, 0.01)}
    bearing = budget_of("bearing", PAIR, sizes)
    position = budget_of("position", PAIR, sizes | {"depth": 0.1, "own": 0.0})
    for part in (bearing.covariance, bearing.parts["noise"], bearing.halved["heading"]):
        assert np.isfinite(part[0, 0])
        assert np.isinf(part[1, 1])
        assert part[0, 1] == part[1, 0] == 0
    for part in (position.covariance, *position.parts.values(), *position.halved.values()):
        assert np.isinf(part[0, 0] + part[1, 1])
        assert not np.isnan(part).any()
    nothing = error_budget(bearing_model(PAIR, 0.0, 0.0, SPEED, arrival_sd_s={"noise": 0.0}), [False, False])
    assert np.isinf(np.diag(nothing.parts["noise"])).all()


def test_a_tilted_wave_and_a_moved_source_shift_the_estimate_by_themselves():
    hydrophones, sizes = case("mixed-5")
    bearing, position = (budget_of(kind, hydrophones, sizes) for kind in ("bearing", "position"))
    tilt = -hydrophones @ direction_jacobian(BEARING, DEPRESSION)[:, 1] / SPEED * 1e-3
    assert systematic_shift(bearing.gain, tilt + 5.0) == pytest.approx([0.0, 1e-3], abs=1e-9)
    # One millimetre of the source, depth unchanged: second order is a millimetre over five metres of it.
    moved = np.array([1e-3, -1e-3, 0.0])
    error = spherical_time(hydrophones, SOURCE + moved, SPEED) - spherical_time(hydrophones, SOURCE, SPEED)
    shift = systematic_shift(position.gain, error)
    assert shift == pytest.approx(moved, abs=2e-5)


@pytest.mark.parametrize(("changes", "expected"), [
    ({"sound_speed_m_s": 0.0}, "sound_speed_m_s=0 must be"),
    ({"arrival_sd_s": {"noise": -1.0}}, "noise=-1 must be finite and at least 0"),
    ({"attitude_sd": (0.0, -0.1, 0.0)}, "attitude_sd=-0.1 must be"),
    ({"hydrophones_m": [[0.0, 0.0, 0.0]]}, r"hydrophones_m has shape \(1, 3\)"),
    ({"depth_sd_m": {}}, "depth_sd_m names no error"),
    ({"depth_sd_m": {"chart": -1.0}}, "chart=-1 must be"),
    ({"own_position_sd_m": -1.0}, "own_position_sd_m=-1 must be"),
])  # fmt: skip
def test_wrong_arguments_are_named(changes, expected):
    arguments = {
        "hydrophones_m": PAIR, "source_m": SOURCE, "sound_speed_m_s": SPEED, "arrival_sd_s": {"noise": 1e-8},
        "depth_sd_m": {"chart": 0.1},
    } | changes  # fmt: skip
    with pytest.raises(ParameterError, match=expected):
        position_model(**arguments)
