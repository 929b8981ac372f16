"""Scores against closed forms and scipy's bootstrap; the design; trials that need no other."""

from __future__ import annotations

import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from acoustics.base.errors import OutputError, ParameterError
from acoustics.base.frames import direction
from acoustics.base.intervals import Interval
from acoustics.estimate.tdoa.differences import tdoa_from_toa
from acoustics.io.recording import load_recording
from acoustics.physics.tdoa import spherical_time
from acoustics.present.text.validate import ping_rows
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws import cycles_apart
from acoustics.study.execution.chunks import Running, Workers
from acoustics.study.validate.adapters import Estimator, ask_each, choose_estimator
from acoustics.study.validate.answer import Answer, EstimatorFailure
from acoustics.study.validate.design import SECTORS, choose_design, draw_trial, trial_pose
from acoustics.study.validate.exchange import export_design, read_results
from acoustics.study.validate.recording import RECORDING, SIDECAR, trial_bounds, trial_recording, write_trial
from acoustics.study.validate.score import Limits, bootstrap, missed_limits
from acoustics.study.validate.study import validate_answers, validate_estimator
from acoustics.study.validate.trials import Validated, try_estimator

EXAMPLES = Path(__file__).parents[3] / "examples" / "estimators"


@pytest.fixture(scope="module")
def scene():
    return load_scene(shipped("examples")["mallard-basin"])


@pytest.fixture(scope="module")
def pinger(scene):
    return scene.pingers[0]


def design_of(scene, pinger, trials=72, **levels):
    return choose_design(scene, pinger, trials=trials, seed=5, **levels)


# ---- the design ----


def test_trials_are_where_the_design_wants_them(scene, pinger):
    design = design_of(scene, pinger)
    trials = [draw_trial(scene, pinger, design, k) for k in range(1, 73)]
    assert {(t.sector, t.range_m, t.energy_ratio_db, t.echoes) for t in trials} == set(design.cells)
    for trial in trials:
        hydrophones = trial_pose(scene, trial).to_site(scene.array.positions_m)
        assert np.all(scene.pool.contains(hydrophones))
        away = np.asarray(pinger.position_m) - hydrophones.mean(axis=0)
        assert np.linalg.norm(away) == pytest.approx(trial.range_m, abs=1e-6)
        # The bearing by hand: level vehicle, so the site's azimuth less the heading.
        by_hand = np.arctan2(away[1], away[0]) - trial.heading
        assert np.angle(np.exp(1j * (by_hand - trial.bearing))) == pytest.approx(0, abs=1e-9)
        off = np.angle(np.exp(1j * (trial.bearing - np.pi / 2 * SECTORS.index(trial.sector))))
        assert abs(off) <= np.pi / 4 + 1e-9


def test_a_tilted_vehicle_still_sees_the_pinger_in_the_sector(scene, pinger):
    vehicle = scene.vehicle.model_copy(update={"roll_deg": 20.0, "pitch_deg": -15.0})
    tilted = scene.model_copy(update={"vehicle": vehicle})
    design = design_of(tilted, pinger)
    for k in range(1, 25):
        trial = draw_trial(tilted, pinger, design, k)
        off = np.angle(np.exp(1j * (trial.bearing - np.pi / 2 * SECTORS.index(trial.sector))))
        assert abs(off) <= np.pi / 4 + 0.01
        away = trial_pose(tilted, trial).to_body([pinger.position_m])[0] - tilted.array.positions_m.mean(axis=0)
        assert away / np.linalg.norm(away) == pytest.approx(direction(trial.bearing, trial.depression))


def test_a_trial_needs_no_other(scene, pinger, tmp_path):
    design = design_of(scene, pinger)
    assert draw_trial(scene, pinger, design, 9) == draw_trial(scene, pinger, design_of(scene, pinger, 500), 9)
    for name in ("a", "b"):
        write_trial(scene, pinger, draw_trial(scene, pinger, design, 9), tmp_path / f"{name}.wav", tmp_path / name)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


