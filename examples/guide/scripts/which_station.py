"""Would we go to the right station? A map of one ping's error, and runs of several pings, simulated.

python examples/guide/scripts/which_station.py [FOLDER for the pictures]
"""

import sys
from pathlib import Path

import acoustics

out = Path(sys.argv[1]) if len(sys.argv) > 1 else None
scene = acoustics.load_scene(Path(__file__).resolve().parents[2] / "mallard-basin.toml")

# One ping, heard anywhere in the pool: bounds alone are quick; `trials=50` simulates fixes beside them.
pool = acoustics.map(scene, trials=0, step_m=1.5)
print(pool, "\n")

# Four pings along eight metres ahead, the pinger at each station in turn.
runs = acoustics.stations(scene, pings=4, leg_m=8.0, trials=8)
print(runs)

# Any answer as plain lists and numbers, for a file or another program.
print("\nkeys:", ", ".join(list(runs.to_dict())[:6]), "...")

if out is not None:
    pool.plot(out / "which-station-map.png", force=True)
    runs.plot(out / "which-station-runs.png", force=True)
