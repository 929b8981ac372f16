"""What the live part of the report needs of a scene, and the figures that it must show.

The page computes in the reader's browser from `LiveModel` alone. `live_figures` answers the same question with the
package's own functions, so that a test can hold the two together.
"""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.ambiguity import wrong_integer_probability_pair
from acoustics.accuracy.bounds import bearing_bound
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Floats
from acoustics.base.intervals import BEARING_GUESS_SD
from acoustics.base.record import record
from acoustics.physics.levels import power_ratio_db
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.line import waypoints_along_line
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.scene.water import TEMPERATURE_RANGE_DEGC
from acoustics.study.spacing import Sweep, common_spacings

_RANGES = 48
_NEAREST_M = 1.0
_WARMER_DEGC = 10.0
_TEMPERATURES = 81


@record
class LiveModel:
    """Numbers of one scene and pinger.

    Attributes
    ----------
    temperature_degc, sound_speed_m_s, absorption_db_per_km : ndarray, shape (n_temperatures,)
        Of the water at the vehicle's depth.
    range_m, echo_detour_m, depression : ndarray, shape (n_ranges,)
        Places on the line from the pinger through the vehicle: distance [m], how much longer the way of the first
        strong echo is [m] (as long as the burst where there is none), and depression of the pinger [rad].
    cycle_variance_ratio : ndarray, shape (n_ranges,)
        By what factor the envelope's variance in the choice of a cycle exceeds its bound, for the scene as it is.
    spacing_m, sample_rate_hz : ndarray
        What may be chosen.
    shape : ndarray, shape (n_hydrophones, 3)
        Hydrophones for a shortest baseline of 1.
    bearing : ndarray, shape (n_bearings,)
        Over which the error is averaged [rad].
    """

    rank: int
    shape: Floats
    tolerance_m: Floats
    skew_sd_s: float
    jitter_sd_s: float
    sound_speed_sd_m_s: float
    bearing: Floats
    guess_sd: float
    frequency_hz: float
    length_s: float
    q: float
    sweep_hz: float
    source_level_db: float
    water_noise_db: float
    quantisation_density_pa2: float
    quantisation_rate_hz: float
    temperature_degc: Floats
    sound_speed_m_s: Floats
    absorption_db_per_km: Floats
    range_m: Floats
    echo_detour_m: Floats
    depression: Floats
    cycle_variance_ratio: Floats
    spacing_m: Floats
    sample_rate_hz: Floats
    start_temperature_degc: float
    start_range_m: float


@record
class LiveFigures:
    """What the live part shows: all bounds but the last, which is the probability for the shortest pair alone."""

    multipath_free_s: float
    energy_ratio_db: float
    bearing_rms_deg: float
    half_wavelength_m: float
    wrong_integer_pair: float


def live_model(scene: Scene, pinger: Pinger) -> LiveModel:
    """The numbers of the page's live part.

    Raises
    ------
    ParameterError
        As `study_spacing` does.
    """
    sweep = Sweep.of(scene, pinger)
    depth = scene.vehicle.position_m[2]
    here, _ = (float(value) for value in scene.water.at(depth))
    low, high = (float(np.clip(here + d, *TEMPERATURE_RANGE_DEGC)) for d in (-_WARMER_DEGC, _WARMER_DEGC))
    temperature = np.round(np.linspace(low, high, _TEMPERATURES), 2)
    temperature[np.argmin(np.abs(temperature - here))] = here
    own = sweep.range_m
    ranges, waypoints = waypoints_along_line(scene, pinger, np.geomspace(min(_NEAREST_M, own), 4 * own, _RANGES))
    detour = multipath_free_windows(scene, pinger, waypoints) * scene.sound_speed_m_s
    detour[detour >= pinger.length_s * scene.sound_speed_m_s * (1 - 1e-9)] = np.inf
    sensitivity = min(h.sensitivity_db_re_v_per_upa for h in scene.array.hydrophones)
    return LiveModel(
        rank=scene.array.rank,
        shape=sweep.shape_m,
        tolerance_m=scene.array.tolerances_m,
        skew_sd_s=scene.recorder.timing_sd_s(pinger.frequency_hz),
        jitter_sd_s=scene.recorder.aperture_jitter_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        bearing=sweep.bearings,
        guess_sd=float(BEARING_GUESS_SD),
        frequency_hz=pinger.frequency_hz,
        length_s=pinger.length_s,
        q=pinger.q,
        sweep_hz=pinger.sweep_hz,
        source_level_db=pinger.source_level_db,
        water_noise_db=float(scene.noise.density_db(pinger.frequency_hz)),
        quantisation_density_pa2=scene.recorder.quantisation_pressure_density(sensitivity),
        quantisation_rate_hz=scene.recorder.sample_rate_hz,
        temperature_degc=temperature,
        sound_speed_m_s=np.array([_warmed(scene, t).sound_speed_m_s for t in temperature]),
        absorption_db_per_km=np.array(
            [float(_warmed(scene, t).water.absorption_db_per_km(pinger.frequency_hz)) for t in temperature]
        ),
        range_m=ranges,
        echo_detour_m=detour,
        depression=np.arcsin((pinger.position_m[2] - depth) / ranges),
        cycle_variance_ratio=_cycle_variance_ratio(scene, pinger, ranges, detour),
        spacing_m=common_spacings([sweep]),
        sample_rate_hz=np.array([r for r in scene.study.sample_rates_hz if r > 2 * pinger.band_hz[1]]),
        start_temperature_degc=here,
        start_range_m=own,
    )