def test_the_recording_has_the_level_and_one_ping(scene, pinger, tmp_path):
    design = design_of(scene, pinger, energy_ratio_db=[45.0], echoes=[False], range_m=[7.0])
    trial = draw_trial(scene, pinger, design, 2)
    drawn = trial_recording(scene, pinger, trial)
    assert len(drawn.series) == 1 and drawn.series[0].start_s.shape == (1,)
    write_trial(scene, pinger, trial, tmp_path / "x.wav", tmp_path / "x.json")
    recording = load_recording(tmp_path / "x.wav")
    volts = recording.volts() - recording.volts().mean(axis=0)
    begin = round(float(drawn.series[0].start_s[0] + drawn.series[0].direct_delay_s.min()) * recording.sample_rate_hz)
    energy = np.sum(volts[begin : begin + 1200] ** 2, axis=0) / recording.sample_rate_hz
    density = 2 * np.mean(volts[: begin - 10] ** 2, axis=0) / recording.sample_rate_hz
    # 2 E / N0 from the samples themselves; the noise in the burst is 1200 / 15,000 of an energy 40 dB stronger.
    assert 10 * np.log10(2 * energy.mean() / density.mean()) == pytest.approx(45.0, abs=0.25)


def test_few_trials_spread_over_all_sectors_ranges_levels_and_echoes(scene, pinger):
    cells = design_of(scene, pinger).cells
    assert len(cells) == len(set(cells)) == 72
    for kind, share in zip(zip(*cells[:24], strict=True), (6, 8, 8, 12), strict=True):
        assert all(abs(kind.count(level) - share) <= 1 for level in set(kind))
        assert len(set(kind)) == 24 // share


def test_designs_that_cannot_be(scene, pinger):
    with pytest.raises(ParameterError, match=r"range 1 m: must be over the 1\.\d+ m from the array's depth"):
        design_of(scene, pinger, range_m=[1.0])
    with pytest.raises(ParameterError, match="range 80 m: no place around 'amber pinger' has the whole array"):
        draw_trial(scene, pinger, design_of(scene, pinger, range_m=[80.0]), 1)
    with pytest.raises(ParameterError, match="each once"):
        design_of(scene, pinger, energy_ratio_db=[30.0, 30.0])
    for beyond in (9600.0, -301.0):
        with pytest.raises(ParameterError, match=r"energy ratio -?\d+ dB: must be from -300 to 300 dB"):
            design_of(scene, pinger, energy_ratio_db=[beyond])
    with pytest.raises(ParameterError, match="trials=0"):
        design_of(scene, pinger, trials=0)


def test_the_bound_is_that_of_the_whole_burst_or_of_the_clean_window(scene, pinger):
    design = design_of(scene, pinger, energy_ratio_db=[20.0])
    trials = [draw_trial(scene, pinger, design, k) for k in range(1, 25)]
    bound = trial_bounds(scene, pinger, trials)
    echoes = np.array([t.echoes for t in trials])
    assert np.median(bound[echoes]) > 2 * np.median(bound[~echoes])


# ---- scores ----


def answers_with(scene, pinger, design, sd, stated, rng, bias=0.0):
    answers = []
    for k in range(1, design.trials + 1):
        trial = draw_trial(scene, pinger, design, k)
        answers.append(Answer((trial.bearing + bias + sd * rng.standard_normal(),), (), (stated,)))
    return answers


@pytest.mark.slow
@pytest.mark.thorough
def test_known_errors_give_the_known_figures(scene, pinger):
    design = design_of(scene, pinger, 432)
    sd, bias = np.deg2rad(3.0), np.deg2rad(1.0)
    answers = answers_with(scene, pinger, design, sd, sd, np.random.default_rng(1), bias)
    found = validate_answers(scene, pinger, design, answers, name="x").overall
    # Closed forms for a normal error of mean 1 and standard deviation 3 degrees. Five figures at once: each may be two
    # half intervals, about four standard deviations, from the truth.
    error = stats.norm(1.0, 3.0)
    quantile = {p: stats.foldnorm(1 / 3, scale=3).ppf(p) for p in (0.5, 0.95)}
    for interval, truth in (
        (found.rms_deg, np.sqrt(10.0)),
        (found.median_deg, quantile[0.5]),
        (found.p95_deg, quantile[0.95]),
        (found.bias_deg, 1.0),
        (found.coverage, error.cdf(3 * 1.959964) - error.cdf(-3 * 1.959964)),
    ):
        assert interval.low < interval.value < interval.high
        assert abs(interval.value - truth) < interval.high - interval.low
    assert found.wrong_integer.value == 0 and found.answered == 432
    assert found.efficiency.value == pytest.approx(found.bound_rms_deg / found.rms_deg.value)


