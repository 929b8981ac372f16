"""Direct rays against the ray equations, integrated numerically, against closed forms and times of `propagate`."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from acoustics.physics.direct_rays import direct_rays, with_times
from acoustics.physics.eigenrays import eigenrays
from acoustics.physics.ray_depth import ray_depth, ray_range
from acoustics.physics.refraction import SoundSpeedProfile, bent_ray_angle
from acoustics.propagate.bent_paths import direct_times_s
from acoustics.scene.scenario import load_scene

THERMOCLINE = SoundSpeedProfile(np.array([0.0, 3.0, 6.0, 12.0]), np.array([1485.4, 1482.4, 1458.9, 1443.5]))
# Cold water under ice and warm under that: rays go down, and turn up again.
ICE = SoundSpeedProfile(np.array([0.0, 4.0, 5.0, 20.0]), np.array([1405.0, 1412.0, 1424.0, 1425.0]))


def integrated(profile, depth, tangent, across):
    """Depth and tangent of a ray at its range by the ray equations."""

    def ray(_, state):
        z, slope = state
        c = np.interp(z, profile.depth_m, profile.speed_m_s)
        row = np.clip(np.searchsorted(profile.depth_m, z, side="right") - 1, 0, len(profile.depth_m) - 2)
        gradient = (np.diff(profile.speed_m_s) / np.diff(profile.depth_m))[row]
        outside = not profile.depth_m[0] <= z <= profile.depth_m[-1]
        return [slope, 0.0 if outside else -gradient / c * (1.0 + slope**2)]

    # Short steps, since at every row the gradient jumps.
    return solve_ivp(ray, (0.0, across), [depth, tangent], rtol=1e-9, atol=1e-10, max_step=0.02).y[:, -1]


@pytest.mark.parametrize(
    ("profile", "depth", "tangent", "across"),
    [
        (THERMOCLINE, 2.0, 0.2, 30.0),  # down all the way
        (THERMOCLINE, 2.0, -0.06, 60.0),  # up, turned, and back past where it began
        (THERMOCLINE, 5.0, -0.15, 55.0),  # through a row and back through it
        (ICE, 3.0, 0.05, 70.0),  # down and back through a row, turned, then on to above the top row
        (ICE, 4.5, 0.0, 25.0),  # level
        (ICE, 4.0, -3.0, 1.0),  # steep, from a row
    ],
)
def test_rays_end_where_their_equations_lead(profile, depth, tangent, across):
    def ends(slope, range_m):
        return ray_depth(profile, np.array([depth]), np.array([slope]), np.array([range_m]))

    found = ends(tangent, across)
    z, slope = integrated(profile, depth, tangent, across)
    assert float(found.depth_m[0]) == pytest.approx(z, abs=2e-4)  # of the integration, at the rows
    assert float(found.by_across[0]) == pytest.approx(slope, abs=2e-5)
    by_tangent = (ends(tangent + 1e-6, across).depth_m - ends(tangent - 1e-6, across).depth_m) / 2e-6
    np.testing.assert_allclose(found.by_tangent, by_tangent, rtol=3e-5)  # of the difference
    came = ray_range(profile, np.array([depth]), np.array([tangent]), found.depth_m)
    assert float(ends(tangent, float(came[0])).depth_m[0]) == pytest.approx(float(found.depth_m[0]), abs=1e-9)


@pytest.mark.parametrize("search", [True, False])
@pytest.mark.parametrize(
    ("profile", "receiver", "source"),
    [
        (THERMOCLINE, (10.0, 0.0, 2.0), (40.0, 12.0, 8.0)),
        (THERMOCLINE, (10.0, 0.0, 2.0), (14.0, 0.0, 8.0)),
        (THERMOCLINE, (10.0, 0.0, 2.0), (10.0, 0.0, 8.0)),  # straight below
        (THERMOCLINE, (10.0, 0.0, 2.0), (60.0, 0.0, 11.0)),  # turned above
        (THERMOCLINE, (10.0, 0.0, 2.0), (45.0, -5.0, 2.6)),
        (THERMOCLINE, (0.0, 0.0, 9.0), (0.0, 40.0, 1.0)),
        (ICE, (0.0, 0.0, 1.0), (70.0, 0.0, 2.0)),  # turned below
    ],
)
def test_a_source_seems_to_be_where_its_ray_comes_from(profile, receiver, source, search):
    receiver, source = np.array(receiver), np.array(source)
    found = direct_rays(profile, receiver, source, search=search)
    across = np.maximum(np.hypot(*(source - receiver)[:2]), 1e-6)
    assert found.reached
    z, _ = integrated(profile, receiver[2], (found.apparent_m[2] - receiver[2]) / across, across)
    assert z == pytest.approx(source[2], abs=2e-4)
    if across < 1.0:
        return
    step = 1e-4 * np.eye(3)
    moved = direct_rays(profile, receiver, source + step), direct_rays(profile, receiver, source - step)
    slope = (moved[0].apparent_m - moved[1].apparent_m).T / 2e-4
    # Without a search the derivative is that before Newton's last step.
    np.testing.assert_allclose(found.by_source, slope, rtol=1e-4 if search else 1e-3, atol=3e-5 if search else 3e-4)


def test_between_like_depths_the_ray_is_an_arc_of_the_gradient():
    """Half the angle of the arc; the closed form takes the speed at one depth for that at all: a part in a thousand."""
    profile = SoundSpeedProfile(np.array([0.0, 20.0]), np.array([1500.0, 1480.0]))
    found = direct_rays(profile, [0.0, 0.0, 10.0], [60.0, 0.0, 10.0])
    angle = bent_ray_angle(60.0, sound_speed_m_s=1490.0, gradient_per_s=-1.0)
    assert np.arctan2(10.0 - found.apparent_m[2], 60.0) == pytest.approx(float(angle), rel=1e-3)


def test_where_all_rays_turn_away_is_a_shadow_zone():
    """Sound falls from 1500 m/s by 4 m/s a metre: the ray level at the surface, a circle of radius c / g, is its edge."""
    profile = SoundSpeedProfile(np.array([0.0, 20.0]), np.array([1500.0, 1420.0]))
    radius = 1500.0 / 4.0
    source, receiver_depth = np.array([0.0, 0.0, 3.0]), 2.0
    edge = sum(np.sqrt(radius**2 - (radius - depth) ** 2) for depth in (3.0, receiver_depth))
    places = np.array([[edge * share, 0.0, receiver_depth] for share in (0.5, 0.999, 1.001, 1.5)])
    for search in (True, False):
        assert direct_rays(profile, places, source, search=search).reached.tolist() == [True, True, False, False]


def test_of_several_rays_the_first_counts():
    """Warm water over cold, both ends in the cold: far off the way through the warm is the shorter one, as a head wave.

    Where it is, Newton's ray along the chord still arrives, later; the times by eigenrays.
    """
    profile = SoundSpeedProfile(np.array([0.0, 2.0, 6.0, 20.0]), np.array([1486.0, 1485.0, 1446.0, 1445.9]))
    receiver, sources = np.array([0.0, 0.0, 7.0]), np.array([[30.0, 0.0, 7.0], [90.0, 0.0, 7.0]])
    first, chord = (direct_rays(profile, receiver, sources, search=search) for search in (True, False))
    assert first.apparent_m[0, 2] == pytest.approx(chord.apparent_m[0, 2], abs=1e-6)
    rays = eigenrays(
        profile.depth_m, profile.speed_m_s, 7.0, np.array([[7.0]]), np.array([90.0]), steepest=np.array([0.7])
    )
    slope = (np.array([first.apparent_m[1, 2], chord.apparent_m[1, 2]]) - 7.0) / 90.0
    assert slope[0] == pytest.approx(np.tan(rays.angle[np.argmin(rays.ends.time_s)]), abs=1e-7)
    assert slope[1] == pytest.approx(np.tan(rays.angle[np.argmin(np.abs(rays.angle))]), abs=1e-7)
    assert slope[0] < -0.2 < slope[1]


@pytest.mark.parametrize("own_m", [2.0, 5.0, 9.0])
def test_directions_are_those_of_the_times_that_recordings_have(own_m):
    """The wave's slowness by differences of direct times over 20 cm, by other code, which looks from the pinger."""
    scene = load_scene("examples/fennel-reservoir.toml")
    source = np.array([0.0, 0.0, 8.0])
    across = np.array([3.0, 12.0, 25.0, 40.0, 60.0, 100.0])
    middle = np.stack([across, np.zeros(6), np.full(6, own_m)], axis=-1)
    found = direct_rays(scene.bending_profile, middle, source)
    times = [
        direct_times_s(scene, source, middle + 0.1 * np.array(step))
        for step in ([0, 0, 1], [0, 0, -1], [1, 0, 0], [-1, 0, 0])
    ]
    ok = found.reached
    assert (np.isfinite(times).all(axis=0) == ok).all() and ok.sum() >= 5
    by_depth, by_across = times[0] - times[1], times[2] - times[3]
    angle = np.arctan2(found.apparent_m[:, 2] - own_m, across)
    np.testing.assert_allclose(angle[ok], np.arctan2(-by_depth, by_across)[ok], atol=5e-4)
    timed = with_times(scene.bending_profile, middle, found)
    speed = np.interp(own_m, scene.bending_profile.depth_m, scene.bending_profile.speed_m_s)
    late = direct_times_s(scene, source, middle) - np.linalg.norm(found.apparent_m - middle, axis=-1) / speed
    np.testing.assert_allclose(timed.late_s[ok], late[ok], atol=1e-9)


