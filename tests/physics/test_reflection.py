"""Reflection against the boundary conditions solved in earnest, the balance of energy, and limits."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustics.base.errors import ParameterError
from acoustics.physics.reflection import elastic_reflection, fluid_reflection, roughness_loss

WATER = {"water_density_kg_m3": 998.0, "water_speed_m_s": 1480.0}
# Sizes of concrete, steel and a soft sediment; common practice, no source.
SOLIDS = {
    "concrete": {"density_kg_m3": 2400.0, "speed_m_s": 3500.0, "shear_speed_m_s": 2000.0},
    "steel": {"density_kg_m3": 7850.0, "speed_m_s": 5900.0, "shear_speed_m_s": 3200.0},
    "chalk": {"density_kg_m3": 2200.0, "speed_m_s": 2400.0, "shear_speed_m_s": 1000.0},
    "soft": {"density_kg_m3": 1700.0, "speed_m_s": 1600.0, "shear_speed_m_s": 200.0},
}
GRAZING = np.deg2rad([1.0, 8.0, 20.0, 35.0, 41.0, 50.0, 64.0, 75.0, 89.0])


def boundary_problem(grazing, solid, loss=0.0, shear_loss=0.0):
    """Amplitudes (reflected, compressional, shear) and vertical wavenumbers, from three continuity equations.

    Displacement potentials over exp(i (kx x - w t)), z into the solid, w = 1: normal displacement and normal
    stress are continuous and the tangential stress is zero.
    """
    rho1, c1, rho2 = WATER["water_density_kg_m3"], WATER["water_speed_m_s"], solid["density_kg_m3"]
    cp = solid["speed_m_s"] / (1 + 1j * loss / (40 * np.pi * np.log10(np.e)))
    cs = solid["shear_speed_m_s"] / (1 + 1j * shear_loss / (40 * np.pi * np.log10(np.e)))
    kx, k1 = np.cos(grazing) / c1, np.sin(grazing) / c1
    kp, ks = (root if root.imag >= 0 else -root for root in np.sqrt(np.array([cp, cs]) ** -2 - kx**2 + 0j))
    shear_modulus = rho2 * cs**2
    lame = rho2 * cp**2 - 2 * shear_modulus
    equations = np.array(
        [
            [-1j * k1, -1j * kp, -1j * kx],
            [rho1, lame * (-(kx**2) - kp**2) - 2 * shear_modulus * kp**2, -2 * shear_modulus * kx * ks],
            [0.0, -2 * shear_modulus * kx * kp, shear_modulus * (ks**2 - kx**2)],
        ]
    )
    return np.linalg.solve(equations, np.array([-1j * k1, -rho1, 0.0])), (k1, kp, ks)


@pytest.mark.parametrize("name", SOLIDS)
@pytest.mark.parametrize(("loss", "shear_loss"), [(0.0, 0.0), (0.5, 1.2)])
def test_equals_the_boundary_problem(name, loss, shear_loss):
    expected = [boundary_problem(g, SOLIDS[name], loss, shear_loss)[0][0] for g in GRAZING]
    coefficient = elastic_reflection(
        GRAZING,
        **WATER,
        **SOLIDS[name],
        attenuation_db_per_wavelength=loss,
        shear_attenuation_db_per_wavelength=shear_loss,
    )
    np.testing.assert_allclose(coefficient, expected, rtol=1e-9, atol=1e-10)


@pytest.mark.parametrize("name", SOLIDS)
def test_energy_is_conserved(name):
    solid = SOLIDS[name]
    reflected = np.abs(elastic_reflection(GRAZING, **WATER, **solid)) ** 2
    for g, share in zip(GRAZING, reflected, strict=True):
        (_, compressional, shear), (k1, kp, ks) = boundary_problem(g, solid)
        carried = kp.real * abs(compressional) ** 2 + ks.real * abs(shear) ** 2
        transmitted = solid["density_kg_m3"] / WATER["water_density_kg_m3"] * carried / k1
        assert share + transmitted == pytest.approx(1.0, abs=1e-9)


def test_energy_is_conserved_by_a_fluid():
    # Pressure is continuous, so 1 + R is transmitted; flux goes with |p|^2 sin(g) / (rho c).
    rho1, c1, rho2, c2 = 998.0, 1480.0, 1900.0, 1650.0
    coefficient = fluid_reflection(GRAZING, **WATER, density_kg_m3=rho2, speed_m_s=c2)
    sine2 = np.sqrt(np.maximum(1 - (c2 / c1 * np.cos(GRAZING)) ** 2, 0.0))
    transmitted = np.abs(1 + coefficient) ** 2 * (rho1 * c1 * sine2) / (rho2 * c2 * np.sin(GRAZING))
    np.testing.assert_allclose(np.abs(coefficient) ** 2 + transmitted, 1.0, atol=1e-12)


def test_total_below_both_critical_angles_and_less_between():
    # Critical angles of concrete: arccos(c1 / cs) = 42.3 deg for shear, arccos(c1 / cp) = 65.0 deg for
    # compression.
    solid = SOLIDS["concrete"]
    critical_shear = np.arccos(1480.0 / 2000.0)
    critical = np.arccos(1480.0 / 3500.0)
    below = np.linspace(0.0, critical_shear - 1e-6, 200)
    np.testing.assert_allclose(np.abs(elastic_reflection(below, **WATER, **solid)), 1.0, atol=1e-12)
    between = np.linspace(critical_shear + 0.02, critical - 0.02, 50)
    assert (np.abs(elastic_reflection(between, **WATER, **solid)) < 0.99).all()
    # As a fluid it would still reflect everything there.
    fluid = fluid_reflection(between, **WATER, density_kg_m3=2400.0, speed_m_s=3500.0)
    np.testing.assert_allclose(np.abs(fluid), 1.0, atol=1e-12)


@pytest.mark.parametrize("loss", [0.0, 0.8])
def test_elastic_tends_to_fluid(loss):
    medium = {"density_kg_m3": 1900.0, "speed_m_s": 1650.0, "attenuation_db_per_wavelength": loss}
    fluid = fluid_reflection(GRAZING, **WATER, **medium)
    gaps = [
        np.abs(elastic_reflection(GRAZING, **WATER, **medium, shear_speed_m_s=cs) - fluid).max()
        for cs in (100.0, 10.0, 1.0, 1e-300)
    ]
    assert gaps[0] > gaps[1] > gaps[2] and gaps[2] < 1e-5 and gaps[3] == 0.0


def test_normal_incidence_knows_no_shear():
    # (Z2 - Z1) / (Z2 + Z1) of the compressional impedances (textbook).
    z1, z2 = 998.0 * 1480.0, 2400.0 * 3500.0
    coefficient = elastic_reflection(np.pi / 2, **WATER, **SOLIDS["concrete"])
    assert coefficient == pytest.approx((z2 - z1) / (z2 + z1), abs=1e-12)


def test_grazing_limits():
    assert fluid_reflection(0.0, **WATER, density_kg_m3=1900.0, speed_m_s=1650.0) == pytest.approx(-1.0, abs=1e-9)
    # Equal speeds: the same at every angle, (rho2 - rho1) / (rho2 + rho1).
    equal = fluid_reflection([0.0, 0.3, 1.5], **WATER, density_kg_m3=2 * 998.0, speed_m_s=1480.0)
    np.testing.assert_allclose(equal, 1 / 3, atol=1e-6)
    # No interface, no reflection.
    none = fluid_reflection([0.0, 0.3], **WATER, density_kg_m3=998.0, speed_m_s=1480.0)
    np.testing.assert_allclose(none, 0.0, atol=1e-12)


def test_phase_of_total_reflection():
    # Total reflection from a faster fluid, R = exp(-2 i phi) of tan(phi) = |kz2| rho1 / (kz1 rho2) for exp(-i
    # w t) (Jensen et al., section 1.6).
    g = np.deg2rad(15.0)
    coefficient = fluid_reflection(g, **WATER, density_kg_m3=1900.0, speed_m_s=1650.0)
    decay = np.sqrt(np.cos(g) ** 2 - (1480.0 / 1650.0) ** 2)
    expected = -2.0 * np.arctan(998.0 * decay / (1900.0 * np.sin(g)))
    assert np.angle(coefficient) == pytest.approx(expected, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    g=st.floats(0.0, np.pi / 2),
    rho=st.floats(1.0, 9000.0),
    cp=st.floats(300.0, 6500.0),
    share=st.floats(0.0, 0.85),
)
def test_no_lossless_half_space_reflects_more_than_comes(g, rho, cp, share):
    coefficient = elastic_reflection(g, **WATER, density_kg_m3=rho, speed_m_s=cp, shear_speed_m_s=share * cp)
    assert np.isfinite(coefficient) and abs(coefficient) <= 1.0 + 1e-9


def test_roughness_is_the_mean_over_normal_heights():
    # A height h turns the phase by 2 k h sin(g); mean over normal heights by Gauss-Hermite quadrature.
    k, s = 2 * np.pi * 30e3 / 1480.0, 0.004
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    phases = np.exp(2j * k * s * np.sin(GRAZING)[:, None] * nodes)
    expected = phases @ (weights / weights.sum())
    np.testing.assert_allclose(roughness_loss(GRAZING, wavenumber=k, rms_height_m=s), expected.real, atol=1e-10)
    assert roughness_loss(1.0, wavenumber=k, rms_height_m=0.0) == 1.0


def test_broadcasts():
    grazing, density = np.full((3, 1), 0.5), np.array([1900.0, 2400.0])
    assert fluid_reflection(grazing, **WATER, density_kg_m3=density, speed_m_s=1650.0).shape == (3, 2)
    mixed = elastic_reflection(0.5, **WATER, density_kg_m3=1900.0, speed_m_s=1650.0, shear_speed_m_s=[0.0, 500.0])
    assert mixed[0] == fluid_reflection(0.5, **WATER, density_kg_m3=1900.0, speed_m_s=1650.0)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"grazing": -0.1}, "grazing=-0.1 must be finite and at least 0 and at most 1.5708"),
        ({"grazing": 1.6}, "grazing=1.6 must be"),
        ({"density_kg_m3": 0.0}, "density_kg_m3=0 must be finite and above 0"),
        ({"speed_m_s": -1.0}, "speed_m_s=-1 must be finite and above 0"),
        ({"water_speed_m_s": 0.0}, "water_speed_m_s=0 must be finite and above 0"),
        ({"shear_speed_m_s": 3400.0}, "shear_speed_m_s=3400.0 must be at most 0.866 of speed_m_s=3500.0"),
        (
            {"attenuation_db_per_wavelength": -1.0},
            "attenuation_db_per_wavelength=-1 must be finite and at least 0",
        ),
    ],
)
def test_refuses(arguments, message):
    given_arguments = {"grazing": 0.5} | WATER | SOLIDS["concrete"] | arguments
    with pytest.raises(ParameterError, match=message):
        elastic_reflection(given_arguments.pop("grazing"), **given_arguments)


def test_roughness_refuses():
    with pytest.raises(ParameterError, match="rms_height_m=-1 must be finite and at least 0"):
        roughness_loss(0.5, wavenumber=100.0, rms_height_m=-1.0)
