"""What an array allows for a given strength of the ping, as text."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.array_bound import Bound
from acoustics.present.text.tables import number, table

_ROWS = 12


def bound_headline(result: Bound) -> str:
    """How good the bearing can be, at best and at worst, in one sentence."""
    best, worst = (number(float(sd)) for sd in (result.bearing_sd_deg.min(), result.bearing_sd_deg.max()))
    return (
        f"{result.n_hydrophones} hydrophones, {result.frequency_hz / 1e3:g} kHz, 2E/N0 {result.energy_ratio_db:.1f} "
        f"dB: the bearing is good to {best} deg at best and {worst} deg at worst (bound)."
    )


def bound_text(result: Bound) -> str:
    """Bearing and depression by bearing, a dozen rows at most, and the RMS over all of them."""
    strength = f"2E/N0 {result.energy_ratio_db:.1f} dB"
    if result.snr_db is not None and result.bandwidth_hz is not None:
        strength += f" (SNR {result.snr_db:.1f} dB in {result.bandwidth_hz:g} Hz)"
    every = max(-(-len(result.bearing_deg) // _ROWS), 1)
    rows = [
        (f"{bearing:.0f}", number(bearing_sd), number(depression_sd))
        for bearing, bearing_sd, depression_sd in zip(
            result.bearing_deg[::every], result.bearing_sd_deg[::every], result.depression_sd_deg[::every], strict=True
        )
    ]
    rms = float(np.sqrt(np.mean(result.bearing_sd_deg**2)))
    return "\n".join(
        [
            f"{result.n_hydrophones} hydrophones, {result.frequency_hz / 1e3:g} kHz, {strength}; "
            f"timing of one arrival {number(1e6 * result.arrival_sd_s)} us",
            f"Least standard deviation at {result.depression_deg:g} deg depression (Cramer-Rao bound, right cycle)",
            "",
            table(("bearing deg", "of bearing deg", "of depression deg"), rows),
            "",
            f"RMS over the bearings: {number(rms)} deg",
        ]
    )
