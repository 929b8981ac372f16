"""Whole recordings: the same bytes for the same seed, the link budget's SNR, truth and crew's knowledge apart."""

from __future__ import annotations

import json
import tracemalloc

import numpy as np
import pytest
from scipy import signal

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import OutputError, ParameterError
from acoustics.io.recording import load_recording
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.simulate.recording import simulate_recording


def pool(**parts) -> Scene:
    scene = load_scene(shipped("examples")["mallard-basin"])
    pinger = scene.pingers[0].model_copy(update={"pri_s": 0.1, "start_jitter_s": 1e-3})
    return scene.model_copy(update={"pingers": (pinger,)} | parts)


def all_files(folder):
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_the_same_seed_gives_the_same_bytes_whatever_the_block(tmp_path):
    seen = []
    for name, seed, block in (("a", 1, 16_384), ("b", 1, 1_000), ("c", 1, 10**6), ("d", 2, 16_384)):
        (tmp_path / name).mkdir()
        simulate_recording(pool(), tmp_path / name / "x.wav", seed=seed, pings=3, block_samples=block)
        seen.append(all_files(tmp_path / name))
    assert sorted(seen[0]) == ["x.json", "x.site.toml", "x.truth.json", "x.wav"]
    assert seen[0] == seen[1] == seen[2]
    assert all(seen[0][name] != seen[3][name] for name in seen[0])


def test_the_ratio_of_signal_to_noise_is_that_of_the_link_budget(tmp_path):
    scene = pool()
    recorder = scene.recorder.model_copy(update={"bits": 24, "skew_sd_s": 0.0})
    faint = {"ambient_density_db": -100.0, "self_noise_density_db": None}
    quiet = scene.model_copy(update={"recorder": recorder, "noise": scene.noise.model_copy(update=faint)})
    distant = scene.pingers[0].model_copy(update={"source_level_db": -100.0})
    noisy = scene.model_copy(update={"recorder": recorder, "pingers": (distant,)})
    simulate_recording(quiet, tmp_path / "ping.wav", seed=1, pings=1, echoes=False)
    simulate_recording(noisy, tmp_path / "noise.wav", seed=1, seconds=2.0, echoes=False)
    ping, noise = load_recording(tmp_path / "ping.wav").volts(), load_recording(tmp_path / "noise.wav").volts()
    rate = recorder.sample_rate_hz
    energy = np.sum(ping**2, axis=0) / rate
    frequency, density = signal.welch(noise, rate, nperseg=500, noverlap=0, detrend=False, axis=0)
    n0 = density[1:-1].mean(axis=0)
    truth = json.loads((tmp_path / "ping.truth.json").read_text())
    hydrophones = np.array([c["site_position_m"] for c in truth["channels"]])
    ranges = np.linalg.norm(hydrophones - np.array(scene.pingers[0].position_m), axis=-1)
    link = link_budget(scene.model_copy(update={"recorder": recorder}), scene.pingers[0], ranges)
    # N0 from 1000 segments of 249 bins under a Hann window: relative standard error 0.2 % or 0.01 dB, four of them;
    # E to 0.02 dB, as the samples of a burst square-sum to its integral but for the product at twice its frequency.
    np.testing.assert_allclose(10 * np.log10(2 * energy / n0 / link.energy_ratio_2e_n0), 0.0, atol=0.06)


