"""`pingfix calibrate` as a user runs it, on located pings of a run whose errors are known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from pings import bare_ping

from acoustics.base.errors import InputError, OutputError
from acoustics.cli.calibrate import calibrate_command
from acoustics.estimate.calibrate.model import model_times
from acoustics.estimate.calibrate.positions import in_place
from acoustics.io.ping import NavigatedPose
from acoustics.io.ping_lines import ping_line
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.calibrate.array import array_file_text
from acoustics.study.calibrate.geometry import RunPlan, planned_prior, planned_run
from acoustics.study.calibrate.inputs import SourcePlace, calibration_input, read_sources

FILE = shipped("examples")["mallard-basin"]
POOL = load_scene(FILE)
PINGER, NAMES = POOL.pingers[0], tuple(h.name for h in POOL.array.hydrophones)
N = len(NAMES)
SOURCE = ("--source-m", *(str(x) for x in PINGER.position_m))
PLAN = RunPlan(headings=8, pings_each=3, range_m=6.0)


def made(seed=1, depth_error_m=None):
    """Pings of a run, and the true calibration parameters behind them."""
    run, sd, *_ = planned_run(POOL, PINGER, PLAN)
    prior = planned_prior(POOL, PINGER, PLAN)
    rng = np.random.default_rng(seed)
    shared, pose = rng.normal(size=len(prior.shared_sd)), rng.normal(size=(8, 6))
    if depth_error_m is not None:
        shared[-1] = depth_error_m / prior.source_sd_m[0, 2]
    times = model_times(run, prior, shared, pose) + rng.normal(size=run.times_s.shape) * sd[:, None]
    heading = np.arctan2(run.turn[:, 1, 0], run.turn[:, 0, 0])
    roll, pitch, heading_sd = POOL.vehicle.attitude_sd.tolist()
    pings = [
        bare_ping(
            POOL.array.positions_m,
            times[k],
            sd_s=sd[0],
            ping=k + 1,
            time_s=2.0 * k,
            pinger=PINGER.name,
            frequency_hz=PINGER.frequency_hz,
            channels=NAMES,
            tolerances_m=POOL.array.tolerances_m,
            skew_sd_s=POOL.recorder.skew_sd_s,
            sound_speed_m_s=POOL.sound_speed_m_s,
            sound_speed_sd_m_s=POOL.sound_speed_sd_m_s,
            p_value=0.5,
            pose=NavigatedPose(
                tuple(run.place_m[k].tolist()),
                heading=float(heading[k]),
                depth_sd_m=POOL.vehicle.depth_sd_m,
                roll_sd=roll,
                pitch_sd=pitch,
                heading_sd=heading_sd,
            ),
        )  # fmt: skip
        for k in range(len(times))
    ]
    return pings, shared[: 4 * N + 4] * prior.calibration_sd


PINGS, TRUTH = made()


def written(name, pings):
    Path(name).write_text("".join(ping_line(p) + "\n" for p in pings), encoding="utf-8")
    return name


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments):
    return CliRunner().invoke(calibrate_command, [str(FILE), *arguments])


@pytest.mark.slow
def test_a_session_gives_a_corrected_array():
    wrong = replace(PINGS[4], tdoa_s=PINGS[4].tdoa_s + np.array([0, 1 / PINGER.frequency_hz, 0]))
    failed = replace(PINGS[5], ok=False, reason="too weak")
    pings = [*PINGS[:4], wrong, failed, *PINGS[6:]]
    done = run("--pings", written("p.jsonl", pings), *SOURCE, "--out", "new.toml", "--plot", "c.png")
    assert done.exit_code == 0, done.output
    assert "calibration of square-half-wave from 23 pings" in done.stdout
    assert "wrong cycles put right in 1 ping; 0 pings left out; 1 without usable delays" in done.stdout
    assert "a delay common to all channels: only differences are heard" in done.stdout
    assert Path("c.png").stat().st_size > 10_000
    array, old = load_array("new.toml"), POOL.array
    truth = in_place(old.positions_m, TRUTH)[0][: 3 * N].reshape(N, 3)

    def worst(positions):
        error = (positions - truth)[:, :2]
        return np.abs(error - error.mean(axis=0)).max()

    assert worst(array.positions_m) < 0.4 * worst(old.positions_m)
    assert [h.name for h in array.hydrophones] == list(NAMES)
    assert np.all(array.tolerances_m < old.tolerances_m) and any(h.delay_s for h in array.hydrophones)
    assert "Sound speed found" in Path("new.toml").read_text()
    scenario = Path(FILE).read_text().replace('use = "square-half-wave"', 'file = "new.toml"')
    Path("pool.toml").write_text(scenario.replace("mount_m", "# mount_m"))
    assert load_scene("pool.toml").array.positions_m == pytest.approx(array.positions_m)


def test_json_holds_what_the_table_says():
    done = run("--pings", written("p.jsonl", PINGS), *SOURCE, "--json")
    result = json.loads(done.stdout, parse_constant=pytest.fail)
    sd = np.sqrt(np.diagonal(np.array(result["covariance"])))
    found = np.array([p["value"] for p in result["parameters"]])
    scale = np.array([1e3] * 3 * N + [1e6] * N + [1.0] + [180 / np.pi] * 3)
    assert result["ok"] and result["p_value"] > 0.001
    assert np.all(np.abs(found / scale - TRUTH) < 4 * sd)
    assert result["separation"]["of"] == 4 * N + 4
    assert result["bearing_after_deg"] < 0.5 * result["bearing_before_deg"]


def test_a_source_on_a_rope_is_found_in_depth():
    depth = 1.2
    pings, _ = made(seed=2, depth_error_m=depth - PINGER.position_m[2])
    x, y, _ = PINGER.position_m
    Path("s.csv").write_text("ping,x_m,y_m,z_m,source\n" + "".join(f"{p.ping},{x},{y},,rope\n" for p in pings))
    done = run("--pings", written("p.jsonl", pings), "--sources", "s.csv", "--json")
    assert done.exit_code == 0, done.output
    (source,) = json.loads(done.stdout)["sources"]
    assert source["name"] == "rope" and source["pings"] == 24
    # So small and level an array tells the size of the depression alone, and that poorly near the horizontal.
    assert source["sd_m"][2] < 0.9 * float(POOL.pool.floor_depth_m((x, y))) / np.sqrt(12)
    assert abs(source["position_m"][2] - depth) < 3 * source["sd_m"][2]


def test_a_plan_needs_the_scenario_alone():
    done = run("--runs", "4", "--headings", "3", "--pings-each", "1", "--range-m", "6", "--plot", "plan.svg")
    assert done.exit_code == 0, done.output
    assert "3 headings x 1 source depth x 1 ping = 3 pings" in done.stdout
    assert "over 4 simulated runs" in done.stdout
    assert Path("plan.svg").read_text().startswith("<?xml")
    as_json = run("--runs", "4", "--headings", "3", "--pings-each", "1", "--json")
    assert json.loads(as_json.stdout, parse_constant=pytest.fail)["plan"]["headings"] == 3


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--out", "x.toml"), "--out needs --pings FILE"),
        (("--pings", "p.jsonl", "--headings", "3"), "--headings is for planning, and excludes --pings"),
        (("--pings", "p.jsonl", "--jobs", "2"), "--jobs is for planning, and excludes --pings"),
        (("--pings", "p.jsonl", "--resume", "parts"), "--resume is for planning, and excludes --pings"),
        (("--pings", "p.jsonl"), "--pings needs the place of the source"),
        (("--pings", "p.jsonl", *SOURCE, "--sources", "s.csv"), "--pings needs the place of the source"),
    ],
)
def test_options_that_do_not_go_together(arguments, message):
    written("p.jsonl", PINGS)
    done = run(*arguments)
    assert done.exit_code == 2 and message in done.output


def test_a_calibration_that_fits_nothing_writes_no_array():
    rng = np.random.default_rng(3)
    noise = [replace(p, method="onset", tdoa_s=rng.uniform(-2e-5, 2e-5, size=N - 1)) for p in PINGS]
    done = run("--pings", written("p.jsonl", noise), *SOURCE, "--out", "new.toml")
    assert isinstance(done.exception, OutputError) and "not usable" in str(done.exception)
    assert "NOT USABLE" in done.stdout and not Path("new.toml").exists()


def refused(pings, message, **changes):
    with pytest.raises(InputError, match=message):
        values = {"origin": "p.jsonl", "source_sd_m": 0.05, "wobble_sd": 0.01} | changes
        calibration_input(pings, POOL, SourcePlace("source", PINGER.position_m), **values)


def test_pings_of_something_else_are_refused():
    refused(
        [replace(PINGS[0], channels=("x", *NAMES[1:]))],
        "p.jsonl: ping 1: channels: 'x' is not a hydrophone of the array",
    )
    refused(
        [replace(PINGS[0], hydrophones_m=1.1 * POOL.array.positions_m)], "mm from its place in the scenario's array"
    )
    refused([replace(PINGS[0], channels=(NAMES[1], *NAMES[1:]))], "holds a name twice")
    refused(PINGS, "no ping can be used: 24 of another pinger", pinger="teal pinger")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "ping: is missing in the header; expected ping,x_m,y_m,z_m"),
        ("ping,x_m,y_m,z_m\n", "holds no row below its header"),
        ("ping,x_m,y_m,z_m,sorce\n", "sorce: is not a column of such a file; did you mean source?"),
        ("ping,x_m,y_m\n1,2,3\n", "z_m: is missing in the header"),
        ("ping,x_m,y_m,z_m\n1,2,,\n", "line 2: at most one of x_m, y_m, z_m may be blank"),
        ("ping,x_m,y_m,z_m\n1,2,3,deep\n", "line 2: z_m: expected a number, got 'deep'"),
        ("ping,x_m,y_m,z_m\n1,2,3,nan\n", "line 2: z_m: expected a number, got 'nan'"),
        ("ping,x_m,y_m,z_m\n1.5,2,3,1\n", "line 2: ping: expected a whole number, got '1.5'"),
        ("ping,x_m,y_m,z_m\n1,2,3,1\n1,2,3,1\n", "line 3: ping: 1 is listed twice"),
        ("ping,x_m,y_m,z_m\n1,2\n", "line 2: expected 4 values, got 2"),
    ],
)
def test_wrong_source_files_are_one_line(text, message):
    Path("s.csv").write_text(text)
    with pytest.raises(InputError, match=message):
        read_sources("s.csv")


def test_unreadable_source_files():
    with pytest.raises(InputError, match="cannot be read: no such file"):
        read_sources("none.csv")
    Path("s.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="is not a CSV file"):
        read_sources("s.csv")


def test_an_array_file_is_read_back_as_it_was():
    array = POOL.array.model_copy(update={"name": 'a "quoted" \\ name', "good_for": "ü"})
    Path("a.toml").write_text(array_file_text(array, ["a remark"]), encoding="utf-8")
    assert load_array("a.toml") == array
