"""`pingfix spectrum` on recordings of files, one of them written here by numpy and soundfile alone."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from quick import POOL, good, refused

import acoustics
from acoustics.base.toml_tables import validated

RATE = 192_000
CARRIER, TONE = 36_500.0, 9_000.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Two channels, half a full scale of pings, a tone of a hundredth, noise of a thousandth rms."""
    path = tmp_path_factory.mktemp("heard") / "day.wav"
    rng = np.random.default_rng(11)
    t = np.arange(3 * RATE) / RATE
    samples = rng.normal(scale=1e-3, size=(2, len(t))) + 1e-2 * np.sin(2 * np.pi * TONE * t)
    for start in (0.3, 1.3, 2.3):
        u = t - start
        shape = np.where((u > 0) & (u < 4e-3), 1 - np.exp(-np.pi * CARRIER / 10 * np.maximum(u, 0)), 0)
        samples += 0.5 * shape * np.sin(2 * np.pi * CARRIER * u)
    soundfile.write(path, samples.T, RATE, "PCM_16")
    return path


def noted(recording, tmp_path):
    notes = {
        "sample_rate_hz": RATE,
        "sound_speed_m_s": 1480.0,
        "volts_per_count": 2.0 / 2**15,
        "gain_db": 20.0,
        "channels": [
            {"name": name, "position_m": [x, 0.0, 0.0], "sensitivity_db_re_v_per_upa": -180.0}
            for name, x in (("bow", 0.02), ("stern", 0.0))
        ],
        "pingers": [{"name": "buoy", "frequency_hz": 36_400.0, "length_s": 4e-3, "pri_s": 1.0}],
    }
    path = tmp_path / "notes.json"
    path.write_text(json.dumps(notes))
    return str(path)


def test_without_notes_levels_are_re_full_scale(recording):
    heard = acoustics.spectrum(recording)
    assert heard.reference == "full scale" and heard.channels == ("1", "2")
    np.testing.assert_allclose(heard.peak_share, 0.5, atol=0.02)
    # 1e-3 rms over 96 kHz of band, and 2 kHz of that away from the tone.
    np.testing.assert_allclose(heard.noise_density_db, 10 * np.log10(1e-6 / (RATE / 2)), atol=1.0)
    (pinger,) = heard.pingers
    assert pinger.frequency_hz == pytest.approx(CARRIER, abs=2.0)
    # The drive's end is sharper here than the build-up, by half of whose 87 us the two are matched early.
    assert pinger.length_s == pytest.approx(4e-3, abs=1e-4)
    assert pinger.q == pytest.approx(10.0, rel=0.2)
    assert pinger.pri_s == pytest.approx(1.0, abs=1e-4)
    np.testing.assert_allclose(pinger.direct_level_db, 20 * np.log10(0.5 / np.sqrt(2)), atol=0.5)
    (tone,) = heard.tones
    assert tone.frequency_hz == pytest.approx(TONE, abs=1.0)
    assert tone.level_db == pytest.approx(20 * np.log10(1e-2 / np.sqrt(2)), abs=0.3)
    assert "re full scale" in str(heard)


def test_notes_give_pressures_names_and_the_source_level(recording, tmp_path):
    answer = json.loads(
        good("spectrum", str(recording), "--sidecar", noted(recording, tmp_path), "--range-m", "10", "--json")
    )
    (pinger,) = answer["pingers"]
    assert pinger["name"] == "buoy"
    # Half of 2 V peak; 180 dB less 20 dB of gain to 1 V; 20 dB of spreading over 10 m.
    level = 20 * np.log10(1.0 / np.sqrt(2)) + 180 - 20
    assert pinger["source_level_db"] == pytest.approx(level + 20, abs=0.5)


