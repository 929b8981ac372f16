"""Walls and floors by name: what the names stand for, how keys beside a name count, what is refused."""

import numpy as np
import pytest
from pydantic import ValidationError

from acoustics.physics.layered_reflection import Medium, layered_reflection
from acoustics.physics.reflection import elastic_reflection
from acoustics.scene.material import Material
from acoustics.scene.materials import MATERIALS

GRAZING = np.deg2rad([5.0, 30.0, 60.0, 90.0])
WATER = {"water_density_kg_m3": 998.0, "water_speed_m_s": 1480.0}


@pytest.mark.parametrize("name", MATERIALS)
def test_every_name_says_what_it_is_and_where_it_is_from_and_reflects_no_more_than_comes(name):
    assert MATERIALS[name].what and MATERIALS[name].source
    material = Material.model_validate(name)
    assert material.name == name
    coefficient = material.reflection(np.linspace(0, np.pi / 2, 91), frequency_hz=30e3, **WATER)
    assert (np.abs(coefficient) <= 1 + 1e-6).all()
    assert Material.model_validate(material.model_dump()) == material


def test_names_that_pools_have_are_there():
    assert {"tile", "liner", "steel", "fibreglass", "concrete", "rock", "mud"} <= set(MATERIALS)


def test_a_tank_of_thin_steel_turns_the_sign_and_concrete_does_not():
    # Air behind a plate thinner than a fifth of a wavelength in mass takes the pressure away; a heavy solid keeps it.
    assert Material.model_validate("steel").reflection(np.pi / 2, frequency_hz=1e3, **WATER).real < -0.9
    assert Material.model_validate("concrete").reflection(np.pi / 2, frequency_hz=1e3, **WATER).real > 0.6


def test_keys_beside_a_name_replace_its_own_one_by_one():
    thick = Material.model_validate({"name": "tile", "layer": {"thickness_m": 0.012}})
    known = MATERIALS["tile"]
    expected = layered_reflection(
        GRAZING,
        frequency_hz=40e3,
        **WATER,
        layer=Medium(**{key: value for key, value in known.layer.items() if key != "thickness_m"}),
        thickness_m=0.012,
        behind=Medium(**known.behind),
    )
    np.testing.assert_allclose(thick.reflection(GRAZING, frequency_hz=40e3, **WATER), expected)
    bare = Material.model_validate({"name": "rock", "shear_speed_m_s": 0.0, "shear_attenuation_db_per_wavelength": 0.0})
    values = {"density_kg_m3": 2400.0, "speed_m_s": 3000.0, "shear_speed_m_s": 0.0}
    expected = elastic_reflection(GRAZING, **WATER, **values, attenuation_db_per_wavelength=0.1)
    np.testing.assert_allclose(bare.reflection(GRAZING, frequency_hz=30e3, **WATER), expected)


def test_a_coefficient_under_a_known_name_is_only_a_coefficient():
    material = Material.model_validate({"name": "steel", "reflection_coefficient": -0.9})
    assert material.layer is None
    assert material.reflection(GRAZING, frequency_hz=30e3, **WATER) == pytest.approx(np.full(4, -0.9))


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("cheese", "unknown material 'cheese'; known: concrete, tile"),
        ({"name": "cheese"}, "give the name of a known material"),
        ({"name": "tile", "layer": {"thickness_m": 8.0}}, "less than or equal to 1"),
        ({"name": "tile", "layer": {"thicknes_m": 0.008}}, "did you mean 'thickness_m'"),
        ({"density_kg_m3": 2400.0, "speed_m_s": 3000.0, "shear_speed_m_s": 2900.0}, "under 0.866 times"),
        ({"reflection_coefficient": 0.9, "layer": {"thickness_m": 0.01, "density_kg_m3": 1.0, "speed_m_s": 1.0}}, "exclude"),
    ],
)  # fmt: skip
def test_refuses(value, message):
    with pytest.raises(ValidationError, match=message):
        Material.model_validate(value)