def test_the_bootstrap_agrees_with_scipy():
    rng = np.random.default_rng(2)
    error, bound = rng.standard_t(3, 150), rng.uniform(0.5, 1.5, 150)

    def efficiency(e, b, axis=-1):
        return np.sqrt(np.mean(b**2, axis=axis) / np.mean(e**2, axis=axis))

    ours = bootstrap(error, lambda e, b: efficiency(e, b), rng, least=0.0, beside=bound)
    theirs = stats.bootstrap(
        (error, bound), efficiency, paired=True, vectorized=True, n_resamples=5000, method="percentile", rng=rng
    ).confidence_interval
    # An end from 1,000 resamples scatters by about 0.07 standard deviations of the statistic, a quarter of the width.
    width = theirs.high - theirs.low
    assert abs(ours.low - theirs.low) < 0.08 * width and abs(ours.high - theirs.high) < 0.08 * width
    assert bootstrap(error[:0], efficiency, rng, least=0.0) == Interval(np.inf, 0.0, np.inf)
    assert bootstrap(error[:1], lambda e, _: e.mean(axis=-1), rng, least=-np.inf).low == -np.inf


def test_failures_and_refusals_are_counted_with_their_reasons(scene, pinger):
    design = design_of(scene, pinger, 12)
    answers = [EstimatorFailure("took over 1 s")] * 5 + [Answer(refused="too weak")] * 3
    answers += answers_with(scene, pinger, design, 0.01, 0.01, np.random.default_rng(3))[8:]
    found = validate_answers(scene, pinger, design, answers, name="x")
    assert found.overall.failed.value == 5 / 12 and found.overall.refused.value == 3 / 12
    assert found.overall.answered == 4
    assert found.reasons == (("took over 1 s", 5), ("too weak", 3))
    nothing = validate_answers(scene, pinger, design, [Answer(refused="no")] * 12, name="x")
    assert nothing.overall.rms_deg.value == np.inf and nothing.overall.efficiency is None
    missed = missed_limits(nothing.overall, Limits(5.0, 9.0, 50.0, 90.0))
    assert len(missed) == 4 and not any("inf" in line for line in missed)
    assert missed[0] == "RMS: too few pings were answered for an upper end, so the limit of 5 deg is not met"


def test_a_wrong_cycle_is_half_a_period_on_some_baseline(scene, pinger):
    # By exhaustive search over the pairs: delays of a far source at 1 km, against the plane wave's.
    rng = np.random.default_rng(4)
    bearing, depression = rng.uniform(-3, 3, (2, 20)), rng.uniform(-1.2, 1.2, (2, 20))
    one, other = direction(bearing, depression)
    middle = scene.array.positions_m.mean(axis=0)
    largest = []
    for a, b in zip(one, other, strict=True):
        ta, tb = (spherical_time(scene.array.positions_m, middle + 1e6 * u, scene.sound_speed_m_s) for u in (a, b))
        pairs = [np.abs(tdoa_from_toa(ta - tb, 1.0, reference=k).tdoa_s).max() for k in range(len(middle) + 1)]
        largest.append(max(pairs) * pinger.frequency_hz)
    found = cycles_apart(scene.array.positions_m, one, other, scene.sound_speed_m_s, pinger.frequency_hz)
    assert found == pytest.approx(largest, abs=1e-4)


def test_a_second_candidate_counts_only_if_it_fits_the_same_delays(scene, pinger):
    design = design_of(scene, pinger, 4)
    trials = [draw_trial(scene, pinger, design, k) for k in range(1, 5)]
    # The other way round is no mirror image of a horizontal plane.
    guesses = [Answer((t.bearing + np.pi, t.bearing)) for t in trials]
    found = validate_answers(scene, pinger, design, guesses, name="x").overall
    assert found.rms_deg.value == pytest.approx(180.0)
    mirrored = [Answer((t.bearing,) * 2, (-t.depression, t.depression)) for t in trials]
    assert validate_answers(scene, pinger, design, mirrored, name="x").overall.rms_deg.value == pytest.approx(0.0)