def test_the_lines_for_the_scenario_are_toml_that_a_scenario_takes(recording, tmp_path):
    said = good("spectrum", str(recording), "--sidecar", noted(recording, tmp_path), "--range-m", "10")
    lines = tomllib.loads(said.split("Lines for the scenario:")[1])
    table = tomllib.loads(Path(POOL).read_text(encoding="utf-8"))
    table["pinger"][0] |= lines["pinger"][0]
    table["noise"] |= lines["noise"]
    table["recorder"] |= lines["recorder"]
    scene = validated(
        acoustics.Scene, {key: value for key, value in table.items() if key != "array"} | {"array": _array()}, "pasted"
    )
    assert scene.pingers[0].frequency_hz == pytest.approx(CARRIER, abs=2.0)
    assert [round(tone.frequency_hz) for tone in scene.noise.tones] == [TONE]


def _array():
    return {
        "hydrophone": [
            {"name": "bow", "position_m": [0.0, 0.0, 0.0]},
            {"name": "stern", "position_m": [0.02, 0.0, 0.0]},
        ]
    }


@pytest.mark.slow
def test_a_picture_is_drawn(recording, tmp_path):
    good("spectrum", str(recording), "--plot", str(tmp_path / "s.png"))
    assert (tmp_path / "s.png").stat().st_size > 10_000


def test_what_cannot_be_measured_is_refused_in_a_line(recording, tmp_path):
    (line,) = refused("spectrum", str(recording), "--from-s", "1e308")
    assert "--from-s" in line
    (line,) = refused("spectrum", str(recording), "--from-s", "100")
    assert "holds 0 s from 100 s on" in line
    (line,) = refused("spectrum", str(tmp_path / "absent.wav"))
    assert "absent.wav" in line
    flat = tmp_path / "flat.wav"
    soundfile.write(flat, np.zeros((RATE, 2)), RATE)
    (line,) = refused("spectrum", str(flat))
    assert "nothing was recorded" in line
    (tmp_path / "day.csv").write_text("a,b\n0,0\n")
    (line,) = refused("spectrum", str(tmp_path / "day.csv"))
    assert "no sample rate of its own" in line


def test_noise_below_a_step_of_the_converter_is_not_given_for_less_than_the_steps_make(tmp_path):
    # A twentieth of a step of noise rms: all samples between bursts are zero.
    step, rng = 2.0**-15, np.random.default_rng(2)
    t = np.arange(2 * RATE) / RATE
    since = t % 0.5
    sound = 0.3 * np.sin(2 * np.pi * CARRIER * t) * (since < 4e-3) * -np.expm1(-np.pi * CARRIER / 10 * since)
    path = tmp_path / "quiet.wav"
    counts = np.round((rng.normal(scale=step / 20, size=(2, len(t))) + sound) / step).astype(np.int16)
    soundfile.write(path, counts.T, RATE, "PCM_16")
    heard = acoustics.spectrum(path)
    # Uniform quantisation: a twelfth of the squared step over half the rate (Bennett 1948, Bell System Technical
    # Journal 27, 446-472).
    converter_db = 10 * np.log10(step**2 / 12 / (RATE / 2))
    assert heard.converter_density_db == pytest.approx(converter_db, abs=0.01)
    assert heard.noise_density_db == pytest.approx(converter_db, abs=0.01)
    # Mean square 0.045 in segments of a millisecond, over the noise in as wide a band.
    assert heard.pingers[0].over_noise_db == pytest.approx(10 * np.log10(0.045 / 1e3) - converter_db, abs=3.0)
    assert "noise given is that of the converter's steps" in " ".join(str(heard).split())


def test_a_recording_clipped_throughout_is_called_so(tmp_path):
    """Of normal noise of the standard deviation of full scale 31.73 % lie beyond it."""
    noise = np.random.default_rng(5).standard_normal((2 * RATE, 2)) * [1.0, 0.01]
    soundfile.write(tmp_path / "loud.wav", np.clip(noise, -1.0, 1.0), RATE, "PCM_16")
    result = acoustics.spectrum(tmp_path / "loud.wav")
    assert result.clipped_share == pytest.approx([0.3173, 0.0], abs=5e-3)
    words = " ".join(str(result).split())
    assert (
        f"Note: {result.channels[0]}: clipped throughout, up to 32 % of the samples at the ends of the range" in words
    )
