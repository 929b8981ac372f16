"""Print how whole runs end in a made-up dock, where echoes come early: right of those that commit, and their ellipses.

    python tests/benchmarks/dock.py [--runs 40] [--seed 1]

38 m by 17 m between concrete walls, 3 to 5 m deep, `tetra-4`, stations 6 to 7 m apart; as `pingfix rehearse` plays them.
About three seconds a run.
"""

from __future__ import annotations

import argparse

from acoustics.present.text.rehearse import rehearsal_text
from acoustics.scene.pool import Pool
from acoustics.scene.scenario import load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.live import CommitRule
from acoustics.study.rehearse import study_rehearsal

LENGTH_M, WIDTH_M = 38.0, 17.0
STATIONS_M = {"violet": (30.0, 5.0, 4.0), "amber": (32.5, 11.0, 4.0), "green": (26.0, 10.5, 3.8)}


def dock() -> Scene:
    base = load_scene(shipped("examples")["quay-nine"])
    pool = Pool(
        outline_m=((0.0, 0.0), (LENGTH_M, 0.0), (LENGTH_M, WIDTH_M), (0.0, WIDTH_M)),
        floor_points_m=((0.0, 0.0, 3.0), (LENGTH_M, 0.0, 5.0), (0.0, WIDTH_M, 3.0)),
        walls="concrete",
        floor="clay",
        surface_roughness_m=0.01,
    )
    stations = tuple(
        base.stations[0].model_copy(update={"name": name, "position_m": place}) for name, place in STATIONS_M.items()
    )
    return base.model_copy(
        update={
            "title": "Dock",
            "pool": pool,
            "pingers": (base.pingers[0].model_copy(update={"position_m": STATIONS_M["violet"]}),),
            "stations": stations,
            "vehicle": base.vehicle.model_copy(update={"position_m": (6.0, 8.0, 1.2), "heading_deg": 0.0}),
        }
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    scene = dock()
    study = study_rehearsal(scene, scene.pingers[0], CommitRule(), runs=options.runs, seed=options.seed)
    print(rehearsal_text(study))


if __name__ == "__main__":
    main()
