"""Rendered recordings against brute force, other libraries and textbook figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from acoustics.base.errors import ParameterError
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.render.bursts import (
    SampleTimes,
    _unit_phasors,
    burst_span_s,
    decaying_sum,
    ping_pressure,
    ping_samples,
)
from acoustics.propagate.render.draw import ChannelFaults, draw_recording
from acoustics.propagate.render.noise import IsotropicPieces, RandomPieces
from acoustics.propagate.render.samples import converter, render, render_pressure
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene

RATE = 250e3
PINGER = {"position_m": (4.0, 3.0, 1.0), "frequency_hz": 30e3, "length_s": 4e-3, "source_level_db": 160.0, "q": 8.0}


def scene_with(**parts) -> Scene:
    places = {"a": (0.0, 0.0, 0.0), "b": (0.3, 0.0, 0.0), "c": (0.0, 0.3, 0.1)}
    table = {
        "water": {"temperature_degc": 26.0},
        "pool": {"surface_reflects": False},
        "pinger": [PINGER],
        "array": {"hydrophone": [{"name": n, "position_m": r, "tolerance_m": 0.0} for n, r in places.items()]},
        "recorder": {"sample_rate_hz": RATE},
        "vehicle": {"position_m": (12.0, 6.0, 0.8)},
    }
    return Scene.model_validate(table | parts)


def burst(t, *, frequency=30e3, length=4e-3, q=8.0):
    """Analytic burst of unit peak, written out here from the definition in the design."""
    rate = np.pi * frequency / q
    t0 = np.maximum(t, 0.0)
    envelope = np.where(
        t0 < length, 1 - np.exp(-rate * t0), (1 - np.exp(-rate * length)) * np.exp(-rate * (t0 - length))
    )
    return np.where(t > 0, envelope, 0.0) * np.exp(2j * np.pi * frequency * t)


def found_by_correlation(samples, start_index, rate=RATE, oversampling=100):
    """Arrival time and peak amplitude of one burst, from the correlation on a grid 100 times finer than the samples."""
    fine = burst(np.arange(int(6e-3 * rate * oversampling)) / (rate * oversampling)).real
    stuffed = np.zeros(len(samples) * oversampling)
    stuffed[::oversampling] = samples
    product = signal.correlate(stuffed, fine, mode="full", method="fft")
    best = int(np.argmax(product))
    before, at, after = product[best - 1 : best + 2]
    lag = best - (len(fine) - 1) + 0.5 * (before - after) / (before - 2 * at + after)
    # The energy of the reference at this shift, summed over the same samples.
    reference = burst(np.arange(len(samples)) / rate - lag / (rate * oversampling)).real
    return (start_index + lag / oversampling) / rate, samples @ reference / (reference @ reference)


def one_ping(drawn, one=0, ping=0):
    t = drawn.series[one]
    return ping_pressure(t.pinger, t.start_s[ping], t.paths.delay_s, t.paths.amplitude, t.paths.valid, drawn.times)


def test_direct_path_has_the_right_delay_and_amplitude():
    scene = scene_with()
    drawn = draw_recording(scene, seconds=2.0, seed=3)
    first, pressure = one_ping(drawn)
    hydrophones = np.array([12.0, 6.0, 0.8]) + scene.array.positions_m
    distance = np.linalg.norm(hydrophones - np.array(PINGER["position_m"]), axis=-1)
    speed = scene.water.mean_sound_speed_m_s(hydrophones[:, 2], 1.0)
    absorbed = 10 ** (-float(scene.water.absorption_db_per_km(30e3)) / 1e3 * distance / 20)
    expected_pa = np.sqrt(2) * 1e-6 * 10 ** (160 / 20) / distance * absorbed
    for channel in range(3):
        time, peak_pa = found_by_correlation(pressure[:, channel].real, first)
        assert abs(time - drawn.series[0].start_s[0] - distance[channel] / speed[channel]) < 1e-8
        assert peak_pa == pytest.approx(expected_pa[channel], rel=1e-3)


@pytest.mark.parametrize("sweep_hz", [0.0, 8e3])
def test_many_paths_add_up_as_written_out(sweep_hz):
    scene = load_scene(shipped("examples")["mallard-basin"])
    pinger = scene.pingers[0].model_copy(update={"sweep_hz": sweep_hz})
    paths = arrivals(
        scene,
        scene.vehicle.pose.to_site(scene.array.positions_m),
        pinger.position_m,
        frequency_hz=pinger.frequency_hz,
        horizon_s=8e-3,
    )
    times = SampleTimes(1 / RATE, np.array([0.0, 1e-6, 2e-6, -3.3e-6]))
    first, pressure = ping_pressure(pinger, 0.7, paths.delay_s, paths.amplitude, paths.valid, times)
    # A burst follows at any place: the window begins before the first sample of each channel and ends after the last.
    k = first - 5 + np.arange(len(pressure) + 10)
    t = k[:, None, None] / RATE + times.offset_s[:, None] - 0.7 - paths.delay_s
    driven = np.minimum(t, pinger.length_s)
    turn = np.pi * sweep_hz * (driven**2 / pinger.length_s - driven + np.maximum(t - pinger.length_s, 0))
    shape = {"frequency": pinger.frequency_hz, "length": pinger.length_s, "q": pinger.q}
    each = burst(t, **shape) * np.exp(1j * turn)
    peak_pa = np.sqrt(2) * 1e-6 * 10 ** (pinger.source_level_db / 20)
    expected = peak_pa * np.sum(np.where(paths.valid, paths.amplitude, 0) * each, axis=-1)
    # The decay is cut 20 time constants after the drive ends: 2e-9 of the plateau.
    np.testing.assert_allclose(np.pad(pressure, ((5, 5), (0, 0))), expected, atol=1e-8 * np.abs(expected).max())


@pytest.mark.parametrize("decay", [1e-4, 0.05, 3.0, 400.0])
def test_a_decaying_sum_is_that_of_a_recursive_filter(decay):
    """From one block for all samples to one for each."""
    values = np.random.default_rng(1).normal(size=(2, 20_000, 2)) @ [1, 1j]
    expected = signal.lfilter([1.0], [1.0, -np.exp(-decay)], values, axis=1)
    np.testing.assert_allclose(decaying_sum(values, decay), expected, atol=1e-11)


def test_phasors_from_a_table_are_those_of_sine_and_cosine():
    """To the rounding of the turns: 700 of them are known to 1e-13, which is 7e-13 rad."""
    turns = np.concatenate([np.linspace(-700, 1, 10_001), [0.0, 0.25, -0.5, 1 / 2048]])
    whole = turns - np.rint(turns)
    np.testing.assert_allclose(
        _unit_phasors(turns), np.cos(2 * np.pi * whole) + 1j * np.sin(2 * np.pi * whole), atol=8e-13
    )
    np.testing.assert_allclose(_unit_phasors(whole), np.exp(2j * np.pi * whole), atol=1e-15)


@pytest.mark.parametrize("sweep_hz", [0.0, 4e3])
def test_samples_are_the_real_part_of_the_analytic_pressure(sweep_hz):
    scene = scene_with(pinger=[PINGER | {"sweep_hz": sweep_hz}])
    one = draw_recording(scene, seconds=2.0, seed=1)
    series = one.series[0]
    heard = series.paths.delay_s, series.paths.amplitude, series.paths.valid, one.times
    first, analytic = ping_pressure(series.pinger, 0.3, *heard)
    again, samples = ping_samples(series.pinger, 0.3, *heard)
    assert first == again
    assert np.array_equal(samples, analytic.real)


def test_echoes_of_a_rectangular_pool_are_those_of_pyroomacoustics():
    pra = pytest.importorskip("pyroomacoustics")
    wall, floor, upper = 0.8, 0.6, (9.0, 6.0, 2.5)
    pool = {
        "outline_m": [(0.0, 0.0), (9.0, 0.0), (9.0, 6.0), (0.0, 6.0)],
        "depth_m": 2.5,
        "walls": {"reflection_coefficient": wall},
        "floor": {"reflection_coefficient": floor},
        "surface_reflects": False,
    }
    scene = scene_with(pool=pool, vehicle={"position_m": (6.5, 2.0, 1.2)})
    hydrophones = scene.vehicle.pose.to_site(scene.array.positions_m)
    paths = arrivals(scene, hydrophones, PINGER["position_m"], frequency_hz=30e3, horizon_s=5e-3, floor_db=-np.inf)
    _, pressure = ping_pressure(
        scene.pingers[0], 0.0, paths.delay_s, paths.amplitude, paths.valid, SampleTimes(1 / RATE, np.zeros(3))
    )
    # There the face at z = 0, here the surface, is called the floor; energy absorbed is 1 - R^2.
    walls = {side: pra.Material(1 - wall**2) for side in ("east", "west", "north", "south")}
    other = pra.ShoeBox(
        upper,
        fs=int(RATE),
        materials=walls | {"floor": pra.Material(1.0), "ceiling": pra.Material(1 - floor**2)},
        max_order=6,
    )
    other.add_source(PINGER["position_m"])
    other.add_microphone_array(hydrophones.T)
    other.image_source_model()
    images, damping = other.sources[0].images.T.astype(float), other.sources[0].damping[0].astype(float)
    distance = np.linalg.norm(images[:, None] - hydrophones, axis=-1)
    assert scene.water.sound_speed_m_s(0.0) == pytest.approx(scene.water.sound_speed_m_s(2.5), abs=0.05)
    speed = float(scene.water.sound_speed_m_s(1.1))
    heard = distance / speed <= distance[np.argmin(distance[:, 0])] / speed + 5e-3
    first = int(np.ceil(distance.min() / speed * RATE))
    t = (first + np.arange(len(pressure)))[:, None, None] / RATE - distance.T / speed
    absorbed = 10 ** (-float(scene.water.absorption_db_per_km(30e3)) / 1e3 * distance / 20)
    gain = np.where(heard.any(axis=1, keepdims=True), damping[:, None] / distance * absorbed, 0.0).T
    expected = np.sum(gain * burst(t), axis=-1) * np.sqrt(2) * 1e-6 * 10 ** (160 / 20)
    # Images there are single precision, 1e-6 m or 1e-4 rad; the speed of one depth stands for all, 0.02 m/s or 1e-2 rad
    # in the 10 m of the longest paths.
    np.testing.assert_allclose(pressure.real, expected.real, atol=0.005 * np.abs(expected).max())


def test_noise_has_the_density_of_the_scene():
    noise = {"ambient_density_db": 60.0, "self_noise_density_db": 66.0}
    # A pinger too weak to hear.
    scene = scene_with(noise=noise, pinger=[PINGER | {"source_level_db": -100.0}])
    pressure = np.concatenate(list(render_pressure(draw_recording(scene, seconds=4.0, seed=1))))
    expected = 1e-12 * (10 ** (60 / 10) + 10 ** (66 / 10))
    n = 1000
    frequency, density = signal.welch(pressure, RATE, window="boxcar", nperseg=n, noverlap=0, detrend=False, axis=0)
    # 1000 segments: each bin within its own standard error of 1 / sqrt(1000), four of them for 3 x 499 bins' extremes
    # of a normal (5.1 for one in a hundred runs); the mean over the band by 1 / sqrt(1000 x 499).
    inner = density[1:-1] / expected
    np.testing.assert_allclose(inner, 1.0, atol=5.1 / np.sqrt(1000))
    np.testing.assert_allclose(inner.mean(axis=0), 1.0, atol=4 / np.sqrt(1000 * 499))
    assert frequency[-1] == RATE / 2
    assert np.abs(np.corrcoef(pressure.T) - np.eye(3)).max() < 4 / np.sqrt(len(pressure))


def test_isotropic_noise_has_the_coherence_of_cook_1955():
    places = np.array([[0.0, 0, 0], [0.01, 0, 0], [0.0, 0.04, 0]])
    pieces = IsotropicPieces(RandomPieces(np.random.SeedSequence(5), 3), places, RATE, 1500.0)
    samples = pieces.take(100, 600_100)
    # Unit variance; neighbouring samples are nearly independent: standard error sqrt(2 / n).
    np.testing.assert_allclose(samples.var(axis=0), 1.0, atol=4 * np.sqrt(2 / len(samples)))
    for i, j, distance in ((0, 1, 0.01), (0, 2, 0.04), (1, 2, np.hypot(0.01, 0.04))):
        f, cross = signal.csd(samples[:, i], samples[:, j], RATE, nperseg=512, noverlap=0, detrend=False)
        expected = np.sinc(2 * f * distance / 1500.0)
        coherence = cross[1:-1] / (2 / RATE)
        # 1171 segments under a Hann window, 255 bins: 4.5 standard errors of at most 1 / sqrt(1171).
        np.testing.assert_allclose(coherence.real, expected[1:-1], atol=4.5 / np.sqrt(1171))
        np.testing.assert_allclose(coherence.imag, 0.0, atol=4.5 / np.sqrt(1171))


def test_noise_is_the_same_however_it_is_asked_for():
    source = RandomPieces(np.random.SeedSequence(5), 2)
    isotropic = IsotropicPieces(source, np.array([[0.0, 0, 0], [0.1, 0, 0]]), RATE, 1500.0)
    for pieces in (source, isotropic):
        whole = pieces.take(-20_000, 40_000)
        np.testing.assert_array_equal(whole[3_000:50_001], pieces.take(-17_000, 30_001))


@pytest.mark.parametrize("isotropic", [False, True])
def test_counts_do_not_depend_on_the_block(isotropic):
    scene = scene_with(
        pinger=[PINGER | {"pri_s": 0.02, "start_jitter_s": 1e-3}, PINGER | {"name": "p2", "pri_s": 0.03}],
        noise={"ambient_density_db": 60.0, "self_noise_density_db": 50.0, "isotropic_coherence": isotropic},
        recorder={"sample_rate_hz": RATE, "gain_db": 40.0, "passband_hz": (1e4, 6e4), "aperture_jitter_s": 1e-8},
    )
    drawn = draw_recording(scene, seconds=0.2, seed=4)
    whole = np.concatenate(list(render(drawn, block_samples=10**6)))
    assert len(whole) == 50_000
    for block in (777, 16_384):
        np.testing.assert_array_equal(np.concatenate(list(render(drawn, block_samples=block))), whole)
    with pytest.raises(ParameterError, match="block_samples=0 must be at least 1"):
        next(render(drawn, block_samples=0))


def test_a_longer_recording_begins_as_the_shorter_one():
    pinger = PINGER | {"pri_s": 0.05, "start_jitter_s": 2e-3}
    short, long = (draw_recording(scene_with(pinger=[pinger]), seconds=s, seed=9) for s in (0.2, 0.5))
    np.testing.assert_array_equal(short.series[0].start_s, long.series[0].start_s[: len(short.series[0].start_s)])
    first = np.concatenate(list(render(short)))
    np.testing.assert_array_equal(first, np.concatenate(list(render(long)))[: len(first)])


def test_pings_keep_their_interval_and_jitter():
    scene = scene_with(pinger=[PINGER | {"pri_s": 0.05, "start_jitter_s": 5e-4}])
    start = draw_recording(scene, seconds=50.0, seed=2).series[0].start_s
    index = np.round(start / 0.05)
    late = start - 0.05 * index
    # About 1000 pings: relative standard error of a standard deviation 1 / sqrt(2 n).
    assert len(np.unique(index)) == len(start) > 990
    assert late.std() == pytest.approx(5e-4, rel=4 / np.sqrt(2 * len(start)))


@pytest.mark.parametrize("fault", ["skew", "multiplexed", "clock"])
def test_faults_of_the_channels_timing(fault):
    recorder = {
        "skew": {"skew_sd_s": 2e-6},
        "multiplexed": {"multiplexed": True},
        "clock": {"clock_error_ppm": 400.0},
    }[fault]
    scene = scene_with(recorder={"sample_rate_hz": RATE} | recorder)
    drawn = draw_recording(scene, seconds=2.0, seed=6)
    first, pressure = one_ping(drawn)
    heard = drawn.series[0].start_s[0] + drawn.series[0].direct_delay_s
    # On the recorder's clock: a skewed channel is late by its skew, a multiplexed one early by its turn in the round,
    # and a clock that is 400 ppm fast counts 400 ppm too much time.
    expected = {
        "skew": heard + drawn.skew_s,
        "multiplexed": heard - np.arange(3) / (3 * RATE),
        "clock": heard * (1 + 400e-6),
    }[fault]
    time = [found_by_correlation(pressure[:, i].real, first)[0] for i in range(3)]
    # With the clock the burst itself is 400 ppm longer, 1.6 us at its end: its middle carries half of it.
    np.testing.assert_allclose(time, expected, atol=1e-6 if fault == "clock" else 1e-8)
    if fault == "skew":
        assert 5e-7 < np.std(drawn.skew_s) < 6e-6


def test_hydrophones_stand_off_their_places_by_their_tolerance():
    places = [{"name": str(k), "position_m": (0.05 * k, 0.0, 0.0), "tolerance_m": 0.002} for k in range(60)]
    drawn = draw_recording(scene_with(array={"hydrophone": places}), seconds=0.1, seed=1, echoes=False)
    off = drawn.hydrophones_m - drawn.scene.array.positions_m
    assert off.std() == pytest.approx(0.002, rel=4 / np.sqrt(2 * off.size))
    np.testing.assert_allclose(
        drawn.series[0].direct_delay_s * drawn.scene.water.mean_sound_speed_m_s(0.8, 1.0),
        np.linalg.norm(np.array([12.0, 6.0, 0.8]) + drawn.hydrophones_m - np.array(PINGER["position_m"]), axis=-1),
        rtol=1e-6,
    )


def test_aperture_jitter_adds_the_noise_of_the_textbook():
    # Error of a sine of amplitude A sampled with jitter s: A w s / sqrt(2) rms (Walden 1999, IEEE J. Sel. Areas
    # Commun. 17:539-550, the jitter-limited converter).
    jitter = 2e-8
    calm, shaken = (
        np.concatenate(
            list(
                render_pressure(
                    draw_recording(
                        scene_with(
                            recorder={"sample_rate_hz": RATE, "aperture_jitter_s": s},
                            noise={"ambient_density_db": -100.0},
                            pinger=[PINGER | {"length_s": 0.1}],
                        ),
                        seconds=2.0,
                        seed=1,
                    )
                )
            )
        )
        for s in (0.0, jitter)
    )
    start = np.flatnonzero(np.abs(calm[:, 0]) > 0.5 * np.abs(calm[:, 0]).max())[0]
    plateau = slice(start + 1000, start + 21_000)
    amplitude = np.sqrt(2) * calm[plateau].std(axis=0)
    expected = amplitude * 2 * np.pi * 30e3 * jitter / np.sqrt(2)
    # 20,000 samples, the error's own distribution between normal and sine-modulated: relative error under 1.5 %.
    np.testing.assert_allclose((shaken - calm)[plateau].std(axis=0), expected, rtol=0.03)


def test_converter_rounds_and_clips():
    scene = scene_with(recorder={"sample_rate_hz": RATE, "bits": 12, "full_scale_v": 2.5, "gain_db": 20.0})
    volts_per_pa = 10 ** ((-190 + 20) / 20) * 1e6
    step_pa = 2 * 2.5 / 2**12 / volts_per_pa
    pressure = np.outer([0.0, 0.4, 0.6, -1.6, 2047.4, 2049.0, 1e9, -2048.4, -2050.0], np.ones(3)) * step_pa
    counts = converter(draw_recording(scene, seconds=0.1, seed=1))(pressure)
    assert counts.dtype == np.int32
    np.testing.assert_array_equal(counts[:, 1], [0, 0, 1, -2, 2047, 2047, 2047, -2048, -2048])


@pytest.mark.parametrize(
    "passband_hz, at_hz, expected_db", [((1e4, 5e4), 1e4, -3.01), ((1e4, 5e4), 3e4, 0.0), ((1e4, 2e5), 1e4, -3.01)]
)
def test_the_pass_band_is_three_decibels_down_at_its_edges(passband_hz, at_hz, expected_db):
    scene = scene_with(recorder={"sample_rate_hz": RATE, "bits": 24, "gain_db": 40.0, "passband_hz": passband_hz})
    tone = np.outer(np.sin(2 * np.pi * at_hz * np.arange(50_000) / RATE), np.ones(3))
    counts = converter(draw_recording(scene, seconds=0.1, seed=1))(tone)[25_000:]
    flat = scene_with(recorder={"sample_rate_hz": RATE, "bits": 24, "gain_db": 40.0})
    wide = converter(draw_recording(flat, seconds=0.1, seed=1))(tone)[25_000:]
    np.testing.assert_allclose(20 * np.log10(counts.std(axis=0) / wide.std(axis=0)), expected_db, atol=0.05)


def test_without_echoes_only_the_direct_path_is_left():
    scene = load_scene(shipped("examples")["mallard-basin"])
    drawn = draw_recording(scene, seconds=1.0, seed=1, echoes=False)
    assert drawn.series[0].paths.delay_s.shape == (4, 1)
    assert np.all(np.isinf(drawn.series[0].first_echo_delay_s))
    with_echoes = draw_recording(scene, seconds=1.0, seed=1)
    np.testing.assert_array_equal(with_echoes.series[0].start_s, drawn.series[0].start_s)
    bare = with_echoes.without_echoes().series[0].paths
    np.testing.assert_allclose(bare.delay_s, drawn.series[0].paths.delay_s, rtol=1e-13)
    np.testing.assert_allclose(bare.amplitude, drawn.series[0].paths.amplitude, rtol=1e-12)
    assert np.all(with_echoes.series[0].first_echo_delay_s > drawn.series[0].direct_delay_s)


@pytest.mark.parametrize("seconds", [0.0, -1.0, np.nan, np.inf, 1e-9, 1e6])
def test_impossible_lengths_are_refused(seconds):
    with pytest.raises(ParameterError, match="seconds="):
        draw_recording(scene_with(), seconds=seconds, seed=1)


def test_a_burst_ends():
    assert burst_span_s(scene_with().pingers[0]) == pytest.approx(4e-3 + 20 * 8 / (np.pi * 30e3))


def test_faults_of_the_cables():
    scene = scene_with(noise={"ambient_density_db": 50.0}, recorder={"sample_rate_hz": RATE, "skew_sd_s": 1e-6})

    def counts(**faults):
        drawn = draw_recording(scene, seconds=2.0, seed=1, faults=ChannelFaults(**faults))
        return np.concatenate(list(render(drawn)))

    whole = counts()
    np.testing.assert_array_equal(counts(inverted=("b",)) * np.array([1, -1, 1]), whole)
    np.testing.assert_array_equal(counts(failed=("c", "a")), whole * np.array([0, 1, 0]))
    drawn = draw_recording(scene, seconds=2.0, seed=1, faults=ChannelFaults(swapped=(("a", "c"),)))
    plain = draw_recording(scene, seconds=2.0, seed=1)
    # The channel keeps its skew and hears from the other's place.
    np.testing.assert_array_equal(drawn.skew_s, plain.skew_s)
    np.testing.assert_array_equal(drawn.series[0].direct_delay_s, plain.series[0].direct_delay_s[[2, 1, 0]])
    with pytest.raises(ParameterError, match="no hydrophone 'd' in the array; known: a, b, c"):
        counts(failed=("d",))


def test_tones_stand_in_the_spectrum_at_their_level():
    tone = {"frequency_hz": 40e3, "level_db": 100.0}
    noise = {"ambient_density_db": 50.0, "tone": [tone]}
    scene = scene_with(pinger=[PINGER | {"source_level_db": 0.0}], noise=noise)
    pressure = np.concatenate(list(render_pressure(draw_recording(scene, seconds=0.5, seed=1), block_samples=5000)))
    frequency, power = signal.periodogram(pressure, RATE, "flattop", scaling="spectrum", axis=0)
    at = np.argmax(power[:, 0])
    assert frequency[at] == pytest.approx(40e3, abs=2 / 0.5)
    # 100 dB re 1 uPa is 0.1 Pa rms; noise in a bin of 2 Hz is 47 dB lower.
    np.testing.assert_allclose(np.sqrt(power[at]), 0.1, rtol=0.02)


def test_dropouts_are_zeros_in_all_channels_at_their_rate():
    scene = scene_with(noise={"ambient_density_db": 80.0}, recorder={"sample_rate_hz": RATE, "gain_db": 60.0})
    faults = ChannelFaults(dropouts_per_s=20.0, dropout_s=2e-3)
    drawn = draw_recording(scene, seconds=5.0, seed=1, faults=faults)
    lost, whole = (np.concatenate(list(render(t))) for t in (drawn, draw_recording(scene, seconds=5.0, seed=1)))
    # A Poisson number of mean 100: within four of its standard deviations.
    assert abs(len(drawn.dropouts) - 100) < 40
    gone = np.zeros(len(lost), dtype=bool)
    for first, last in drawn.dropouts:
        assert last - first == pytest.approx(2e-3 * RATE, abs=1)
        gone[first:last] = True
    assert not lost[gone].any()
    np.testing.assert_array_equal(lost[~gone], whole[~gone])
    with pytest.raises(ParameterError, match="dropout_s=-1 must be 0 or more"):
        draw_recording(scene, seconds=1.0, seed=1, faults=ChannelFaults(dropout_s=-1))


@pytest.mark.slow
def test_channels_differ_in_gain_and_phase_by_their_tolerance():
    quiet = {"ambient_density_db": -100.0}
    odd = {"sample_rate_hz": RATE, "bits": 32, "gain_sd_db": 1.0, "phase_sd_deg": 20.0}
    scene = scene_with(noise=quiet, recorder=odd)
    takes = [draw_recording(scene, seconds=2.0, seed=seed) for seed in range(400)]
    # 1,200 draws tell a standard deviation to 2 %; 6 % is three times that.
    assert np.std([20 * np.log10(t.gain) for t in takes]) == pytest.approx(1.0, rel=0.06)
    assert np.rad2deg(np.std([t.channel_phase for t in takes])) == pytest.approx(20.0, rel=0.06)
    drawn = takes[0]
    plain = draw_recording(scene_with(noise=quiet, recorder={"sample_rate_hz": RATE, "bits": 32}), seconds=2.0, seed=0)
    counts, even = (signal.hilbert(np.concatenate(list(render(t))).astype(float), axis=0) for t in (drawn, plain))
    ratio = np.sum(counts * even.conj(), axis=0) / np.sum(np.abs(even) ** 2, axis=0)
    np.testing.assert_allclose(np.abs(ratio), drawn.gain, rtol=1e-3)
    np.testing.assert_allclose(np.angle(ratio), -drawn.channel_phase, atol=1e-3)
    # 20 degrees of a 30 kHz cycle are 1.85 us.
    assert scene.recorder.timing_sd_s(30e3) == pytest.approx(20 / 360 / 30e3)
