"""A layer on a half-space against limits, the balance of energy, and the equations of motion carried through it."""

import numpy as np
import pytest
from scipy.linalg import expm

from acoustics.base.errors import ParameterError
from acoustics.physics.layered_reflection import Medium, layered_reflection
from acoustics.physics.reflection import elastic_reflection, fluid_reflection

RHO, C, F = 998.0, 1480.0, 30e3
WATER = {"water_density_kg_m3": RHO, "water_speed_m_s": C}
GRAZING = np.deg2rad([0.5, 6.0, 18.0, 33.0, 42.0, 55.0, 66.0, 78.0, 89.9])

# Sizes of real things; the check is of the formula, not of them.
MEDIA = {
    "air": Medium(1.2, 343.0),
    "sand": Medium(1900.0, 1650.0, attenuation_db_per_wavelength=0.8),
    "plastic": Medium(1300.0, 1700.0, attenuation_db_per_wavelength=1.0),
    "concrete": Medium(2400.0, 3700.0, 2000.0, 0.1, 0.3),
    "tile": Medium(2300.0, 5400.0, 3300.0),
    "steel": Medium(7850.0, 5900.0, 3200.0),
    "laminate": Medium(1800.0, 2800.0, 1500.0, 1.0, 2.0),
}


def complex_speeds(medium):
    nepers = 40 * np.pi * np.log10(np.e)
    return (
        medium.speed_m_s / (1 + 1j * medium.attenuation_db_per_wavelength / nepers),
        medium.shear_speed_m_s / (1 + 1j * medium.shear_attenuation_db_per_wavelength / nepers),
    )


def motion(medium, kx, omega):
    """d/dz of (u_x, u_z, s_zz, s_xz) in an isotropic solid: Newton's and Hooke's laws over exp(i (kx x - w t))."""
    cp, cs = complex_speeds(medium)
    rho, mu = medium.density_kg_m3, medium.density_kg_m3 * cs**2
    modulus = medium.density_kg_m3 * cp**2
    lame = modulus - 2 * mu
    return np.array(
        [
            [0, -1j * kx, 0, 1 / mu],
            [-1j * kx * lame / modulus, 0, 1 / modulus, 0],
            [0, -rho * omega**2, 0, -1j * kx],
            [kx**2 * (modulus - lame**2 / modulus) - rho * omega**2, 0, -1j * kx * lame / modulus, 0],
        ]
    )


def decaying(medium, kx, omega):
    """States of the two waves that leave a solid half-space downwards: eigenvectors of its equations of motion."""
    if medium.shear_speed_m_s == 0:  # pressure and motion of a fluid; it lets the face slide
        kz = np.sqrt((omega / complex_speeds(medium)[0]) ** 2 - kx**2 + 0j)
        return np.array([[0, 1j * kz, -medium.density_kg_m3 * omega**2, 0], [1.0, 0, 0, 0]]).T
    lossy = Medium(
        medium.density_kg_m3,
        medium.speed_m_s,
        medium.shear_speed_m_s,
        medium.attenuation_db_per_wavelength + 1e-9,
        medium.shear_attenuation_db_per_wavelength + 1e-9,
    )
    values, vectors = np.linalg.eig(motion(lossy, kx, omega))
    return vectors[:, values.real < 0]


def carried_through(grazing, layer, thickness, behind):
    """The coefficient by the matrix exponential of the equations of motion through the layer, from its back to its face."""
    omega = 2 * np.pi * F
    k1 = omega / C
    kx, kz = k1 * np.cos(grazing), k1 * np.sin(grazing)
    scale = np.diag([1, 1, RHO * C * omega, RHO * C * omega])  # of displacement and stress, for the exponential's sake
    states = decaying(behind, kx, omega)
    inverse = np.linalg.inv(scale)
    if layer.shear_speed_m_s == 0:
        cp, rho = complex_speeds(layer)[0], layer.density_kg_m3
        slip = np.array([[0, -(kx**2 / (rho * omega**2)) + 1 / (rho * cp**2)], [-rho * omega**2, 0]])
        small = scale[1:3, 1:3]
        # A fluid takes no shear: the combination of waves behind that has none, or a slip where that is fluid too.
        stress = states[3] if np.abs(states[3]).max() > 0 else np.array([0, 1.0])
        back = states @ np.array([stress[1], -stress[0]]) if np.abs(states[3]).max() > 0 else states[:, 0]
        face = small @ expm(-np.linalg.inv(small) @ slip @ small * thickness) @ np.linalg.inv(small) @ back[1:3]
        u, s = face
    else:
        face = scale @ expm(-inverse @ motion(layer, kx, omega) @ scale * thickness) @ inverse @ states
        mix = np.array([face[3, 1], -face[3, 0]])  # no shear stress at the water
        _, u, s, _ = face @ mix
    # In water p = -s, and w^2 rho u = dp/dz: R from the impedance -s / (-i w u).
    impedance = -s / (-1j * omega * u)
    water = RHO * omega / kz
    return (impedance - water) / (impedance + water)


