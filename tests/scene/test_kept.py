"""What water and pool keep from ping to ping is theirs alone, and the same as worked out anew."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.polygons import clearance
from acoustics.scene.pool import Pool
from acoustics.scene.water import Water


def test_a_copy_of_the_water_keeps_nothing_of_the_old():
    water = Water(temperature_degc=20.0)
    before = float(water.sound_speed_m_s(2.0)), float(water.absorption_db_per_km(30e3))
    warmer = water.model_copy(update={"temperature_degc": 25.0})
    # Fresh water of 20 and 25 degC at the surface, m/s (Del Grosso & Mader 1972, J. Acoust. Soc. Am. 52:1442, table).
    assert float(warmer.sound_speed_m_s(2.0)) - before[0] == pytest.approx(1496.69 - 1482.34, abs=0.05)
    assert float(warmer.absorption_db_per_km(30e3)) != before[1]
    assert float(water.sound_speed_m_s(2.0)) == before[0] == water.sound_speed_m_s([2.0])[0]


@pytest.mark.parametrize("margin_m", [0.0, 0.4, -1e-9])
def test_what_a_convex_pool_contains_is_told_by_the_distance_from_its_edge(margin_m):
    pool = Pool(outline_m=((0.0, 0.0), (8.0, -1.0), (10.0, 4.0), (3.0, 6.0)), depth_m=3.0)
    places = np.random.default_rng(1).uniform([-1.0, -2.0, 1.0], [11.0, 7.0, 2.0], (2000, 3))
    expected = clearance(pool.outline_m, places) >= margin_m
    assert 500 < expected.sum() < 1500
    np.testing.assert_array_equal(pool.contains(places, margin_m), expected)
