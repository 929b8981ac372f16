"""Levels: definitions of ISO 18405:2017 and plain arithmetic."""

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.physics.levels import (
    amplitude_sd_from_level,
    power_ratio_db,
    power_sum_db,
    pressure_from_level_pa,
    received_level_db,
    spherical_spreading_loss_db,
)

# ISO 18405:2017: 20 log10(p / 1 uPa).
PRESSURES = {0.0: 1e-6, 120.0: 1.0, 180.0: 1e3, 126.0205999: 2.0}


@pytest.mark.parametrize(("level", "pressure"), PRESSURES.items())
def test_pressure_and_level(level, pressure):
    assert pressure_from_level_pa(level) == pytest.approx(pressure, rel=1e-8)


@pytest.mark.parametrize(("range_m", "loss_db"), {1.0: 0.0, 10.0: 20.0, 100.0: 40.0, 0.5: -6.0206}.items())
def test_spherical_spreading(range_m, loss_db):
    # Urick (1983), section 5.2: 6 dB per doubling of the distance.
    assert spherical_spreading_loss_db(range_m) == pytest.approx(loss_db, abs=1e-4)


def test_amplitude_spread_of_a_level():
    # Statistics of drawn levels: the deviation of 10^(x / 20), to 1 % as of 100,000 draws, and a tenth more at 4 dB.
    level_db = np.random.default_rng(1).standard_normal(100_000)
    for sd_db, within in ((0.5, 0.01), (4.0, 0.2)):
        assert amplitude_sd_from_level(sd_db) == pytest.approx(np.std(10 ** (sd_db * level_db / 20)), rel=within)


def test_received_level():
    # By hand: 180 - 20 log10(100) - 10 dB/km * 0.1 km.
    assert received_level_db(180.0, 100.0, 10.0) == pytest.approx(139.0, abs=1e-12)
    assert received_level_db(180.0, np.ones((3, 1)), np.zeros(2)).shape == (3, 2)


def test_power_sum():
    assert power_sum_db(60.0, 60.0) == pytest.approx(63.0103, abs=1e-4)  # twice the power
    assert power_sum_db(60.0, 60.0, 60.0) == pytest.approx(64.7712, abs=1e-4)  # three times
    assert power_sum_db(-4000.0, -4000.0) == pytest.approx(-3996.9897, abs=1e-4)  # where 10^(L/10) underflows


def test_power_sum_of_nothing_with_something():
    assert power_sum_db(-np.inf, 60.0) == pytest.approx(60.0, abs=1e-12)
    assert power_sum_db(-np.inf, -np.inf) == -np.inf
    np.testing.assert_allclose(power_sum_db([0.0, 10.0], -np.inf), [0.0, 10.0], atol=1e-12)


def test_refusals():
    with pytest.raises(ParameterError, match="range_m=0 must be finite and above 0"):
        spherical_spreading_loss_db([1.0, 0.0])
    with pytest.raises(ParameterError, match="absorption_db_per_km=-1 must be finite and at least 0"):
        received_level_db(180.0, 10.0, -1.0)
    with pytest.raises(ParameterError, match="must hold at least one level"):
        power_sum_db()


def test_power_ratio():
    # IEC 60027-3:2002: twice the power is 3.01 dB, ten times 10 dB, none at all minus infinity.
    np.testing.assert_allclose(power_ratio_db([2.0, 10.0, 0.5]), [3.0103, 10.0, -3.0103], atol=1e-4)
    assert power_ratio_db(0.0) == -np.inf
