"""Whatever somebody's estimator does to one ping, that ping is scored as failed with a reason, and the next is asked."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.validate.adapters import choose_estimator
from acoustics.study.validate.design import choose_design, draw_trial
from acoustics.study.validate.study import validate_estimator
from acoustics.study.validate.trials import Validated, try_estimator

LIMIT_S = 2.0
# What it does at each ping in turn, and the reason that stands in the report; None where the answer counts.
TURNS = [
    ("print('{\"bearing_deg\": 10}')", None),
    ("time.sleep(60)", "took over 2 s"),
    ("while True: print('x' * 10_000)", "printed over 65,536 bytes"),
    ("while True: sys.stderr.write('x' * 10_000)", "took over 2 s"),
    ("os.write(1, os.urandom(40) + b'\\xff')", "printed bytes that are not text"),
    ("print('Bearing: 12 degrees')", "printed no JSON: Bearing: 12 degrees"),
    ("print('{\"bearing_deg\": NaN}')", "bearing_deg: should be a finite number, got nan"),
    ("print('{\"bearing_deg\": 1e308}')", "bearing_deg: should be less than or equal to 1000000, got 1e+308"),
    ("print('[' * 20_000)", "printed no JSON: " + "[" * 60),
    ("print('{\"bearing_deg\": ' + '9' * 5000 + '}')", "printed no JSON: {\"bearing_deg\": " + "9" * 44),
    ("print()", "printed nothing"),
    ("os.kill(os.getpid(), signal.SIGKILL)", "was ended by SIGKILL"),
    ("raise ValueError('no luck')", "ended with exit code 1: "),
    ("print('{\"bearing_deg\": 20}'); sys.exit(7)", "ended with exit code 7"),
    # A child keeps the pipes open for a minute; the parent has answered.
    ("print('{\"bearing_deg\": 30}', flush=True); os.fork() or time.sleep(60)", None),
    # It takes away the folder in which it stands and the files in it.
    ("import shutil; shutil.rmtree(os.getcwd()); print('{\"bearing_deg\": 40}')", None),
    ("print('{\"refused\": \"too \\\\u001b[31mweak\"}')", "too [31mweak"),
]  # fmt: skip


@pytest.fixture(scope="module")
def scene():
    return load_scene(shipped("examples")["mallard-basin"])


@pytest.mark.slow
def test_each_turn_of_a_hostile_program_is_scored_and_the_next_ping_is_asked(scene, tmp_path):
    lines = ["import os, signal, sys, time", f"count = {str(tmp_path / 'count')!r}"]
    lines += ["turn = os.path.getsize(count) if os.path.exists(count) else 0", "open(count, 'ab').write(b'.')"]
    lines += [f"if turn == {k}:\n    {code}" for k, (code, _) in enumerate(TURNS)]
    (tmp_path / "hostile.py").write_text("\n".join(lines) + "\n")
    program = (sys.executable, "-S", str(tmp_path / "hostile.py"))
    design = choose_design(scene, scene.pingers[0], trials=len(TURNS), seed=5, echoes=(False,))
    what = Validated(scene, scene.pingers[0], design, choose_estimator(program=program, time_limit_s=LIMIT_S))
    found = try_estimator(what, range(1, len(TURNS) + 1))
    for (code, reason), told in zip(TURNS, found["reason"], strict=True):
        assert told.startswith(reason) and told.isprintable() if reason else told == "", code
    answered = np.array([reason is None for _, reason in TURNS])
    np.testing.assert_array_equal(np.isfinite(found["error"]), answered)


@pytest.mark.slow
def test_who_knows_scenario_seed_and_number_of_each_ping_does_not_know_the_truth(scene, tmp_path):
    pinger = scene.pingers[0]
    known = choose_design(scene, pinger, trials=24, seed=5, echoes=(False,))
    guesses = [float(np.rad2deg(draw_trial(scene, pinger, known, k).bearing)) for k in range(1, 25)]
    (tmp_path / "knowing.py").write_text(
        f"import os\ncount = {str(tmp_path / 'count')!r}\nopen(count, 'ab').write(b'.')\n"
        f"print('{{\"bearing_deg\": %f}}' % {guesses}[os.path.getsize(count) - 1])\n"
    )
    estimator = choose_estimator(program=(sys.executable, "-S", str(tmp_path / "knowing.py")))
    design = choose_design(scene, pinger, trials=24, seed=5, echoes=(False,), secret="9a" * 16)
    found = try_estimator(Validated(scene, pinger, design, estimator), range(1, 25))
    # Without knowledge an error is uniform over the circle: of 24, the number under 45 degrees is binomial with mean
    # 6 and standard deviation 2.1. Who knows the sector has 18 there, who knows the truth all of them.
    assert np.sum(np.abs(found["error"]) < np.pi / 4) < 12.5


@pytest.mark.parametrize("end", ["sys.exit(0)", "sys.exit('no luck')", "raise KeyError('x')", "raise MemoryError"])
def test_a_function_that_would_end_the_program_is_scored_as_failed(scene, tmp_path, monkeypatch, end):
    name = f"ending_{abs(hash(end))}"
    (tmp_path / f"{name}.py").write_text(f"import sys\ndef f(recording, sidecar):\n    {end}\n")
    monkeypatch.chdir(tmp_path)
    design = choose_design(scene, scene.pingers[0], trials=2, seed=5)
    result = validate_estimator(scene, scene.pingers[0], design, choose_estimator(f"{name}:f"))
    assert (result.overall.trials, result.overall.answered, result.overall.failed.value) == (2, 0, 1.0)
