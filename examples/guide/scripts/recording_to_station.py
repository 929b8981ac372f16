"""From recordings to a station: two stops of the vehicle, the pings of both, one position.

python examples/guide/scripts/recording_to_station.py [FOLDER for the pictures]
"""

import sys
import tempfile
from pathlib import Path

import acoustics

out = Path(sys.argv[1]) if len(sys.argv) > 1 else None
scene = acoustics.load_scene(Path(__file__).resolve().parents[2] / "mallard-basin.toml")
stops = {
    "first": scene,
    "second": scene.changed({"vehicle.position_m": (16.0, 2.0, 0.8), "vehicle.heading_deg": 60.0}),
}

pings = []
with tempfile.TemporaryDirectory() as folder:
    for name, stop in stops.items():
        # In the water your recorder writes this file, and you the notes beside it.
        recording = Path(folder) / f"{name}.wav"
        acoustics.simulate(stop, recording, pings=4)
        located = acoustics.locate(recording)
        print(located, "\n")
        pings += located

fused = acoustics.fuse(pings, scene=scene)
print(fused)

if out is not None:
    fused.plot(out / "recording-to-station.png", force=True)
