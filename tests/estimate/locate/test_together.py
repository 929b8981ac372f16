"""First pings of several recordings, measured together, against each by itself."""

from __future__ import annotations

import numpy as np
import pytest
from rendered import with_a_ping

from acoustics.estimate.locate import LocateOptions, first_pings, locate
from acoustics.propagate.render.draw import ChannelFaults, draw_recording
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.locate import stream_of
from acoustics.study.simulate import sidecar_of

POOL = load_scene(shipped("examples")["mallard-basin"])


def recording(seed, *, failed=(), louder_db=0.0):
    """A tenth of a second with one ping, drawn with instruments, mounting and water of its own."""
    loud = POOL.pingers[0].model_copy(update={"source_level_db": POOL.pingers[0].source_level_db + louder_db})
    scene = POOL.model_copy(update={"pingers": (loud,)})
    return with_a_ping(draw_recording(scene, seconds=0.1, seed=seed, faults=ChannelFaults(failed=failed)))


@pytest.mark.parametrize("method", ["phase", "correlation"])
def test_each_has_the_answer_that_it_has_alone(method):
    """One has a dead channel, one is too weak to be heard; sound speeds differ, as instruments do."""
    name = POOL.array.hydrophones[1].name
    drawn = [recording(1), recording(2, failed=(name,)), recording(3, louder_db=-120.0), recording(4), recording(5)]
    notes = [sidecar_of(one, "wav32") for one in drawn]
    assert len({one.sound_speed_m_s for one in notes}) == len(notes)
    options = LocateOptions(method)
    together = first_pings([(stream_of(one), its) for one, its in zip(drawn, notes, strict=True)], options)
    alone = [next(locate(stream_of(one), its, options), None) for one, its in zip(drawn, notes, strict=True)]
    assert [ping is None for ping in together] == [ping is None for ping in alone] == [False, False, True, False, False]
    for mine, its in zip(together, alone, strict=True):
        if mine is None:
            continue
        assert (mine.ok, mine.reason, mine.flags, mine.channels) == (its.ok, its.reason, its.flags, its.channels)
        assert (mine.time_s, mine.window_s) == pytest.approx((its.time_s, its.window_s), rel=1e-9)
        np.testing.assert_allclose(mine.tdoa_s, its.tdoa_s, rtol=0, atol=1e-13)  # rounding, of microseconds
        bearings, expected = ([c.bearing for c in ping.candidates] for ping in (mine, its))
        np.testing.assert_allclose(bearings, expected, atol=1e-6)
