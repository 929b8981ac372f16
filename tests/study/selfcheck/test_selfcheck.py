"""The self-check passes here, notices what is wrong, and says so by its exit code."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from acoustics.cli.selfcheck import selfcheck_command
from acoustics.study.selfcheck import study as selfcheck
from acoustics.study.selfcheck.published import PUBLISHED
from acoustics.study.selfcheck.study import self_check


def test_every_check_passes_and_says_where_its_reference_is_from():
    done = CliRunner().invoke(selfcheck_command, ["--json", "--trials", "1000"])
    assert done.exit_code == 0
    result = json.loads(done.output, parse_constant=pytest.fail)
    assert result["passed"] is True
    assert len(result["checks"]) == len(PUBLISHED) + 7
    for check in result["checks"]:
        assert check["source"]
        assert check["deviation"] == pytest.approx(check["value"] - check["reference"], abs=1e-15)
        assert abs(check["deviation"]) <= check["tolerance"]


def test_a_wrong_formula_is_noticed(monkeypatch):
    # Mackenzie's speed off by 1 cm/s: ten times what its check value allows.
    wrong = [replace(p, compute=lambda f=p.compute: f() + 0.01) if "Mackenzie" in p.source else p for p in PUBLISHED]
    monkeypatch.setattr(selfcheck, "PUBLISHED", tuple(wrong))
    done = CliRunner().invoke(selfcheck_command, ["--trials", "200"])
    assert done.exit_code == 1
    assert f"1 of {len(PUBLISHED) + 7} checks FAILED: sound speed, sea, 25 degC, 1000 m" in done.output
    assert "FAIL" in done.output


def test_a_bound_that_is_ten_per_cent_off_is_noticed(monkeypatch):
    bound = selfcheck.position_bound

    def hopeful(*places, **sizes):
        found = bound(*places, **sizes)
        return replace(found, horizontal_rms_m=0.9 * found.horizontal_rms_m)

    monkeypatch.setattr(selfcheck, "position_bound", hopeful)
    failed = [check.quantity for check in self_check().checks if not check.passed]
    assert failed == ["position, hull-4 at 2.7 m: RMS over bound"]


def test_seeds_change_the_simulation_alone():
    one, again, other = (self_check(seed=s, trials=200).checks for s in (1, 1, 2))
    assert one == again
    differ = [a.value != b.value for a, b in zip(one, other, strict=True)]
    assert not any(differ[: len(PUBLISHED)])
    assert np.sum(differ[len(PUBLISHED) :]) >= 4
