"""Predicted shares and errors of wrong integers against pings that are drawn and put through the vehicle's search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from acoustics.accuracy.ambiguity import integer_ambiguity
from acoustics.base.frames import Floats
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.scenario import load_array, shipped
from acoustics.study.draws import ArrivalErrors, simulate_bearings

F, C = 30e3, 1480.0
BEARINGS = np.arange(24) * np.pi / 12


@dataclass(frozen=True)
class Case:
    """An array, scaled, and errors of one arrival in cycles: by noise on carrier and envelope, by skew on both."""

    array: str
    scale: float
    depression: float
    envelope: float
    skew: float
    shift: float = 0.0
    carrier: float = 0.01

    @property
    def hydrophones_m(self) -> Floats:
        return self.scale * load_array(shipped("arrays")[self.array]).positions_m

    @property
    def shifts_s(self) -> Floats:
        """Of carrier and envelope, drawn once for each bearing and hydrophone, (2, 24, n) [s]: as those by echoes,
        alike in all pings from there."""
        return np.random.default_rng(7).normal(size=(2, 24, len(self.hydrophones_m))) * self.shift / F


CASES = {
    # Five close together and one far off know one direction much better than the other two: the noise that makes a
    # wrong set win turns the bearing as far as the set itself.
    "errors of an uneven array": Case("mixed-5", 1.0, 0.2, envelope=0.4, skew=0.01),
    # What moves carrier and envelope alike hides no cycle.
    "skew": Case("hull-4", 1.0, 0.2, envelope=0.16, skew=0.06),
    # What is alike in all pings is no noise: here most shifts are too small to matter, whatever their square adds.
    "shifts": Case("corner-3", 4.0, 0.4, envelope=0.14, skew=0.01, shift=0.06),
    # Near the plane of a flat array noise brings the right direction off those that exist, too.
    "in the plane": Case("corner-3", 4.0, 0.04, envelope=0.17, skew=0.01),
}


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_wrong_integers_are_as_many_and_err_as_much_as_predicted(case):
    each = 2000
    sizes = ErrorSizes(skew_sd_s=np.array(case.skew / F))
    shifts = case.shifts_s
    errors = ArrivalErrors(
        (case.carrier / F) ** 2, (case.envelope / F) ** 2, sizes, *(np.tile(shift, (each, 1)) for shift in shifts)
    )
    drawn = simulate_bearings(
        case.hydrophones_m,
        np.tile(BEARINGS, each),
        np.full(24 * each, case.depression),
        C,
        errors,
        F,
        np.random.default_rng(3),
    )
    found = integer_ambiguity(
        case.hydrophones_m,
        BEARINGS,
        case.depression,
        C,
        frequency_hz=F,
        carrier_variance_s2=errors.phase_variance_s2,
        envelope_variance_s2=errors.envelope_variance_s2,
        common_variance_s2=sizes.channel_variance_s2(C),
        carrier_shift_s=shifts[0],
        envelope_shift_s=shifts[1],
    )
    share = float(found.wrong_probability.mean())
    rms = np.sqrt((found.wrong_probability * found.wrong_bearing_rms**2).mean() / share)
    wrong = drawn.wrong_integer
    # 3 standard errors, and 3 % for the surface of existing directions taken at its tangent.
    known = np.sqrt(share * (1.0 - share) / len(wrong))
    assert wrong.mean() == pytest.approx(share, abs=3.0 * known + 0.03 * share)
    # From 300 wrong pings on an RMS of few sizes is known to 4 % or better; twice that.
    assert np.sqrt(np.mean(drawn.error[wrong] ** 2)) == pytest.approx(rms, rel=0.08)


def test_an_uneven_arrays_wrong_pings_err_by_more_than_their_jump():
    """By the likeliest wrong set's own jump the noise that goes with it would be left out."""
    case = CASES["errors of an uneven array"]
    found = integer_ambiguity(
        case.hydrophones_m,
        BEARINGS,
        case.depression,
        C,
        frequency_hz=F,
        carrier_variance_s2=(case.carrier / F) ** 2,
        envelope_variance_s2=(case.envelope / F) ** 2,
    )
    often = found.wrong_probability > 0.01
    assert often.any()
    assert np.median(found.wrong_bearing_rms[often] / np.abs(found.bearing_jump[often])) > 1.1
