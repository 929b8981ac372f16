"""The link budget against sums by hand and integrals by quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import ParameterError
from acoustics.physics.build_up import cycle_choice_variance
from acoustics.scene.scene import Scene

F, LENGTH, Q = 30e3, 4e-3, 10.0


def scene_with(**recorder):
    pinger = {"position_m": (20.0, 6.0, 2.0), "frequency_hz": F, "length_s": LENGTH, "q": Q}
    hydrophones = [
        {"name": "a", "position_m": (0.0, 0.01, 0.0)},
        {"name": "b", "position_m": (0.0, -0.01, 0.0)},
    ]
    return Scene.model_validate(
        {
            "water": {"temperature_degc": 26.0, "absolute_salinity_g_kg": 0.5},
            "noise": {"ambient_density_db": 60.0},
            "pinger": [pinger | {"source_level_db": 160.0}],
            # 24 bits and 60 dB of gain put the converter's noise far below that of the water.
            "recorder": {"gain_db": 60.0, "bits": 24} | recorder,
            "array": {"hydrophone": hydrophones},
            "vehicle": {"position_m": (5.0, 6.0, 1.0)},
        }
    )


def burst_integrals(window):
    """Energy and energy-weighted mean squares of a unit-rms burst driven all through the window, by quadrature.

    s = sqrt(2) env cos(w t); the carrier cycles average out, so s^2 -> env^2 and s'^2 -> env'^2 + w^2 env^2.
    """
    tau = Q / (np.pi * F)
    energy = quad(lambda t: (1 - np.exp(-t / tau)) ** 2, 0, window)[0]
    slope = quad(lambda t: (np.exp(-t / tau) / tau) ** 2, 0, window)[0]
    return energy, slope / energy + (2 * np.pi * F) ** 2, slope / energy


def test_levels_add_up_by_hand():
    """160 - 20 log10(10) = 140 dB; absorption at 30 kHz in fresh water, under 0.3 dB/km, is under 0.003 dB."""
    scene = scene_with()
    link = link_budget(scene, scene.pingers[0], 10.0)
    assert link.received_level_db == pytest.approx(140.0, abs=0.003)
    assert link.noise_density_db == pytest.approx(60.0, abs=0.01)


@pytest.mark.parametrize("window", [0.2e-3, 0.5e-3, 2e-3])
def test_variances_inside_a_window_follow_from_the_integrals(window):
    scene = scene_with()
    link = link_budget(scene, scene.pingers[0], 10.0, window_s=window)
    energy, with_carrier, envelope = burst_integrals(window)
    ratio = 2 * 10 ** ((link.received_level_db - link.noise_density_db) / 10) * energy
    # 2 %: the cycles of the carrier do not average out altogether in so short a window.
    assert link.energy_ratio_2e_n0 == pytest.approx(ratio, rel=0.02)
    assert link.carrier_variance_s2 == pytest.approx(1 / (ratio * with_carrier), rel=0.02)
    assert link.envelope_variance_s2 == pytest.approx(1 / (ratio * envelope), rel=0.02)


def test_plateau_gives_the_energy_of_a_tone():
    """A whole long burst has about 2 E / N0 = 2 * 10^(80/10) * 4 ms, and 1 / (2 pi f sqrt(2 E / N0)) by the carrier."""
    scene = scene_with()
    link = link_budget(scene, scene.pingers[0], 10.0)
    # Build-up and decay take and give a few per cent.
    assert link.energy_ratio_2e_n0 == pytest.approx(2e8 * LENGTH, rel=0.05)
    expected = 1 / (2 * np.pi * F * np.sqrt(link.energy_ratio_2e_n0))
    assert np.sqrt(link.carrier_variance_s2) == pytest.approx(expected, rel=1e-3)
    assert link.envelope_variance_s2 > 100 * link.carrier_variance_s2


def test_more_window_never_hurts_and_none_at_all_observes_nothing():
    scene = scene_with()
    windows = np.array([0.0, 1e-4, 1e-3, 4e-3, np.inf])
    link = link_budget(scene, scene.pingers[0], 10.0, window_s=windows)
    assert np.isinf(link.carrier_variance_s2[0])
    assert np.isinf(link.envelope_variance_s2[0])
    assert (np.diff(link.energy_ratio_2e_n0) >= 0).all()
    assert np.isfinite(link.carrier_variance_s2[1:]).all()
    whole = link_budget(scene, scene.pingers[0], 10.0)
    assert link.energy_ratio_2e_n0[-1] == whole.energy_ratio_2e_n0


def test_ranges_and_windows_broadcast_and_jitter_adds():
    plain, shaky = scene_with(), scene_with(aperture_jitter_s=1e-7)
    ranges, windows = np.array([[2.0], [20.0], [50.0]]), np.array([1e-3, 5e-3])
    link = link_budget(plain, plain.pingers[0], ranges, window_s=windows)
    jittery = link_budget(shaky, shaky.pingers[0], ranges, window_s=windows)
    assert link.carrier_variance_s2.shape == link.received_level_db.shape == (3, 2)
    np.testing.assert_allclose(jittery.carrier_variance_s2 - link.carrier_variance_s2, 1e-14, rtol=1e-6)
    np.testing.assert_allclose(jittery.envelope_variance_s2 - link.envelope_variance_s2, 1e-14, rtol=1e-3)


def test_choice_of_a_cycle_has_less_to_go_by_than_the_envelope_bound():
    scene = scene_with(aperture_jitter_s=1e-7)
    windows = np.array([10e-6, 1e-4, 1e-3])
    link = link_budget(scene, scene.pingers[0], 10.0, window_s=windows)
    assert np.isinf(link.cycle_variance_s2[0])  # less than half a cycle
    assert (link.cycle_variance_s2 > link.envelope_variance_s2).all()
    of_burst = cycle_choice_variance(
        link.energy_ratio_2e_n0, windows, frequency_hz=F, length_s=LENGTH, q=Q, n_channels=2
    )
    np.testing.assert_allclose(link.cycle_variance_s2, of_burst + 1e-14)


def test_coarse_conversion_raises_the_noise():
    scene = scene_with(bits=8, gain_db=0.0)
    link = link_budget(scene, scene.pingers[0], 10.0)
    assert link.noise_density_db > 61.0


@pytest.mark.parametrize(
    ("arguments", "text"),
    [((0.0, None), "range_m=0 must be finite and above 0"), ((5.0, -1.0), "window_s=-1 must be at least 0")],
)
def test_wrong_arguments_are_refused_with_their_value(arguments, text):
    scene = scene_with()
    with pytest.raises(ParameterError, match=text):
        link_budget(scene, scene.pingers[0], arguments[0], window_s=arguments[1])
