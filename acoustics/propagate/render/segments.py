"""One ping at many places at once, without noise and without a recorder: short segments about its arrival."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.propagate.arrivals import Arrivals
from acoustics.scene.pinger import Pinger


def ping_segments(pinger: Pinger, paths: Arrivals, *, sample_rate_hz: float, lead_s: float, length_s: float) -> Floats:
    """Pressure of one ping at hydrophones at many places, noise-free.

    Parameters
    ----------
    pinger : Pinger
        What is sent.
    paths : Arrivals
        Of batch shape (m,).
    sample_rate_hz : float
        Sample rate [Hz].
    lead_s : float
        Time from the first sample to the direct arrival at hydrophone 0 [s].
    length_s : float
        Length of the segments [s].

    Returns
    -------
    ndarray, shape (m, n_hydrophones, n_samples)
        Sum over the paths [Pa], exact at any delay: the burst is evaluated, nothing is interpolated.
    """
    burst = pinger.burst
    time = np.arange(int(np.ceil(length_s * sample_rate_hz))) / sample_rate_hz
    delay = paths.delay_s - paths.delay_s[:, :1, :1] + lead_s
    heard = paths.valid & (delay < length_s)
    total = np.zeros((*delay.shape[:2], len(time)))
    for path in np.flatnonzero(heard.any(axis=(0, 1))):
        rows = np.flatnonzero(heard[..., path].any(axis=-1))
        gain = np.where(heard[rows, :, path], pinger.peak_pressure_pa * paths.amplitude[rows, :, path], 0.0)
        late = delay[rows, :, path]
        # Samples before the earliest of these arrivals are silent.
        first = max(int(late.min() * sample_rate_hz), 0)
        since = time[first:] - late[..., None]
        envelope = burst.complex_envelope(since)
        carrier = np.exp(1j * burst.carrier * time[first:])
        turned = (gain * np.exp(-1j * burst.carrier * late))[..., None]
        total[rows, :, first:] += (envelope * carrier * turned).real
    return total
