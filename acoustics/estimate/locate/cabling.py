"""Whether the pings of a recording were heard through the channels that the notes name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from acoustics.estimate.direction import NEAREST_M, WiringMemory, wiring_odds
from acoustics.estimate.tdoa import Tdoa, TdoaMeasurement
from acoustics.io.ping import Ping
from acoustics.physics.error_model import channel_variance_s2
from acoustics.physics.tdoa import curvature_covariance, difference_matrix

WRONGLY_WIRED = "channels are swapped or of the wrong polarity: see the flags"


def wiring_checked(ping: Ping, measured: TdoaMeasurement, memory: WiringMemory, working: Sequence[str]) -> Ping:
    """The ping, refused if it and those before it fit other cables better than the noted ones.

    `memory` is kept from ping to ping; `working` are the channels that have not failed, whether they hear this ping
    or not. Onsets alone know no polarity, and are not asked.
    """
    if ping.method == "onset":
        return ping
    memory.consider(working)
    if memory.wants_more:
        memory.add(partial(_odds, ping, measured))
    if not memory.suspected:
        return ping
    return replace(
        ping,
        ok=False,
        reason=WRONGLY_WIRED,
        flags=(*ping.flags, suspicion_words(memory)),
        position_m=None,
        position_covariance_m2=None,
        site_position_m=None,
    )


def suspicion_words(memory: WiringMemory) -> str:
    """What the pings fit better than the notes; empty if nothing is suspected."""
    if not memory.suspected:
        return ""
    faults = [
        f"channels '{channels[0]}' and '{channels[1]}' are swapped"
        if len(channels) == 2
        else f"channel '{channels[0]}' is inverted"
        for channels in memory.suspected
    ]
    return "the pings do not fit the channels as noted, but they do if " + ", or ".join(faults)


def _odds(ping: Ping, measured: TdoaMeasurement) -> dict[tuple[str, ...], float]:
    n, speed = len(ping.channels), ping.sound_speed_m_s
    d = difference_matrix(n, measured.tdoa.reference)
    bent = np.diag(channel_variance_s2(ping.skew_sd_s, ping.tolerances_m, speed))
    bent = bent + curvature_covariance(ping.hydrophones_m, speed, NEAREST_M)
    return wiring_odds(
        Tdoa(measured.tdoa.tdoa_s, measured.noise_covariance_s2, measured.tdoa.reference),
        Tdoa(measured.envelope_delay_s, measured.envelope_covariance_s2, measured.tdoa.reference),
        measured.onsets,
        ping.hydrophones_m,
        d @ bent @ d.T,
        speed,
        ping.sound_speed_sd_m_s,
        ping.frequency_hz,
        ping.channels,
        window_s=ping.window_s,
    )
