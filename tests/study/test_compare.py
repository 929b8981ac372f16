"""Scenes side by side: the numbers are those of the single questions, and differences keep the sonar equation."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from json_schema import schema_of
from jsonschema import Draft202012Validator
from quick import POOL, good, refused

import acoustics
from acoustics.present.text.compare import comparison_rows, comparison_text, conclusions, headline, value_text
from acoustics.study.compare import ComparedQuantity

pytestmark = pytest.mark.usefixtures("few")

SCENE = acoustics.load_scene(POOL)


def quantity(result, name):
    return next(q for q in result.quantities if q.name == name)


@pytest.fixture(scope="module")
def louder():
    noisy = SCENE.changed({"noise.self_noise_density_db": 96.0})
    return acoustics.compare({"quiet": SCENE, "noisy": noisy})


@pytest.mark.slow
def test_the_numbers_are_those_of_the_single_questions(louder):
    budget, pool_map = acoustics.budget(SCENE), acoustics.map(SCENE, trials=0)
    assert quantity(louder, "bearing error").value[0] == budget.bearing_deg
    assert quantity(louder, "multipath-free window").value[0] == pytest.approx(1e3 * budget.multipath_free_s)
    # The map's median takes what is not observed as infinite, and so does this one.
    median = np.median(pool_map.bearing_deg[pool_map.wet])
    assert quantity(louder, "bearing error over the site").value[0] == pytest.approx(median)


@pytest.mark.slow
def test_twenty_decibels_more_noise_are_twenty_less_of_the_energy_ratio(louder):
    # Self noise of 76 and 96 dB, the water's own 55 dB: 0.034 dB of the lower sum (power sum by hand).
    assert quantity(louder, "noise density").difference[1] == pytest.approx(20.0, abs=0.04)
    assert quantity(louder, "2E/N0 in it").difference[1] == pytest.approx(-20.0, abs=0.04)
    assert quantity(louder, "bearing error").difference[1] > 0


def test_what_is_first_differs_from_itself_by_nothing(louder):
    for one in louder.quantities:
        assert one.difference[0] == 0 or not np.isfinite(one.value[0]), one.name


@pytest.mark.slow
def test_turned_round_differences_change_their_sign(louder):
    back = acoustics.compare({"noisy": SCENE.changed({"noise.self_noise_density_db": 96.0}), "quiet": SCENE})
    for one, other in zip(louder.quantities, back.quantities, strict=True):
        assert other.difference[1] == pytest.approx(-one.difference[1], nan_ok=True), one.name


def test_the_conclusion_names_the_best_and_the_table_every_difference(louder):
    assert conclusions(louder)[0].startswith("Bearing error: least with quiet, ")
    assert "Wrong integers" in headline(louder)
    header, rows = comparison_rows(louder)
    assert header == ["quantity", "quiet", "noisy", "difference"]
    assert ["hydrophones", "4", "4", "0"] in rows
    assert all(len(row) == len(header) for row in rows)


def test_a_position_error_over_half_of_the_distance_is_called_no_position(louder):
    far = quantity(louder, "range to the pinger").value[0]

    def with_errors(*errors_m):
        one = replace(quantity(louder, "position error"), value=np.array(errors_m))
        return replace(louder, quantities=tuple(one if q.name == one.name else q for q in louder.quantities))

    said = "so one ping does not tell"
    assert "Position error of noisy: over 50 % of the distance" in comparison_text(with_errors(0.4 * far, 0.6 * far))
    assert said not in comparison_text(with_errors(0.4 * far, np.inf))


def test_rare_wrong_integers_make_no_difference():
    rare = ComparedQuantity("wrong integers", "%", "prediction", "less", np.array([0.0, 3e-6]), np.array([0.0, 3e-6]))
    assert (value_text(rare, 0), value_text(rare, 1)) == ("0", "<0.01")


@pytest.mark.slow
def test_an_array_stands_in_the_first_scenario_where_its_own_is_mounted(tmp_path):
    picture = tmp_path / "compared.svg"
    result = json.loads(good("compare", POOL, "tetra-4", "--plot", str(picture), "--json"))
    Draft202012Validator(schema_of("compare")).validate(result)
    assert result["names"] == ["mallard-basin", "tetra-4"]
    assert result["arrays"] == ["square-half-wave", "tetra-4"]
    assert "Bearing error" in picture.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ((POOL,), "1 to compare: expected 2 to 6"),
        (("tetra-4", "pair"), "only arrays are given"),
        ((POOL, POOL), "is given twice"),
        ((POOL, "tetra-5"), "no shipped array of that name; known: "),
        ((POOL, "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_a_line(files, words):
    (line,) = refused("compare", *files)
    assert words in line


def test_an_array_that_does_not_fit_names_its_file(tmp_path):
    deep = tmp_path / "deep.toml"
    deep.write_text(
        "[[hydrophone]]\nname = 'a'\nposition_m = [0.0, 0.0, 4.0]\n[[hydrophone]]\nname = 'b'\nposition_m = [0.0, 0.1, 4.0]\n"
    )
    (line,) = refused("compare", POOL, str(deep))
    assert line.startswith(f"pingfix: {deep} in Mallard Basin: array: ") and "outside the water" in line
