"""What a scene implies: the share of pings heard, against the noncentral chi-square distribution of scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, ncx2

from acoustics.accuracy.link_budget import link_budget
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.check import summary

pytestmark = pytest.mark.usefixtures("few")

HARBOUR = load_scene(shipped("examples")["quay-nine"])


def test_pings_fade_with_range_as_the_sonar_equation_says():
    weak = HARBOUR.pingers[0].model_copy(update={"source_level_db": 135.0})
    seen = summary(HARBOUR, weak)
    assert seen.heard[0] > 0.99 and seen.heard[-1] < 0.01
    assert (np.diff(seen.heard) <= 1e-12).all()
    # Independently: 8 degrees of freedom of four quadrature filters; the decimated filter's output comes at some
    # multiple of the band, so one false alarm an hour is between 1e-8 and 1e-6 of an output.
    ratio = link_budget(HARBOUR, weak, seen.range_m).energy_ratio_2e_n0
    n = 2 * len(HARBOUR.array.hydrophones)
    rare, often = (ncx2.sf(chi2.isf(p, n), n, n / 2 * ratio) for p in (1e-8, 1e-6))
    assert ((rare <= seen.heard + 1e-9) & (seen.heard <= often + 1e-9)).all()


def test_a_stronger_pinger_is_heard_as_far_or_farther():
    near, far = (
        summary(HARBOUR, HARBOUR.pingers[0].model_copy(update={"source_level_db": s})).heard for s in (130, 140)
    )
    assert (far >= near).all() and far.sum() > near.sum()


@pytest.mark.parametrize("example", shipped("examples"))
def test_the_shipped_pingers_are_heard_from_where_the_vehicle_stands(example):
    scene = load_scene(shipped("examples")[example])
    seen = summary(scene, scene.pingers[0])
    own = np.linalg.norm(np.subtract(scene.vehicle.position_m, scene.pingers[0].position_m))
    assert seen.heard[np.argmin(np.abs(seen.range_m - own))] > 0.999


@pytest.mark.parametrize(("frequency_hz", "remarked"), [(2.5e3, True), (25e3, False), (250e3, True)])
def test_a_frequency_that_no_pinger_has_is_remarked(frequency_hz, remarked):
    odd = HARBOUR.pingers[0].model_copy(update={"frequency_hz": frequency_hz})
    said = [remark for remark in summary(HARBOUR, odd).remarks if "common pingers" in remark]
    assert bool(said) == remarked
    if remarked:
        assert f"{frequency_hz / 1e3:g} kHz" in said[0]


def test_pingers_that_no_burst_tells_apart_are_remarked():
    (pinger,) = HARBOUR.pingers
    remarks = {}
    for apart_hz in (0.0, 1000.0):
        other = pinger.model_copy(update={"name": "other", "frequency_hz": pinger.frequency_hz + apart_hz})
        both = HARBOUR.model_copy(update={"pingers": (pinger, other)})
        remarks[apart_hz] = [remark for remark in summary(both, pinger).remarks if "cannot be told apart" in remark]
    assert len(remarks[0.0]) == 1 and remarks[1000.0] == []
    # The first zero of a burst's spectrum lies one over its length off the carrier.
    assert f"Set them at least {1 / pinger.length_s:.0f} Hz apart." in remarks[0.0][0]
