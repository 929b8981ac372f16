"""What no measurement tells is not given as a number: a pool so shallow that 11 us pass before the first echo."""

from __future__ import annotations

import re

import numpy as np
import pytest
from rendered import SHALLOW

from acoustics.base.intervals import BEARING_GUESS_SD, DEPRESSION_GUESS_SD, unless_guessed
from acoustics.present.text.budget import budget_text
from acoustics.present.text.spacing import recommendation_sentence, spacing_rows, spacing_text
from acoustics.study.budget import study_budget
from acoustics.study.check import summary
from acoustics.study.map import MapChoices, map_pool
from acoustics.study.spacing import study_spacing

pytestmark = pytest.mark.usefixtures("few")

PINGER = SHALLOW.pingers[0]
GUESS_DEG = np.rad2deg(BEARING_GUESS_SD)
LONGEST_M = np.hypot(50.0, 20.0)


def test_guesses_have_the_errors_of_random_directions():
    """A million directions, uniform over the sphere: standard errors of 0.05 %."""
    rng = np.random.default_rng(2)
    assert np.sqrt(np.mean(rng.uniform(-np.pi, np.pi, 10**6) ** 2)) == pytest.approx(BEARING_GUESS_SD, rel=2e-3)
    depression = np.arcsin(rng.uniform(-1.0, 1.0, 10**6))
    assert np.sqrt(np.mean(depression**2)) == pytest.approx(DEPRESSION_GUESS_SD, rel=2e-3)
    assert unless_guessed([1.0, 2.0, np.inf], 2.0).tolist() == [1.0, np.inf, np.inf]


def test_budget_gives_no_parts_of_what_is_not_observed():
    budget = study_budget(SHALLOW, PINGER)
    assert np.isinf([budget.bearing_deg, budget.depression_deg, budget.position_m]).all()
    for line in budget.contributions:
        assert not np.isfinite([line.bearing_deg, line.depression_deg, line.position_m]).any()
    text = budget_text(budget)
    assert "bearing:  not observed" in text
    assert (
        max(float(value) for value in re.findall(r"\d+\.\d+", text.split("Improve")[1].split("Every")[0]) or [0]) == 0
    )


@pytest.mark.slow
def test_spacing_gives_no_error_above_a_guess():
    study = study_spacing(SHALLOW, (PINGER,), trials=200, seed=1)
    errors = [study.right_integer_deg, study.envelope_deg, study.expected_deg, study.phase_deg, study.onset_deg]
    figures = np.concatenate([np.ravel(error) for error in errors])
    assert figures[np.isfinite(figures)].max() < GUESS_DEG
    # The bound of the first sixth of a cycle says nothing; the estimator uses two cycles, with the echoes in them.
    short = study.spacing_m < 0.022  # beyond it wrong cycles begin
    assert (study.right_integer_deg[short] > 80.0).all()
    assert (study.expected_deg[short] < 30.0).all()
    assert study.used_s * study.frequency_hz >= 2.0 - 1e-6
    cells = [cell for row in spacing_rows(study)[1] for cell in (row[1], row[2], row[4], row[5].split(" ")[0])]
    assert all(float(cell) <= np.ceil(GUESS_DEG) for cell in cells if cell != "none")
    assert "'none': not observed, no better than a guess." in spacing_text(study)


@pytest.mark.slow
@pytest.mark.thorough
def test_spacing_recommends_nothing_where_nothing_is_observed():
    faint = PINGER.model_copy(update={"source_level_db": 100.0})
    study = study_spacing(SHALLOW, (faint,), trials=50, seed=1)
    assert recommendation_sentence(study).startswith("Not observed: ")
    assert np.isinf(study.recommendation.expected_deg)
    assert "inf" not in spacing_text(study)


@pytest.mark.slow
def test_map_and_check_give_no_position_beyond_the_pool():
    result = map_pool(SHALLOW, PINGER, trials=0, seed=1, step_m=2.5, choices=MapChoices(known_pool_cells=50))
    for values, most in ((result.bearing_deg, GUESS_DEG), (result.position_m, LONGEST_M)):
        assert values[np.isfinite(values)].max() < most
        assert np.isinf(values).any()
    assert np.isinf(summary(SHALLOW, PINGER).position_multipath_free_m)
    assert result.known_pool.near_whole_burst > result.known_pool.near_multipath_free