@pytest.mark.slow
def test_limits_are_held_against_the_unfavourable_end(scene, pinger):
    design = design_of(scene, pinger, 144)
    sd = np.deg2rad(3.0)
    answers = answers_with(scene, pinger, design, sd, sd, np.random.default_rng(5))
    found = validate_answers(scene, pinger, design, answers, name="x").overall
    between = (found.rms_deg.value + found.rms_deg.high) / 2
    (line,) = missed_limits(found, Limits(max_rms_deg=between))
    assert line.endswith(f"by {found.rms_deg.high - between:.2g} deg at the upper end")
    assert missed_limits(found, Limits(max_rms_deg=found.rms_deg.high)) == ()
    (line,) = missed_limits(found, Limits(min_coverage_percent=99.9))
    assert "at the lower end" in line
    assert missed_limits(found, Limits(max_unanswered_percent=5.0)) == ()


# ---- estimators ----


@pytest.mark.slow
def test_every_way_to_the_same_estimator_gives_the_same(scene, pinger, tmp_path, monkeypatch):
    monkeypatch.chdir(EXAMPLES)
    design = design_of(scene, pinger, 4, energy_ratio_db=[45.0])
    program = choose_estimator(program=(sys.executable, "beam.py"), time_limit_s=60)
    function = choose_estimator("beam:estimate")
    by_program = validate_estimator(scene, pinger, design, program)
    by_function = validate_estimator(scene, pinger, design, function)
    assert by_program.overall == by_function.overall
    assert by_program.overall.answered == 4 and by_program.overall.median_deg.value < 6
    assert pickle.loads(pickle.dumps(function)) == function
    if (compiler := shutil.which("gcc") or shutil.which("cc")) is None:
        return
    subprocess.run([compiler, "-std=c99", "-O2", "-o", tmp_path / "beam", "beam.c", "-lm"], check=True)
    in_c = validate_estimator(scene, pinger, design, choose_estimator(program=(str(tmp_path / "beam"),)))
    # The same method; the last digit printed, and ties on the grid, may differ.
    assert in_c.overall.rms_deg.value == pytest.approx(by_program.overall.rms_deg.value, rel=0.02)


@pytest.mark.slow
def test_parts_and_processes_change_nothing(scene, pinger, tmp_path, monkeypatch):
    monkeypatch.chdir(EXAMPLES)
    design, function = design_of(scene, pinger, 20), choose_estimator("beam:estimate")
    here = validate_estimator(scene, pinger, design, function, running=Running(folder=tmp_path / "parts"))
    (tmp_path / "parts" / "chunk-000001.npz").unlink()
    assert validate_estimator(scene, pinger, design, function, running=Running(folder=tmp_path / "parts")) == here
    assert validate_estimator(scene, pinger, design, function, running=Running(Workers(jobs=2))) == here


@pytest.mark.parametrize("method", ["phase", "correlation", "phat", "onset"])
def test_built_in_methods_answer(scene, pinger, method):
    design = design_of(scene, pinger, 4, energy_ratio_db=[58.0], echoes=[False], range_m=[10.0])
    found = try_estimator(Validated(scene, pinger, design, choose_estimator(method)), range(1, 5))
    assert np.all(found["outcome"] == 0), found["reason"]
    assert np.rad2deg(np.abs(found["error"])).max() < 45


def test_a_function_that_fails_is_scored_so(scene, pinger, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "faulty_estimators.py").write_text(
        "def raises(recording, sidecar): raise ValueError('no\\nluck')\n"
        "def prints(recording, sidecar): print('x'); return {'bearing_deg': float('nan')}\n"
        "def nothing(recording, sidecar): return None\n"
    )
    design = design_of(scene, pinger, 2)
    for name, reason in (
        ("raises", "raised ValueError: no luck"),
        ("prints", "bearing_deg: should be a finite number, got nan"),
        ("nothing", "answered NoneType where a table was expected"),
    ):
        what = Validated(scene, pinger, design, choose_estimator(f"faulty_estimators:{name}"))
        assert try_estimator(what, [1])["reason"].tolist() == [reason]


def test_the_program_gets_two_files_and_nothing_else(scene, pinger):
    code = (
        "import json, os, sys\n"
        "names = sorted(os.listdir('.'))\n"
        "same = [os.path.samefile('.', os.path.dirname(name)) for name in sys.argv[-2:]]\n"
        "text = open(sys.argv[-1]).read()\n"
        "print(json.dumps({'refused': ' '.join([*names, str(all(same)), str('truth' in text), *sys.argv[1:-2]])}))\n"
    )
    estimator = choose_estimator(program=(sys.executable, "-S", "-c", code, "--mine"), time_limit_s=60)
    found = try_estimator(Validated(scene, pinger, design_of(scene, pinger, 2), estimator), [1])
    assert found["reason"].tolist() == ["recording.json recording.wav True False --mine"]


