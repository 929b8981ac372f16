"""The share of samples at the ends of the converter's range, counted over the whole recording."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.estimate.locate import LocateOptions, Tally, locate
from acoustics.io.streams import SampleStream
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.simulate import sidecar_of_scene

SCENE = load_scene(shipped("examples")["mallard-basin"])


@pytest.mark.parametrize(("sd_v", "share"), [(0.1, 0.0), (1.0, 0.3173), (3.0, 0.7389)])
def test_clipped_noise_is_counted_by_its_worst_channel(sd_v, share):
    """Beyond one and a third of a standard deviation lie 31.73 and 73.89 % of a normal distribution."""
    rng, rate = np.random.default_rng(3), SCENE.recorder.sample_rate_hz
    noise = sd_v * rng.standard_normal((4, int(0.3 * rate))) * np.array([[1.0], [0.1], [0.1], [0.1]])
    blocks = iter(np.array_split(np.clip(noise, -1.0, 1.0).astype(np.float32), 7, axis=1))
    tally = Tally()
    stream = SampleStream(blocks, 4, rate, 1.0, "noise", noise.shape[1])
    assert list(locate(stream, sidecar_of_scene(SCENE), LocateOptions(), tally=tally)) == []
    # A share of 75,000 samples varies by 0.17 % at most.
    assert tally.clipped_share == pytest.approx(share, abs=0.008)
