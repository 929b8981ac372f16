"""A pinger's pings as samples at the recorder."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.frames import Pose
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.draws.sampled import Listeners, Sampled

POOL = load_scene(shipped("examples")["mallard-basin"])
PINGER = POOL.pingers[0]


def clean(gain_sd_db, n):
    """Samples without noise at one place, as often as there are rows."""
    scene = POOL.changed({"recorder.gain_sd_db": gain_sd_db})
    sampled = Sampled(scene, PINGER)
    at = Listeners.of(scene, Pose(np.tile(POOL.vehicle.position_m, (n, 1)), 0.0, 0.0, np.zeros(n)))
    paths = sampled.paths(at, np.arange(n), PINGER.position_m, 1e-3)
    return sampled.segments(paths, 1e-4, 1e-3, np.random.default_rng(5))[0]


def test_gains_are_drawn_anew_for_each_channel_of_each_ping():
    equal, uneven = clean(0.0, 60), clean(2.0, 60)
    loudest = np.abs(equal).argmax(axis=-1)[..., None]
    gain = np.take_along_axis(uneven, loudest, axis=-1) / np.take_along_axis(equal, loudest, axis=-1)
    np.testing.assert_allclose(uneven, gain * equal, atol=1e-9 * np.abs(equal).max())
    # Of 240 gains a standard deviation is known to 4.6 %: within three of these.
    assert np.std(20 * np.log10(gain)) == pytest.approx(2.0, rel=0.14)