def test_estimators_that_are_not_there():
    with pytest.raises(ParameterError, match="estimator 'fase': expected phase, correlation, phat, onset or module:"):
        choose_estimator("fase")
    with pytest.raises(ParameterError, match="estimator json:lods: AttributeError: module 'json' has no attribute"):
        choose_estimator("json:lods")
    with pytest.raises(ParameterError, match="no_such_module_here:f: ModuleNotFoundError"):
        choose_estimator("no_such_module_here:f")
    with pytest.raises(ParameterError, match="name one estimator"):
        choose_estimator("phase", program=("true",))


# ---- files for others ----


def test_results_computed_elsewhere_give_the_same_score(scene, pinger, tmp_path, monkeypatch):
    monkeypatch.chdir(EXAMPLES)
    design = design_of(scene, pinger, 6, energy_ratio_db=[45.0])
    export_design(scene, pinger, design, tmp_path / "out")
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert {"manifest.csv", "truth.csv", "ping-0001.wav", "ping-0006.json"} <= names and len(names) == 14
    rows = (tmp_path / "out" / "manifest.csv").read_text().splitlines()
    assert rows[0] == "ping,recording,sidecar" and rows[6] == "6,ping-0006.wav,ping-0006.json"
    truth = [row.split(",") for row in (tmp_path / "out" / "truth.csv").read_text().splitlines()[1:]]
    lines = ["ping,bearing_deg", *(f"{row[0]},{row[5]}" for row in truth)]
    (tmp_path / "results.csv").write_text("\n".join(lines))
    answers = read_results(tmp_path / "results.csv", 6)
    assert validate_answers(scene, pinger, design, answers, name="x").overall.rms_deg.value < 1e-9
    with pytest.raises(OutputError, match="holds files already"):
        export_design(scene, pinger, design, tmp_path / "out")


@pytest.mark.slow
def test_rows_of_pings_give_the_figures_and_the_built_in_stands_beside(scene, pinger, tmp_path, monkeypatch):
    monkeypatch.chdir(EXAMPLES)
    design = design_of(scene, pinger, 6, energy_ratio_db=[45.0])
    found = validate_estimator(scene, pinger, design, choose_estimator("beam:estimate"), each_ping=True)
    error = found.pings.error_deg[np.array(found.pings.outcome) == "answered"]
    assert len(found.pings.number) == 6
    # The score's figures worked out again from the rows, by their definitions.
    assert found.overall.rms_deg.value == pytest.approx(np.sqrt(np.mean(error**2)))
    assert found.overall.median_deg.value == pytest.approx(np.median(np.abs(error)))
    alone = validate_estimator(scene, pinger, design, choose_estimator("phase"))
    # Pings are fitted in batches of other sizes, which rounds otherwise.
    assert found.beside.rms_deg.value == pytest.approx(alone.overall.rms_deg.value, rel=1e-10)
    assert alone.beside is None and alone.pings is None
    rows = ping_rows(found.pings)[1]
    assert [row[0] for row in rows] == [str(k) for k in range(1, 7)]
    assert float(rows[0][5]) == pytest.approx(found.pings.error_deg[0], abs=0.006)
    elsewhere = answers_with(scene, pinger, design, 0.01, 0.01, np.random.default_rng(1))
    scored = validate_answers(scene, pinger, design, elsewhere, name="x", beside=True)
    assert scored.beside.rms_deg.value == alone.overall.rms_deg.value


def test_a_recording_that_cannot_be_read_fails_alone(scene, pinger, tmp_path):
    """Built-in methods are asked about many recordings at once; the others keep their answers."""
    trials = [draw_trial(scene, pinger, design_of(scene, pinger), number) for number in (1, 2, 3)]
    files = []
    for trial in trials:
        folder = tmp_path / str(trial.number)
        folder.mkdir()
        files.append((folder / RECORDING, folder / SIDECAR))
        write_trial(scene, pinger, trial, *files[-1])
    whole = ask_each(Estimator("phase"), files)
    files[1][0].write_bytes(b"RIFF")
    broken = ask_each(Estimator("phase"), files)
    assert isinstance(broken[1], EstimatorFailure)
    for one, other in zip(broken[::2], whole[::2], strict=True):
        assert one.bearings == pytest.approx(other.bearings, abs=1e-9)
