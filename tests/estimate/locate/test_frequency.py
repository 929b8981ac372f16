"""`locate` says at which frequency a ping was heard, and does not give another's sound to a pinger."""

from __future__ import annotations

import numpy as np
import pytest

import acoustics
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.simulate import sidecar_of_scene

SCENE = load_scene(shipped("examples")["quay-nine"])


def heard(tmp_path, off_hz):
    """Pings of the example's pinger off its frequency by so much, located by notes that do not know."""
    moved = SCENE.pingers[0].model_copy(update={"frequency_hz": SCENE.pingers[0].frequency_hz + off_hz})
    path = tmp_path / "heard.wav"
    acoustics.simulate(SCENE.model_copy(update={"pingers": (moved,)}), path, pings=2, seed=3)
    return acoustics.locate(path, sidecar_of_scene(SCENE))


@pytest.mark.parametrize("off_hz", [0.0, 120.0])
def test_the_frequency_is_measured(off_hz, tmp_path):
    pings = heard(tmp_path, off_hz)
    assert len(pings) == 2
    for ping in pings:
        assert ping.ok
        assert ping.frequency_hz == 37_500.0
        assert ping.measured_frequency_hz == pytest.approx(37_500.0 + off_hz, abs=10.0)
    assert f"{(37_500 + off_hz) / 1e3:.2f} kHz" in str(pings)


def test_a_sound_of_another_frequency_is_not_the_pingers(tmp_path):
    pings = heard(tmp_path, 900.0)
    assert len(pings), "so loud a burst is heard through a side lobe"
    for ping in pings:
        assert not ping.ok
        assert ping.measured_frequency_hz == pytest.approx(38_400.0, abs=50.0)
        assert "which is not the 37500 Hz of 'violet pinger'" in ping.reason


def test_lines_without_the_frequency_are_read_and_lines_with_it_come_back(tmp_path):
    from acoustics.io.ping_lines import ping_from_table, ping_table

    (ping, *_) = heard(tmp_path, 0.0)
    table = ping_table(ping)
    assert ping_from_table(table, "line").measured_frequency_hz == ping.measured_frequency_hz
    del table["measured_frequency_hz"]
    assert np.isnan(ping_from_table(table, "line").measured_frequency_hz)
