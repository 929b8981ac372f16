"""A first look at a scene from Python; the cells marked by %% run one by one in an editor, or all at once.

python examples/first_look.py
"""

# %% A scene, and what it implies
from pathlib import Path

import numpy as np

import acoustics

scene = acoustics.load_scene(Path(__file__).parent / "mallard-basin.toml")
pinger = scene.pingers[0]
seen = acoustics.check(scene)
print(
    f"{seen.title}: wavelength {1e3 * seen.wavelength_m:.1f} mm, free spacing up to {1e3 * seen.free_spacing_m:.1f} mm"
)

# %% Echoes at the array: how long after the direct sound the first one comes
hydrophones = scene.vehicle.pose.to_site(scene.array.positions_m)
paths = acoustics.arrivals(scene, hydrophones, pinger.position_m, frequency_hz=pinger.frequency_hz, horizon_s=2e-3)
after = np.where(paths.valid, paths.delay_s - paths.delay_s[:, :1], np.inf)[:, 1:]
print(f"first echo {1e6 * after.min():.0f} us after the direct sound; {paths.delay_s.shape[1] - 1} echoes within 2 ms")

# %% The bound all round, and what twice the spacing would give if the cycle were known
bearings = np.deg2rad(np.arange(0, 360, 15))
for scale in (1, 2):
    bound = acoustics.bearing_bound(
        scale * scene.array.positions_m,
        bearings,
        np.deg2rad(6.0),
        scene.sound_speed_m_s,
        arrival_variance_s2=(0.7e-6) ** 2,
        element_sd_m=scene.array.tolerances_m,
    )
    print(f"spacing x {scale}: {np.rad2deg(np.sqrt(np.mean(bound.bearing_sd**2))):.1f} deg RMS (bound)")

# %% A bearing from delays, with its own opinion of itself
rng = np.random.default_rng(1)
times = np.array([0.0, 9.0e-6, 12.0e-6, 3.0e-6]) + rng.normal(scale=0.7e-6, size=4)
delays = acoustics.tdoa_from_toa(times, (0.7e-6) ** 2)
found = acoustics.estimate_bearing(delays, scene.array.positions_m, scene.sound_speed_m_s, element_sd_m=1e-3)
for bearing, depression, covariance in zip(found.bearing, found.depression, found.covariance, strict=True):
    sd = np.rad2deg(np.sqrt(covariance[0, 0]))
    print(f"bearing {np.rad2deg(bearing):.0f} +- {sd:.0f} deg, depression {np.rad2deg(depression):.0f} deg")
