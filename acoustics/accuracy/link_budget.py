"""From the pinger's source level to the variance of an arrival time: the link that bounds and simulation share."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.build_up import cycle_choice_variance
from acoustics.physics.levels import received_level_db
from acoustics.physics.timing_bounds import arrival_time_variance
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@record
class LinkBudget:
    """What one hydrophone gets of one ping; all of shape (...).

    Attributes
    ----------
    received_level_db : ndarray
        Of the direct arrival on the burst's plateau [dB re 1 uPa, rms].
    noise_density_db : ndarray
        One-sided noise density of the channel [dB re 1 uPa^2/Hz].
    energy_ratio_2e_n0 : ndarray
        ``2 E / N0`` of the part of the burst that counts [1].
    carrier_variance_s2, envelope_variance_s2 : ndarray
        Cramer-Rao bound of the arrival time with the carrier's phase used, the cycle known, and by the envelope
        alone [s^2], jitter included. Infinite without energy.
    cycle_variance_s2 : ndarray
        Variance of each arrival by the envelope as it counts in the choice among cycles, a prediction by
        `cycle_choice_variance` [s^2], jitter included. Infinite in half a cycle and less.
    """

    received_level_db: Floats
    noise_density_db: Floats
    energy_ratio_2e_n0: Floats
    carrier_variance_s2: Floats
    envelope_variance_s2: Floats
    cycle_variance_s2: Floats


def link_budget(scene: Scene, pinger: Pinger, range_m: ArrayLike, *, window_s: ArrayLike | None = None) -> LinkBudget:
    """Levels and arrival time variances of a pinger at ranges.

    Parameters
    ----------
    scene : Scene
        For its water, noise and recorder, and the number of its hydrophones, on which the choice among cycles depends
        a little.
    pinger : Pinger
        The source.
    range_m : array_like, shape (...)
        Distance from the pinger to a hydrophone [m], above zero.
    window_s : array_like, shape (...), optional
        Time from the direct arrival until echoes spoil it [s]; energy counts only inside. None: the whole burst.

    Returns
    -------
    LinkBudget

    Raises
    ------
    ParameterError
        A range that is not positive or a negative window.

    Notes
    -----
    ``2 E / N0 = 2 * 10^((RL - NL) / 10) * T`` with received level RL, noise density level NL and T the integral of
    the squared burst of unit rms. The converter's aperture jitter is taken as common to the samples of a burst,
    the worst case: its variance adds as it stands.
    """
    range_m = checked("range_m", range_m, above=0.0)
    # A window this long holds the whole burst with its decay.
    whole = pinger.length_s + 50.0 * pinger.q / pinger.frequency_hz
    window = np.asarray(whole) if window_s is None else checked("window_s", window_s, minimum=0.0, allow_infinite=True)
    moments = pinger.moments(np.minimum(window, whole))
    received = received_level_db(pinger.source_level_db, range_m, scene.water.absorption_db_per_km(pinger.frequency_hz))
    noise = scene.noise_density_db(pinger.frequency_hz)
    ratio = 2.0 * 10.0 ** ((received - noise) / 10.0) * moments.energy_s
    jitter = scene.recorder.aperture_jitter_s**2
    received, noise, ratio = np.broadcast_arrays(received, noise, ratio)
    choice = cycle_choice_variance(
        ratio, np.minimum(window, whole), frequency_hz=pinger.frequency_hz, length_s=pinger.length_s, q=pinger.q,
        sweep_hz=pinger.sweep_hz, n_channels=len(scene.array.hydrophones),
    )  # fmt: skip
    return LinkBudget(
        received_level_db=received,
        noise_density_db=noise,
        energy_ratio_2e_n0=ratio,
        carrier_variance_s2=arrival_time_variance(ratio, moments.mean_square_angular_frequency) + jitter,
        envelope_variance_s2=arrival_time_variance(ratio, moments.mean_square_angular_bandwidth) + jitter,
        cycle_variance_s2=choice + jitter,
    )