CASES = [
    ("tile", 0.008, "concrete"),
    ("plastic", 0.0008, "concrete"),
    ("plastic", 0.03, "sand"),
    ("plastic", 0.004, "air"),
    ("steel", 0.003, "air"),
    ("steel", 0.02, "sand"),
    ("laminate", 0.006, "sand"),
    ("laminate", 0.02, "concrete"),
    ("sand", 0.05, "steel"),
]


@pytest.mark.parametrize(("layer", "thickness", "behind"), CASES)
def test_equals_the_equations_of_motion_carried_through(layer, thickness, behind):
    expected = [carried_through(g, MEDIA[layer], thickness, MEDIA[behind]) for g in GRAZING]
    found = layered_reflection(
        GRAZING, frequency_hz=F, **WATER, layer=MEDIA[layer], thickness_m=thickness, behind=MEDIA[behind]
    )
    np.testing.assert_allclose(found, expected, atol=1e-6, rtol=0)  # the eigenvectors' 1e-9 of loss, and rounding


@pytest.mark.parametrize("behind", ["sand", "concrete", "air", "steel"])
@pytest.mark.parametrize("layer", ["plastic", "tile", "steel"])
def test_no_thickness_leaves_the_half_space(layer, behind):
    half = MEDIA[behind]
    expected = elastic_reflection(
        GRAZING,
        **WATER,
        density_kg_m3=half.density_kg_m3,
        speed_m_s=half.speed_m_s,
        shear_speed_m_s=half.shear_speed_m_s,
        attenuation_db_per_wavelength=half.attenuation_db_per_wavelength,
        shear_attenuation_db_per_wavelength=half.shear_attenuation_db_per_wavelength,
    )
    gaps = [
        np.abs(
            layered_reflection(GRAZING, frequency_hz=F, **WATER, layer=MEDIA[layer], thickness_m=thickness, behind=half)
            - expected
        ).max()
        for thickness in (1e-5, 1e-7, 0.0)
    ]
    assert layer == behind or gaps[0] > gaps[1] > gaps[2]
    assert gaps[2] < 1e-8


@pytest.mark.parametrize("layer", ["plastic", "tile", "laminate"])
def test_a_layer_on_its_own_kind_is_the_half_space(layer):
    medium = MEDIA[layer]
    alone = layered_reflection(GRAZING, frequency_hz=F, **WATER, layer=medium, thickness_m=0.0, behind=medium)
    thick = layered_reflection(GRAZING, frequency_hz=F, **WATER, layer=medium, thickness_m=0.05, behind=medium)
    np.testing.assert_allclose(thick, alone, atol=1e-8)


def test_a_quarter_wave_of_the_mean_impedance_reflects_nothing():
    # Normal incidence: Z2 = sqrt(Z1 Z3) and a quarter of a wavelength (Kinsler et al., section 6.3).
    rho3, c3 = 1900.0, 1650.0
    z2 = np.sqrt(RHO * C * rho3 * c3)
    layer = Medium(z2 / 1600.0, 1600.0)
    found = layered_reflection(
        np.pi / 2, frequency_hz=F, **WATER, layer=layer, thickness_m=1600.0 / F / 4, behind=Medium(rho3, c3)
    )
    assert abs(found) < 1e-12


@pytest.mark.parametrize("layer", ["plastic", "tile", "steel"])
def test_half_a_wave_is_not_seen(layer):
    # Normal incidence, lossless (Kinsler et al., section 6.3).
    lossless = Medium(MEDIA[layer].density_kg_m3, MEDIA[layer].speed_m_s, MEDIA[layer].shear_speed_m_s)
    found = layered_reflection(
        np.pi / 2,
        frequency_hz=F,
        **WATER,
        layer=lossless,
        thickness_m=lossless.speed_m_s / F / 2,
        behind=Medium(1900.0, 1650.0),
    )
    assert found == pytest.approx(
        fluid_reflection(np.pi / 2, **WATER, density_kg_m3=1900.0, speed_m_s=1650.0), abs=1e-9
    )