def test_the_truth_says_where_the_pings_are_in_the_file(tmp_path):
    scene = pool(
        recorder=pool().recorder.model_copy(update={"skew_sd_s": 2e-6, "clock_error_ppm": 50.0, "multiplexed": True})
    )
    simulate_recording(scene, tmp_path / "x.wav", seed=3, pings=4, echoes=False)
    recording = load_recording(tmp_path / "x.wav")
    truth = json.loads((tmp_path / "x.truth.json").read_text())
    rate, pinger = recording.sample_rate_hz, scene.pingers[0]
    rise = np.pi * pinger.frequency_hz / pinger.q
    link = link_budget(scene, pinger, truth["pingers"][0]["range_m"])
    whole = [p for p in truth["pings"] if 0 < p["recorded_s"][0] < recording.n_samples / rate - 0.01]
    assert len(whole) == 4
    miss = []
    for ping in whole:
        for channel, begins in enumerate(ping["recorded_s"]):
            first = int(begins * rate) - 200
            t = (first + np.arange(1_600)) / rate - begins
            driven = np.clip(t, 0, pinger.length_s)
            envelope = -np.expm1(-rise * driven) * np.exp(-rise * np.maximum(t - pinger.length_s, 0))
            matched = recording.volts(first, first + 1_600)[:, channel] @ (
                envelope * np.exp(-2j * np.pi * pinger.frequency_hz * t)
            )
            # p = A cos(w (t - late)): the phase of the product is -w late.
            miss.append(-np.angle(matched) / (2 * np.pi * pinger.frequency_hz))
    miss = np.array(miss)
    # 16 arrivals, each with the bound's variance; and the clock's 50 ppm over half the burst, 0.1 us.
    sd = float(np.sqrt(link.carrier_variance_s2))
    assert np.abs(miss).max() < 4 * sd + 50e-6 * pinger.length_s / 2
    assert np.std(miss) < 1.6 * sd


def test_the_crew_does_not_know_the_truth(tmp_path):
    scene = pool()
    simulate_recording(scene, tmp_path / "x.wav", seed=1, pings=1)
    known = load_recording(tmp_path / "x.wav").sidecar
    truth = json.loads((tmp_path / "x.truth.json").read_text())
    assert set(json.loads((tmp_path / "x.json").read_text())) == {
        "sample_rate_hz",
        "volts_per_count",
        "gain_db",
        "channels",
        "temperature_degc",
        "absolute_salinity_g_kg",
        "sound_speed_m_s",
        "sound_speed_sd_m_s",
        "skew_sd_s",
        "gain_sd_db",
        "pingers",
        "pose",
        "hull_m",
        "farthest_m",
    }
    np.testing.assert_allclose([c.position_m for c in known.channels], scene.array.positions_m, atol=1e-12)
    moved = np.array([c["position_m"] for c in truth["channels"]]) - scene.array.positions_m
    assert 1e-4 < moved.std() < 3e-3
    # Heading 2 deg, depth 0.05 m and temperature 1 degC of standard deviation in the scenario: none is met exactly.
    assert 0 < abs(known.pose.heading_deg - truth["pose"]["heading_deg"]) < 8
    assert 0 < abs(known.pose.position_m[2] - truth["pose"]["position_m"][2]) < 0.2
    assert 0 < abs(known.temperature_degc - truth["temperature_degc"]) < 4
    assert 0 < abs(known.pingers[0].depth_m - scene.pingers[0].position_m[2]) < 4 * scene.study.pinger_depth_sd_m
    # 2.5 m/s for each degree in fresh water near 26 degC (Marczak 1997 from memory: 2.4 to 2.7).
    slope = (known.sound_speed_m_s - truth["sound_speed_m_s"]) / (known.temperature_degc - truth["temperature_degc"])
    assert 2 < slope < 3


def test_every_pinger_sounds(tmp_path):
    first = pool().pingers[0]
    second = first.model_copy(update={"name": "teal pinger", "frequency_hz": 38e3, "pri_s": 0.07})
    # Less gain than in the scenario: clipping would spread the tones over the band.
    scene = pool(pingers=(first, second), recorder=pool().recorder.model_copy(update={"gain_db": 20.0}))
    result = simulate_recording(scene, tmp_path / "x.npy", seed=1, seconds=0.5)
    assert [p.pings for p in result.pingers] == [5, pytest.approx(7, abs=1)]
    volts = load_recording(tmp_path / "x.npy").volts()
    frequency, density = signal.welch(volts[:, 0], 250e3, nperseg=1000)
    level = 10 * np.log10(density)
    assert np.all(level[(frequency == 30e3) | (frequency == 38e3)] > level[frequency == 90e3] + 20)
    truth = json.loads((tmp_path / "x.truth.json").read_text())
    assert {p["pinger"] for p in truth["pings"]} == {first.name, "teal pinger"}
    sent = [p["sent_s"] for p in truth["pings"]]
    assert sent == sorted(sent)
    echo = np.array([p["first_echo_delay_s"] for p in truth["pings"]])
    assert np.all(echo > np.array([p["direct_delay_s"] for p in truth["pings"]]))


