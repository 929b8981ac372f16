"""A calibration from recordings to better bearings, by the commands that a crew gives."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Pose, wrap_angle
from acoustics.cli.calibrate import calibrate_command
from acoustics.cli.locate import locate_command
from acoustics.cli.simulate import simulate_command
from acoustics.scene.scenario import load_array, shipped

pytestmark = pytest.mark.slow  # eight recordings; test_calibrate.py has the quick part

SOURCE = (20.0, 8.0, 2.4)
PLACE = (15.5, 7.0, 0.8)
POOL = str(shipped("examples")["mallard-basin"])
IN_SI = {"mm": 1e-3, "us": 1e-6, "m/s": 1.0, "deg": np.pi / 180}


def invoke(command, *arguments):
    done = CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


def record(name, heading_deg):
    """Two pings heard at the calibration place; the same seed, so the same array with the same faults."""
    invoke(simulate_command, POOL, f"{name}.wav", "--place-m", *PLACE, "--heading-deg", heading_deg, "--pings", 2)


def ping_lines(name):
    return [json.loads(line) for line in Path(f"{name}.jsonl").read_text().splitlines()]


def site_bearing_errors_deg(lines, name):
    """Against the truth: the bearing is that from the array's middle, by the heading that the compass showed."""
    truth, notes = (json.loads(Path(f"{name}{ending}").read_text()) for ending in (".truth.json", ".json"))
    pose = truth["pose"]
    angles = np.deg2rad([pose["roll_deg"], pose["pitch_deg"], pose["heading_deg"]])
    middle = np.mean([c["position_m"] for c in notes["channels"]], axis=0)
    away = np.array(SOURCE) - Pose(np.array(pose["position_m"]), *angles).to_site(middle[None])[0]
    shown = [line["candidates"][0]["bearing_deg"] + notes["pose"]["heading_deg"] for line in lines]
    return np.rad2deg(wrap_angle(np.deg2rad(shown) - np.arctan2(away[1], away[0])))


@pytest.fixture(scope="module")
def turned(tmp_path_factory):
    """Eight headings all round, located and calibrated; what was found and the truth."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.chdir(tmp_path_factory.mktemp("calibration"))
        headings = range(0, 360, 45)
        for heading in headings:
            record(f"turn-{heading}", heading)
            invoke(locate_command, f"turn-{heading}.wav", "--out", f"turn-{heading}.jsonl")
        Path("turn.jsonl").write_text("".join(Path(f"turn-{h}.jsonl").read_text() for h in headings))
        known = ("--source-m", *SOURCE)
        text = invoke(calibrate_command, POOL, "--pings", "turn.jsonl", *known)
        found = invoke(calibrate_command, POOL, "--pings", "turn.jsonl", *known, "--out", "corrected.toml", "--json")
        truth, notes = (json.loads(Path(f"turn-0{ending}").read_text()) for ending in (".truth.json", ".json"))
        yield text, json.loads(found), truth, notes


@pytest.mark.thorough
def test_injected_faults_come_back_within_the_stated_uncertainty(turned):
    _, found, truth, notes = turned
    assert found["ok"] and all(ping["kept"] for ping in found["pings"])
    angles = [truth["pose"][k] - notes["pose"][k] for k in ("roll_deg", "pitch_deg", "heading_deg")]
    injected = np.concatenate(
        [
            np.ravel([c["position_error_m"] for c in truth["channels"]]),
            [c["skew_s"] for c in truth["channels"]],
            [truth["sound_speed_m_s"] - found["nominal_sound_speed_m_s"]],
            np.deg2rad(angles),
        ]
    )
    error = np.array([p["value"] * IN_SI[p["unit"]] for p in found["parameters"]]) - injected
    covariance = np.array(found["covariance"])
    assert error @ np.linalg.solve(covariance, error) < stats.chi2.ppf(0.999, len(error))
    # The pings took more than half of the variance of each hydrophone's place in the level, to start with 1 mm.
    level = [p for p in found["parameters"] if p["name"].endswith((" x", " y"))]
    assert len(level) == 8 and all(p["learned"] > 0.5 and p["prior_sd"] == 1.0 for p in level)


@pytest.mark.thorough
def test_the_corrected_array_improves_the_bearings_of_new_recordings(turned):
    nominal, corrected = [], []
    for heading in (20, 160, 290):
        name = f"new-{heading}"
        record(name, heading)
        invoke(locate_command, f"{name}.wav", "--out", f"{name}.jsonl")
        nominal.extend(site_bearing_errors_deg(ping_lines(name), name))
        invoke(locate_command, f"{name}.wav", "--array", "corrected.toml", "--out", f"{name}.jsonl", "--force")
        corrected.extend(site_bearing_errors_deg(ping_lines(name), name))
    before, after = (np.sqrt(np.mean(np.square(e))) for e in (nominal, corrected))
    # 4.0 deg systematic before and 0.9 after, by the prediction; noise of single pings is below 1 deg at this range.
    assert len(nominal) == len(corrected) == 6
    assert before > 2.0 and after < 1.5 and after < 0.4 * before


def test_what_is_not_separated_is_said_in_words(turned):
    text, found, *_ = turned
    assert "Not separated: of 20 independent combinations of these parameters the pings leave" in text
    assert "a delay common to all channels: only differences are heard" in text
    assert "the array's scale against the sound speed: from afar only their ratio is heard" in text
    array = load_array(Path("corrected.toml"))
    sd = [h.tolerance_m for h in array.hydrophones]
    np.testing.assert_allclose(array.positions_m, found["positions_m"], atol=1e-6)
    assert max(sd) < 1e-3


def test_an_array_of_other_names_is_refused(turned):
    with pytest.raises(ParameterError, match="channel 'bow-port' is not a hydrophone of pair"):
        invoke(locate_command, "turn-0.wav", "--array", "pair")
