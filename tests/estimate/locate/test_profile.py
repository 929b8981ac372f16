"""The position of one ping in a thermocline, from the recording and the notes beside it."""

from __future__ import annotations

import numpy as np
import pytest

import acoustics
from acoustics.base.errors import InputError
from acoustics.base.toml_tables import validated
from acoustics.io.sidecar import Sidecar, read_sidecar, sidecar_table
from acoustics.study.simulate import sidecar_of_scene

LAKE = "examples/fennel-reservoir.toml"


OUTLINE = [(0.0, -20.0), (70.0, -20.0), (70.0, 40.0), (0.0, 40.0)]
DOCK = {"outline_m": OUTLINE, "depth_m": 12.0}
SLIPWAY = {"outline_m": OUTLINE, "floor_points_m": [(0.0, 0.0, 9.5), (70.0, 0.0, 13.0), (0.0, 40.0, 9.5)]}


@pytest.mark.slow
@pytest.mark.parametrize("pool", [None, DOCK, SLIPWAY], ids=["lake", "dock", "slipway"])
def test_the_profile_in_the_notes_bends_the_ray_to_a_pinger_of_known_depth(tmp_path, pool):
    """30 m off straight rays put it 9 m and more too far (guide, Lakes with a thermocline); bent ones within the
    stated."""
    scene = acoustics.load_scene(LAKE)
    if pool is not None:
        scene = scene.changed({"pool": pool | {"floor": "silt", "surface_roughness_m": 0.03}})
    source = np.array(scene.pingers[0].position_m)
    vehicle = source - [30.0, 0.0, 6.0]
    scene = scene.changed({"vehicle.position_m": vehicle.tolist(), "vehicle.heading_deg": 20.0})
    acoustics.simulate(scene, tmp_path / "a.wav", seconds=0.5, seed=2)
    notes = read_sidecar(tmp_path / "a.json")
    (bent,) = acoustics.locate(tmp_path / "a.wav", notes)
    (straight,) = acoustics.locate(tmp_path / "a.wav", notes.model_copy(update={"profile": None}))
    off = [np.hypot(*ping.position_m[:2]) - 30.0 for ping in (bent, straight)]
    sd = np.sqrt(np.trace(bent.position_covariance_m2[:2, :2]))
    assert abs(off[0]) < 2.5 * sd and sd < 5.0
    assert off[1] - off[0] > 5.0
    # The direction of arrival is what is measured, and stays, though distances are weighed otherwise.
    first, other = straight.candidates[0], bent.candidates[0]
    assert abs(first.depression - other.depression) < 0.01 * other.depression_sd


def test_notes_of_water_with_a_profile_have_it_and_its_rows_go_down():
    scene = acoustics.load_scene(LAKE)
    notes = sidecar_of_scene(scene)
    assert [row.depth_m for row in notes.profile] == [row.depth_m for row in scene.water.profile]
    table = sidecar_table(notes)
    table["profile"] = table["profile"][::-1]
    with pytest.raises(InputError, match="profile: depth_m must increase"):
        validated(Sidecar, table, "day.json")
    pool = acoustics.load_scene("examples/mallard-basin.toml")
    assert sidecar_of_scene(pool).profile is None