def test_clipping_is_counted(tmp_path):
    loud = pool(recorder=pool().recorder.model_copy(update={"gain_db": 80.0}))
    result = simulate_recording(loud, tmp_path / "x.wav", seed=1, pings=1)
    recording = load_recording(tmp_path / "x.wav")
    stored = np.rint(recording.volts() / recording.full_scale_v * 2**15)
    np.testing.assert_array_equal(result.clipped_samples, np.sum((stored == 32767) | (stored == -32768), axis=0))
    assert result.clipped_samples.min() > 100
    np.testing.assert_allclose(result.peak, 1.0)


@pytest.mark.slow
def test_memory_does_not_grow_with_the_length(tmp_path):
    peak = []
    for seconds in (1.0, 10.0):
        tracemalloc.start()
        simulate_recording(pool(), tmp_path / f"{seconds:g}.wav", seed=1, seconds=seconds)
        peak.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # Ten times the samples, 18 MB more of them; what grows is the list of pings.
    assert peak[1] < 1.1 * peak[0]


def test_a_failure_leaves_nothing_behind(tmp_path):
    odd_rate = pool(recorder=pool().recorder.model_copy(update={"sample_rate_hz": 250_000.5}))
    with pytest.raises(OutputError, match="holds whole numbers only"):
        simulate_recording(odd_rate, tmp_path / "x.wav", seed=1, pings=1)
    with pytest.raises(ParameterError, match="exactly one must be given"):
        simulate_recording(pool(), tmp_path / "x.wav", seed=1)
    with pytest.raises(ParameterError, match="must be above 0"):
        simulate_recording(pool(), tmp_path / "x.wav", seed=1, seconds=-1.0)
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "x.truth.json").write_text("kept")
    with pytest.raises(OutputError, match="x.truth.json: exists already"):
        simulate_recording(pool(), tmp_path / "x.wav", seed=1, pings=1)
    assert all_files(tmp_path) == {"x.truth.json": b"kept"}
    simulate_recording(pool(), tmp_path / "x.wav", seed=1, pings=1, force=True)
    assert sorted(all_files(tmp_path)) == ["x.json", "x.site.toml", "x.truth.json", "x.wav"]


def test_a_delay_that_is_known_of_a_channel_is_in_the_recording_and_in_the_notes(tmp_path):
    plain = pool(recorder=pool().recorder.model_copy(update={"skew_sd_s": 0.0}))
    late = [h.model_copy(update={"delay_s": 1e-5 * k}) for k, h in enumerate(plain.array.hydrophones)]
    scene = plain.model_copy(update={"array": plain.array.model_copy(update={"hydrophones": tuple(late)})})
    arrivals, offsets = [], []
    for name, given in (("a", plain), ("b", scene)):
        simulate_recording(given, tmp_path / f"{name}.npy", seed=1, pings=1)
        (ping, *_) = json.loads((tmp_path / f"{name}.truth.json").read_text())["pings"]
        arrivals.append(np.array(ping["recorded_s"]))
        notes = load_recording(tmp_path / f"{name}.npy").sidecar
        offsets.append(np.array([c.sampling_offset_s for c in notes.channels]))
    shift = 1e-5 * np.arange(len(late))
    np.testing.assert_allclose(arrivals[1] - arrivals[0], shift, atol=1e-12)
    # What the notes say puts the arrivals back where they were.
    np.testing.assert_allclose(arrivals[1] + offsets[1], arrivals[0] + offsets[0], atol=1e-12)