def test_a_thin_heavy_sheet_with_air_behind_is_a_mass():
    # Normal incidence: a mass m per area loads with -i w m, so R = (-i w m - Z) / (-i w m + Z) but for the air.
    thickness, rho = 1e-4, 7850.0
    found = layered_reflection(
        np.pi / 2,
        frequency_hz=F,
        **WATER,
        layer=Medium(rho, 5900.0, 3200.0),
        thickness_m=thickness,
        behind=Medium(1.2, 343.0),
    )
    load, water = -1j * 2 * np.pi * F * rho * thickness, RHO * C
    assert found == pytest.approx((load - water) / (load + water), abs=1e-3)


@pytest.mark.parametrize("layer", ["plastic", "tile", "steel"])
def test_all_energy_returns_where_nothing_can_take_it(layer):
    # Below the critical angle of a faster lossless half-space no wave leaves, whatever lies on it.
    lossless = Medium(MEDIA[layer].density_kg_m3, MEDIA[layer].speed_m_s, MEDIA[layer].shear_speed_m_s)
    below = np.linspace(0.01, np.arccos(C / 2000.0) - 0.01, 40)
    found = layered_reflection(
        below, frequency_hz=F, **WATER, layer=lossless, thickness_m=0.01, behind=Medium(2400.0, 3700.0, 2000.0)
    )
    np.testing.assert_allclose(np.abs(found), 1.0, atol=1e-7)


def test_energy_is_shared_between_reflected_and_passed():
    # A fluid layer between water and a fluid: what passes, by the same slab run through from the other side.
    rho3, c3, thickness = 1700.0, 1550.0, 0.017
    layer = Medium(1300.0, 1700.0)
    kx = np.cos(GRAZING) / C
    other = np.arccos(np.minimum(kx * c3, 1.0))
    free = kx * c3 < 1
    there = layered_reflection(
        GRAZING[free], frequency_hz=F, **WATER, layer=layer, thickness_m=thickness, behind=Medium(rho3, c3)
    )
    back = [
        layered_reflection(
            g,
            frequency_hz=F,
            water_density_kg_m3=rho3,
            water_speed_m_s=c3,
            layer=layer,
            thickness_m=thickness,
            behind=Medium(RHO, C),
        )
        for g in other[free]
    ]
    # Reciprocity: the same share of energy returns from either side of a lossless slab.
    np.testing.assert_allclose(np.abs(there), np.abs(back), atol=1e-9)
    assert (np.abs(there) < 1).all()


@pytest.mark.parametrize("layer", MEDIA)
@pytest.mark.parametrize("behind", MEDIA)
def test_never_more_than_comes(layer, behind):
    grazing = np.linspace(0.0, np.pi / 2, 60)
    found = layered_reflection(
        grazing, frequency_hz=F, **WATER, layer=MEDIA[layer], thickness_m=0.007, behind=MEDIA[behind]
    )
    assert found.shape == (60,)
    assert np.isfinite(found).all() and (np.abs(found) <= 1 + 1e-6).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"grazing": 1.7}, "grazing=1.7 must be"),
        ({"thickness_m": -1e-3}, "thickness_m=-0.001 must be finite and at least 0"),
        ({"frequency_hz": 0.0}, "frequency_hz=0 must be finite and above 0"),
        ({"water_speed_m_s": -1.0}, "water_speed_m_s=-1 must be"),
    ],
)
def test_refuses(change, message):
    arguments = {"grazing": 0.5, "frequency_hz": F, "layer": MEDIA["tile"], "thickness_m": 0.01} | WATER
    with pytest.raises(ParameterError, match=message):
        layered_reflection(**(arguments | {"behind": MEDIA["sand"]} | change))


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((0.0, 1500.0), "density_kg_m3=0 must be"),
        ((1000.0, 1500.0, 1400.0), "shear_speed_m_s=1400.0 must be at most 0.866"),
        ((1000.0, 1500.0, 0.0, -1.0), "attenuation_db_per_wavelength=-1 must be"),
    ],
)
def test_refuses_what_no_medium_is(values, message):
    with pytest.raises(ParameterError, match=message):
        Medium(*values)
