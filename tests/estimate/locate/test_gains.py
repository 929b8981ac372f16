"""Gains that differ from channel to channel, as the notes say or do not say, are no echoes."""

from __future__ import annotations

import numpy as np
from rendered import with_a_ping

from acoustics.estimate.locate import LocateOptions, first_pings
from acoustics.propagate.render.draw import draw_recording
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.locate import stream_of
from acoustics.study.simulate import sidecar_of

POOL = load_scene(shipped("examples")["mallard-basin"])


def test_gains_that_the_notes_leave_open_do_not_unsettle_a_wide_array():
    wide = load_array("mixed-5").model_copy(update={"mount_m": POOL.array.mount_m})
    uneven = POOL.recorder.model_copy(update={"gain_sd_db": 8.0})
    scene = POOL.model_copy(update={"array": wide, "recorder": uneven})
    drawn = [with_a_ping(draw_recording(scene, seconds=0.1, seed=seed, echoes=False)) for seed in range(40)]
    told = [sidecar_of(one, "wav32") for one in drawn]
    assert {one.gain_sd_db for one in told} == {8.0}
    silent = [one.model_copy(update={"gain_sd_db": 0.0}) for one in told]
    doubt = []
    for notes in (told, silent):
        pings = first_pings([(stream_of(one), its) for one, its in zip(drawn, notes, strict=True)], LocateOptions())
        doubt.append(np.array([1.0 - ping.integer_probability for ping in pings if ping is not None and ping.ok]))
    # Without the word some are taken for pings beside echoes, whose onsets choose no integers.
    assert max(doubt[0]) < 0.01 < 0.1 < max(doubt[1])
    assert 100 * np.median(doubt[0]) < np.median(doubt[1])
