import numpy as np
import pytest

from acoustics.base.errors import InputError
from acoustics.scene.mounting import Mounting
from acoustics.scene.scenario import load_scene, shipped

TABLE = """
[mounting]
minimum_spacing_m = 0.05

[[mounting.region]]
kind = "box"
low_m = [-0.4, -0.2, 0.0]
high_m = [0.4, 0.2, 0.2]

[[mounting.region]]
kind = "hull_patch"
corner_m = [0.5, -0.1, 0.0]
along_m = [0.0, 0.2, 0.0]
across_m = [0.0, 0.0, 0.1]

[[mounting.keep_out]]
low_m = [-0.1, -0.1, 0.0]
high_m = [0.1, 0.1, 0.2]

[[mounting.shadow]]
kind = "cylinder"
from_m = [-0.3, 0.0, 0.1]
to_m = [0.3, 0.0, 0.1]
radius_m = 0.05
"""


def scene_with(tmp_path, text):
    path = tmp_path / "scene.toml"
    path.write_text(shipped("examples")["mallard-basin"].read_text() + text)
    return load_scene(path)


@pytest.fixture
def mounting(tmp_path):
    return scene_with(tmp_path, TABLE).mounting


def test_default_is_the_box_below_the_origin_that_the_hull_spans(tmp_path):
    scene = scene_with(tmp_path, "")
    (region,) = scene.mounting.on(scene.vehicle).regions
    assert region.low_m == (-0.45, -0.25, 0.0) and region.high_m == (0.45, 0.25, 0.3)


def test_given_regions_stay(mounting, tmp_path):
    assert mounting.on(scene_with(tmp_path, "").vehicle) is mounting


def test_allows_regions_without_keep_outs(mounting):
    points = [[0.3, 0, 0.1], [0, 0, 0.1], [0.1, 0, 0.1], [0.5, 0, 0.05], [0.51, 0, 0.05], [0.45, 0, 0.1]]
    assert mounting.allows(points).tolist() == [True, False, True, True, False, False]


def test_nearest_is_the_nearest_of_many_points_of_the_regions(mounting):
    # Reference: a lattice of 5 mm over both regions; no point of it is nearer, one is within half its diagonal.
    rng = np.random.default_rng(1)
    points = rng.uniform(-0.8, 0.8, (200, 3))
    box = np.stack(np.meshgrid(np.arange(-0.4, 0.401, 0.01), np.arange(-0.2, 0.201, 0.01), np.arange(0, 0.201, 0.01)))
    patch = np.stack(np.meshgrid([0.5], np.arange(-0.1, 0.101, 0.01), np.arange(0, 0.101, 0.01)))
    lattice = np.concatenate([box.reshape(3, -1).T, patch.reshape(3, -1).T])
    found = np.linalg.norm(mounting.nearest(points) - points, axis=-1)
    brute = np.array([np.linalg.norm(lattice - p, axis=-1).min() for p in points])
    assert np.all(found <= brute + 1e-9)
    assert np.all(found >= brute - 0.5 * np.sqrt(3) * 0.01)


def test_fits_asks_for_the_minimum_spacing(mounting):
    pair = np.array([[0.3, 0.0, 0.1], [0.3, 0.05, 0.1]])
    near = pair - [[0, 0, 0], [0, 0.001, 0]]
    assert mounting.fits(np.stack([pair, near])).tolist() == [True, False]


def test_hears_round_the_tube(mounting):
    # Beside the tube at its height: a pinger abeam on the far side is hidden, on the near side and far below not.
    hydrophones = np.array([[0.0, -0.2, 0.1], [0.0, 0.2, 0.1]])
    sources = np.array([[0.0, 10.0, 0.1], [0.0, -10.0, 0.1], [0.0, 0.0, 10.0]])
    assert mounting.hears(hydrophones, sources).tolist() == [[False, True], [True, False], [True, True]]
    assert mounting.hears(np.stack([hydrophones] * 4), sources).shape == (4, 3, 2)
    assert Mounting().hears(hydrophones, sources).all()


@pytest.mark.parametrize(
    "old, new, message",
    [
        ("high_m = [0.4, 0.2, 0.2]", "high_m = [0.4, -0.3, 0.2]", "high_m must exceed low_m"),
        ("across_m = [0.0, 0.0, 0.1]", "across_m = [0.0, 0.1, 0.1]", "right angles"),
        ("to_m = [0.3, 0.0, 0.1]", "to_m = [-0.3, 0.0, 0.1]", "same place"),
        ("radius_m = 0.05", "radius_m = -1.0", "greater than 0"),
        ("radius_m = 0.05", "radius_mm = 50.0", "did you mean 'radius_m'"),
        ('kind = "hull_patch"', 'kind = "sphere"', "'box', 'hull_patch'"),
    ],
)
def test_refuses_impossible_tables_by_key(tmp_path, old, new, message):
    with pytest.raises(InputError, match="mounting") as refused:
        scene_with(tmp_path, TABLE.replace(old, new))
    assert message in str(refused.value)
