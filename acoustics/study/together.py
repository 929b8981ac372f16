"""Several pingers side by side, where the vehicle stands: what array and recorder must serve, and which one decides."""

from __future__ import annotations

from collections.abc import Sequence

from acoustics.base.record import record
from acoustics.physics.levels import power_ratio_db
from acoustics.physics.timing_bounds import half_wavelength_m
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.budget import study_budget
from acoustics.study.hearing import heard_share


@record
class PingerInBrief:
    """One of several pingers.

    Attributes
    ----------
    pinger : str
        Its name.
    frequency_hz, band_top_hz, range_m, free_spacing_m, multipath_free_s, energy_ratio_db : float
        Its frequency and the top of its band, how far it is from the vehicle, the spacing up to which the phase alone
        tells the cycle, the multipath-free window there, and 2E/N0 in it; minus infinite: none.
    heard : float
        Predicted share of pings over the detector's threshold.
    wrong_integer : float
        Predicted share of pings with a wrong integer, by the vehicle's own estimator; NaN: no ping has a bearing.
    predicted_bearing_deg : float
        Predicted error of the bearing by the vehicle's own estimator; infinite: none, or no better than a guess.
    bearing_deg, position_m : float
        Cramer-Rao bounds from one ping; infinite: not observed.
    """

    pinger: str
    frequency_hz: float
    band_top_hz: float
    range_m: float
    free_spacing_m: float
    multipath_free_s: float
    energy_ratio_db: float
    heard: float
    wrong_integer: float
    predicted_bearing_deg: float
    bearing_deg: float
    position_m: float


def pingers_in_brief(scene: Scene, pingers: Sequence[Pinger]) -> tuple[PingerInBrief, ...]:
    """Several of the scene's pingers side by side; of a single one there is nothing to compare, and nothing given."""
    return tuple(_in_brief(scene, pinger) for pinger in pingers) if len(pingers) > 1 else ()


def _in_brief(scene: Scene, pinger: Pinger) -> PingerInBrief:
    budget = study_budget(scene, pinger)
    return PingerInBrief(
        pinger=pinger.name,
        frequency_hz=pinger.frequency_hz,
        band_top_hz=pinger.band_hz[1],
        range_m=budget.range_m,
        free_spacing_m=float(half_wavelength_m(pinger.band_hz[1], scene.sound_speed_m_s)),
        multipath_free_s=budget.multipath_free_s,
        energy_ratio_db=float(power_ratio_db(budget.energy_ratio_2e_n0)),
        heard=float(heard_share(scene, pinger, budget.range_m)),
        wrong_integer=budget.predicted.wrong_integer.value,
        predicted_bearing_deg=budget.predicted.bearing_deg,
        bearing_deg=budget.bearing_deg,
        position_m=budget.position_m,
    )
