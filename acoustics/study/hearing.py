"""How much of what a pinger sends is heard, and what it is worth to be quiet while listening."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.detect import band_detector, detection_probability, filter_bank
from acoustics.physics.levels import power_ratio_db
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.ping_bounds import ping_bounds

AS_PLANNED = "as planned"
WELL_HEARD = 0.9  # share of pings; a crew that waits for a few pings is not held up by one in ten
_FALSE_ALARMS_PER_HOUR = 1.0  # what `locate` takes if nothing else is asked
_RANGES_M = np.geomspace(1.0, 20_000.0, 600)


@record
class Listening:
    """What one noise state of the vehicle leaves of a pinger, the vehicle where the scene has it.

    Attributes
    ----------
    state : str
        Name of the state; 'as planned' for noise.self_noise_density_db, with which all other questions count.
    noise_density_db : float
        Of water, vehicle and quantisation together [dB re 1 uPa^2/Hz].
    energy_ratio_db : float
        2E/N0 of the burst inside the multipath-free window; minus infinite: none.
    heard : float
        Predicted share of pings over the detector's threshold, by the whole burst, without echoes.
    well_heard_m : float
        Largest range at which nine in ten are, by spherical spreading and absorption alone; 0: not even at 1 m.
    bearing_deg, position_m : float
        Cramer-Rao bounds from one ping; infinite: not observed.
    """

    state: str
    noise_density_db: float
    energy_ratio_db: float
    heard: float
    well_heard_m: float
    bearing_deg: float
    position_m: float


def heard_share(scene: Scene, pinger: Pinger, range_m: ArrayLike) -> Floats:
    """Probability that one ping passes the detector of `locate`, shape of `range_m` [m]."""
    # A recorder too slow for the pinger is told of elsewhere.
    rate = max(scene.recorder.sample_rate_hz, pinger.least_sample_rate_hz)
    detector = band_detector(
        step=filter_bank([pinger.burst], rate).steps[0],
        length_s=pinger.length_s,
        pri_s=pinger.pri_s,
        sample_rate_hz=rate,
        false_alarms_per_hour=_FALSE_ALARMS_PER_HOUR,
    )
    energy_ratio = link_budget(scene, pinger, range_m).energy_ratio_2e_n0
    return detection_probability(energy_ratio, len(scene.array.hydrophones), detector.false_alarm_probability)


def by_noise_state(scene: Scene, pinger: Pinger) -> tuple[Listening, ...]:
    """What is left of a pinger in each of the scene's noise states, as planned first; empty where it names none."""
    if not scene.noise.states:
        return ()
    others = {
        state.name: scene.changed({"noise.self_noise_density_db": state.self_noise_density_db})
        for state in scene.noise.states
    }
    return tuple(_listening(name, which, pinger) for name, which in {AS_PLANNED: scene, **others}.items())


def _listening(name: str, scene: Scene, pinger: Pinger) -> Listening:
    bounds = ping_bounds(scene, pinger)
    well = _RANGES_M[heard_share(scene, pinger, _RANGES_M) >= WELL_HEARD]
    return Listening(
        state=name,
        noise_density_db=float(scene.noise_density_db(pinger.frequency_hz)),
        energy_ratio_db=float(power_ratio_db(bounds.link.energy_ratio_2e_n0)),
        heard=float(heard_share(scene, pinger, bounds.place.range_m)),
        well_heard_m=float(well[-1]) if well.size else 0.0,
        bearing_deg=float(bounds.totals[0]),
        position_m=float(bounds.totals[2]),
    )
