"""Absorption: limits, validity and refusals. Published values stand in tests/published."""

import warnings

import numpy as np
import pytest

from acoustics.base.errors import ParameterError, ValidityWarning
from acoustics.physics.absorption import (
    absorption_ainslie_mccolm1998_db_per_km,
    absorption_francois_garrison1982_db_per_km,
)

BOTH = [absorption_francois_garrison1982_db_per_km, absorption_ainslie_mccolm1998_db_per_km]


@pytest.mark.parametrize("absorption", BOTH)
def test_fresh_water_has_the_viscous_term_alone(absorption):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fresh = absorption([15e3, 30e3, 60e3], temperature_degc=26.0, salinity_psu=0.0, ph=7.4)
    # Viscous absorption goes with the square of the frequency (Stokes; textbook).
    np.testing.assert_allclose(fresh[1:] / fresh[:-1], 4.0, rtol=1e-12)


@pytest.mark.parametrize("absorption", BOTH)
def test_salt_adds_and_depth_takes_away(absorption):
    water = {"temperature_degc": 10.0}
    salty = absorption(30e3, salinity_psu=[0.0, 10.0, 20.0, 35.0], **water)
    assert (np.diff(salty) > 0).all()
    deep = absorption(30e3, salinity_psu=35.0, depth_m=[0.0, 500.0, 2000.0], **water)
    assert (np.diff(deep) < 0).all()


def test_the_two_branches_of_the_viscous_term_meet_at_20_degrees():
    # Francois & Garrison (1982): 2.201e-4 and 2.200e-4 dB/km/kHz^2 on the two sides.
    cold, warm = absorption_francois_garrison1982_db_per_km(1e6, temperature_degc=[20.0, 20.0 + 1e-9], salinity_psu=0.0)
    assert warm == pytest.approx(cold, rel=1e-3)


@pytest.mark.parametrize("absorption", BOTH)
def test_broadcasts(absorption):
    result = absorption(
        np.full((3, 1, 1), 30e3),
        temperature_degc=np.full((4, 1), 10.0),
        salinity_psu=35.0,
        depth_m=np.zeros(2),
    )
    assert result.shape == (3, 4, 2)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"frequency_hz": 0.0}, "frequency_hz=0 must be finite and above 0"),
        ({"salinity_psu": -1.0}, "salinity_psu=-1 must be finite and at least 0"),
        ({"depth_m": -1.0}, "depth_m=-1 must be finite and at least 0"),
        ({"ph": 15.0}, "ph=15 must be .* at most 14"),
        ({"temperature_degc": np.inf}, "temperature_degc=inf must be finite"),
    ],
)
@pytest.mark.parametrize("absorption", BOTH)
def test_refuses(absorption, arguments, message):
    given = {"frequency_hz": 30e3, "temperature_degc": 10.0, "salinity_psu": 35.0} | arguments
    with pytest.raises(ParameterError, match=message):
        absorption(given.pop("frequency_hz"), **given)


@pytest.mark.parametrize(
    ("absorption", "arguments", "message"),
    [
        (
            BOTH[0],
            {"frequency_hz": 2e6},
            "Francois & Garrison 1982: frequency_hz=2e.06 is outside 200 to 1e.06 Hz",
        ),
        (BOTH[0], {"temperature_degc": 32.0}, "temperature_degc=32 is outside -2 to 30 deg C"),
        (
            BOTH[0],
            {"temperature_degc": 45.0, "salinity_psu": 0.3},
            "temperature_degc=45 is outside -2 to 40 deg C",
        ),
        (BOTH[0], {"salinity_psu": 45.0}, "salinity_psu=45 is outside 0 to 40 ppt"),
        (BOTH[0], {"depth_m": 7001.0}, "depth_m=7001 is outside 0 to 7000 m"),
        (BOTH[0], {"ph": 7.0}, "ph=7 is outside 7.7 to 8.3"),
        (
            BOTH[1],
            {"temperature_degc": 36.0},
            "Ainslie & McColm 1998: temperature_degc=36 is outside -6 to 35 deg C",
        ),
        (BOTH[1], {"salinity_psu": 3.0}, "salinity_psu=3 is outside 5 to 50 ppt"),
    ],
)
def test_warns_outside_the_range(absorption, arguments, message):
    given = {"frequency_hz": 30e3, "temperature_degc": 10.0, "salinity_psu": 35.0} | arguments
    with pytest.warns(ValidityWarning, match=message):
        absorption(given.pop("frequency_hz"), **given)
