"""Noise-free segments of many pings at once against the recursion that renders recordings."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.render.bursts import SampleTimes, ping_pressure
from acoustics.propagate.render.segments import ping_segments
from acoustics.scene.scenario import load_scene, shipped

POOL = load_scene(shipped("examples")["mallard-basin"])
RATE, LEAD_S, LENGTH_S = 200e3, 3e-4, 1.5e-3


@pytest.mark.parametrize("sweep_hz", [0.0, 4000.0])
def test_segments_are_what_a_recording_of_the_same_paths_holds(sweep_hz):
    pinger = POOL.pingers[0].model_copy(update={"sweep_hz": sweep_hz})
    places = np.array([[6.0, 5.0, 0.8], [17.0, 9.0, 1.2]])
    sites = places[:, None] + POOL.array.positions_m
    paths = arrivals(POOL, sites, pinger.position_m, frequency_hz=pinger.frequency_hz, horizon_s=2e-3)
    found = ping_segments(pinger, paths, sample_rate_hz=RATE, lead_s=LEAD_S, length_s=LENGTH_S)
    times = SampleTimes(1 / RATE, np.zeros(sites.shape[1]))
    for k in range(len(places)):
        start = LEAD_S - paths.delay_s[k, 0, 0]
        first, pressure = ping_pressure(pinger, start, paths.delay_s[k], paths.amplitude[k], paths.valid[k], times)
        whole = np.vstack([np.zeros((first, pressure.shape[1])), pressure.real])[: found.shape[-1]].T
        np.testing.assert_allclose(found[k], whole, atol=1e-9 * np.abs(whole).max())
