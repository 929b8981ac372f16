"""An array of your own: what it allows at a signal-to-noise ratio, and how far apart its hydrophones should be.

python examples/guide/scripts/own_array.py [FOLDER for the pictures]
"""

import sys
from pathlib import Path

import numpy as np

import acoustics

out = Path(sys.argv[1]) if len(sys.argv) > 1 else None
examples = Path(__file__).resolve().parents[2]

# Positions forward, starboard, down [m]: a triangle under the bow, one hydrophone lower than the others.
positions = np.array([[0.22, 0.0, 0.20], [0.20, -0.01, 0.20], [0.20, 0.01, 0.20], [0.205, 0.0, 0.22]])

# The bound by geometry alone: 10 dB in a band of 5 kHz, a burst of 4 ms.
bound = acoustics.bound(positions, frequency_hz=30e3, snr_db=10.0, bandwidth_hz=5e3, length_s=4e-3)
print(bound, "\n")

# The same array in a scene: the sweep scales it, and says which spacing and sample rate to take.
array = acoustics.Array.from_positions(positions, name="our-array", tolerance_m=1e-3)
scene = acoustics.load_scene(examples / "mallard-basin.toml").changed({"array": array})
study = acoustics.spacing(scene, trials=200)
print(study)

if out is not None:
    bound.plot(out / "own-array-bound.png", force=True)
    study.plot(out / "own-array-spacing.png", force=True)