def test_times_along_rays_change_as_they_are_said_to():
    receiver, source, step = np.array([1.0, 2.0, 2.0]), np.array([28.0, -9.0, 8.0]), 1e-3 * np.eye(3)
    moved = (direct_rays(THERMOCLINE, receiver, source + side * step) for side in (1.0, -1.0))
    late = [with_times(THERMOCLINE, receiver, rays).late_s for rays in moved]
    told = with_times(THERMOCLINE, receiver, direct_rays(THERMOCLINE, receiver, source)).late_by_source
    np.testing.assert_allclose(told, (late[0] - late[1]) / 2e-3, atol=1e-9)  # of a slowness of 7e-4 s/m


def test_many_rays_between_like_depths_are_those_that_each_has_alone():
    """A table only begins the steps; the last leaves 10 um, and 2 in 1000 of a derivative."""
    rng = np.random.default_rng(4)
    receivers = np.array([0.0, 0.0, 2.0]) + rng.normal(size=(400, 3)) * [0.0, 0.0, 0.1]
    sources = np.array([0.0, 0.0, 8.0]) + rng.normal(size=(400, 3)) * [0.0, 0.0, 0.1]
    sources[:, 0] = rng.uniform(2.0, 70.0, size=400)
    together = direct_rays(THERMOCLINE, receivers, sources, search=False)
    alone = [direct_rays(THERMOCLINE, r, s, search=False) for r, s in zip(receivers[:100], sources[:100], strict=True)]
    np.testing.assert_allclose(together.apparent_m[:100], [one.apparent_m for one in alone], atol=1e-5)
    np.testing.assert_allclose(together.by_source[:100], [one.by_source for one in alone], atol=2e-3)


def test_no_direct_ray_turns_below_the_floor():
    """Cold water over warm from 9 m on: were there no floor at 8 m, a ray would come up from there."""
    rows = [{"depth_m": d, "temperature_degc": t} for d, t in ((0.0, 1.0), (9.0, 1.0), (11.0, 8.0), (60.0, 9.0))]
    lake = load_scene("examples/fennel-reservoir.toml").changed({"water.profile": rows, "pool.depth_m": 8.0})
    profile = lake.bending_profile
    assert profile.depth_m.tolist() == [0.0, 8.0]
    found = direct_rays(profile, [0.0, 0.0, 7.0], [120.0, 0.0, 7.0])
    assert found.reached and abs(found.apparent_m[2] - 7.0) < 0.1
    deep = lake.changed({"pool.depth_m": 60.0}).bending_profile
    assert direct_rays(deep, [0.0, 0.0, 7.0], [120.0, 0.0, 7.0]).apparent_m[2] > 20.0
