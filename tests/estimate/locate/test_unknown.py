"""Sounds that no pinger of the notes makes are listed, and those of known pingers are not."""

from __future__ import annotations

import numpy as np
import pytest

import acoustics
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.simulate import sidecar_of_scene

SCENE = load_scene(shipped("examples")["quay-nine"])


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """The example's pinger at 37.5 kHz every two seconds, and a stranger at 28 kHz, 1.3 s apart, nearly as loud."""
    path = tmp_path_factory.mktemp("strange") / "two.wav"
    (known,) = SCENE.pingers
    stranger = known.model_copy(
        update={"name": "stranger", "frequency_hz": 28e3, "pri_s": 1.3, "position_m": (50.0, 15.0, 4.0)}
    )
    acoustics.simulate(SCENE.model_copy(update={"pingers": (known, stranger)}), path, seconds=6.0, seed=2)
    return path


def test_a_pinger_that_the_notes_do_not_name_is_listed(recording):
    pings = acoustics.locate(recording, sidecar_of_scene(SCENE))
    assert {ping.pinger for ping in pings} == {SCENE.pingers[0].name}
    (sound,) = pings.unknown
    assert sound.frequency_hz == pytest.approx(28e3, abs=500)
    assert sound.count in (4, 5)  # 6 s in steps of 1.3 s, from somewhere in the first
    assert f"Unknown sound, no pinger of the notes: {sound.frequency_hz / 1e3:.1f} kHz" in str(pings)


@pytest.mark.slow
def test_known_pingers_and_noise_are_no_unknown_sounds(recording):
    assert acoustics.locate(recording).unknown == ()  # with the notes that name both
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((2, 500_000))
    places = [[0.0, 0.0, 0.0], [0.02, 0.0, 0.0]]
    assert (
        acoustics.bearings(noise, sample_rate_hz=250e3, frequency_hz=30e3, positions_m=places, length_s=4e-3).unknown
        == ()
    )