def live_figures(
    scene: Scene,
    pinger: Pinger,
    model: LiveModel,
    *,
    spacing_m: float,
    sample_rate_hz: float,
    range_index: int,
    temperature_degc: float,
) -> LiveFigures:
    """The same figures by the package's own functions, for one setting of the page's controls."""
    warm = _warmed(scene, temperature_degc)
    warm = warm.model_copy(update={"recorder": warm.recorder.model_copy(update={"sample_rate_hz": sample_rate_hz})})
    speed = warm.sound_speed_m_s
    window = min(float(model.echo_detour_m[range_index]) / speed, pinger.length_s)
    link = link_budget(warm, pinger, float(model.range_m[range_index]), window_s=window)
    bound = bearing_bound(
        spacing_m * model.shape,
        model.bearing,
        float(model.depression[range_index]),
        speed,
        arrival_variance_s2=link.carrier_variance_s2,
        element_sd_m=model.tolerance_m,
        skew_sd_s=model.skew_sd_s,
        sound_speed_sd_m_s=model.sound_speed_sd_m_s,
    )
    rms = np.sqrt(np.mean(np.minimum(bound.bearing_sd, BEARING_GUESS_SD) ** 2))
    half = speed / pinger.frequency_hz / 2
    coarse = link.envelope_variance_s2 * model.cycle_variance_ratio[range_index]
    coarse_sd = np.sqrt(2 * (coarse + model.skew_sd_s**2))
    pair = 0.0 if spacing_m <= half else float(wrong_integer_probability_pair(coarse_sd, pinger.frequency_hz))
    ratio_db = float(power_ratio_db(link.energy_ratio_2e_n0))
    return LiveFigures(window, ratio_db, float(np.rad2deg(rms)), half, pair)


def live_energy_ratio_db(scene: Scene, pinger: Pinger, model: LiveModel) -> Floats:
    """``2 E / N0`` inside the multipath-free window at the model's ranges, for the scene as it is, shape (n_ranges,)
    [dB]."""
    window = np.minimum(model.echo_detour_m / scene.sound_speed_m_s, pinger.length_s)
    ratio = link_budget(scene, pinger, model.range_m, window_s=window).energy_ratio_2e_n0
    return 10 * np.log10(ratio, out=np.full(ratio.shape, np.nan), where=ratio > 0)


def _cycle_variance_ratio(scene: Scene, pinger: Pinger, range_m: Floats, detour_m: Floats) -> Floats:
    window = np.minimum(detour_m / scene.sound_speed_m_s, pinger.length_s)
    link = link_budget(scene, pinger, range_m, window_s=window)
    known = np.isfinite(link.cycle_variance_s2)
    bound = np.where(known, link.envelope_variance_s2, 1.0)
    return np.divide(link.cycle_variance_s2, bound, out=np.full(bound.shape, np.inf), where=known)


def _warmed(scene: Scene, temperature_degc: float) -> Scene:
    """The scene with its water at one temperature throughout, its salinity that at the vehicle."""
    depth = scene.vehicle.position_m[2]
    _, salinity = (float(value) for value in scene.water.at(depth))
    water = scene.water.model_copy(
        update={
            "profile": (),
            "temperature_degc": float(temperature_degc),
            "practical_salinity": None,
            "absolute_salinity_g_kg": salinity,
        }
    )
    return scene.model_copy(update={"water": water})
