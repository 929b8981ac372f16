"""Bearings from samples in memory, with nothing but the rate, the frequency and the positions of the hydrophones.

python examples/guide/scripts/samples_to_bearing.py
"""

import tempfile
from pathlib import Path

import numpy as np

import acoustics

scene = acoustics.load_scene(Path(__file__).resolve().parents[2] / "mallard-basin.toml")
with tempfile.TemporaryDirectory() as folder:
    acoustics.simulate(scene, Path(folder) / "ping.wav", pings=1)
    samples = acoustics.load_recording(Path(folder) / "ping.wav").volts().T  # (n_channels, n_samples)

known = {"sample_rate_hz": 250e3, "frequency_hz": 30e3, "positions_m": scene.array.positions_m}
found = acoustics.bearings(samples, **known)
print(found, "\n")

# A plane array's bearing hardly depends on the sound speed; its depression does.
for speed in (None, scene.sound_speed_m_s):
    (ping,) = acoustics.bearings(samples, sound_speed_m_s=speed, **known)
    best = ping.candidates[0]
    bearing, sd, down, down_sd = np.rad2deg([best.bearing, best.bearing_sd, best.depression, best.depression_sd])
    print(
        "sound speed",
        "unknown" if speed is None else f"{speed:.0f} m/s",
        f"-> bearing {bearing:.1f} +- {sd:.1f} deg, depression {down:.1f} +- {down_sd:.1f} deg",
    )
