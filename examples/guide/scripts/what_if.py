"""What if? The same question for scenes that differ in one value, each checked as when it is read from its file.

python examples/guide/scripts/what_if.py [FOLDER for the pictures]
"""

import sys
from pathlib import Path

import numpy as np

import acoustics

out = Path(sys.argv[1]) if len(sys.argv) > 1 else None
scene = acoustics.load_scene(Path(__file__).resolve().parents[2] / "mallard-basin.toml")

# A quieter and a louder vehicle: the bound of the bearing's error, as its median over the pool.
for noise_db in (66.0, 76.0, 86.0):
    noisy = scene.changed({"noise.self_noise_density_db": noise_db})
    errors = acoustics.map(noisy, trials=0, step_m=3.0).bearing_deg
    print(f"self noise {noise_db:.0f} dB: bearing error {np.nanmedian(errors):.1f} deg (bound, median over the pool)")

# An impossible scene is refused; the line names the key.
try:
    scene.changed({"vehicle.position_m": (6.0, 15.0, 0.8)})
except acoustics.InputError as error:
    print(error)

# Which cause makes how much of the error, and what to improve first.
budget = acoustics.budget(scene)
print()
print(budget)

if out is not None:
    budget.plot(out / "what-if-budget.png", force=True)
