"""The site sketch: what it holds and refuses, and that a simulated crew draws it from the tolerances."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import InputError, ParameterError
from acoustics.io.site_sketch import faces_sd, read_sketch, site_faces, sketch_text
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.simulate import drawn_sketch, simulate_recording, sketch_of_scene

SKETCH = """\
title = "Practice \\"pool\\""
[pool]
outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]]
depth_m = 2.5
wall_sd_m = 0.1
[[station]]
name = "amber"
position_m = [20.0, 8.5, 2.4]
"""


@pytest.fixture(scope="module")
def basin():
    return load_scene(shipped("examples")["mallard-basin"])


@pytest.mark.parametrize("name", ["mallard-basin", "fennel-reservoir", "quay-nine"])
def test_a_sketch_read_back_is_the_same(tmp_path, name):
    sketch = sketch_of_scene(load_scene(shipped("examples")[name]))
    file = tmp_path / "pool.site.toml"
    file.write_text(sketch_text(sketch), encoding="utf-8")
    assert read_sketch(file) == sketch
    assert site_faces(sketch.pool).names == tuple(f.name for f in load_scene(shipped("examples")[name]).pool.faces)


def test_faces_of_the_sketch_are_the_scenes(basin):
    """The same planes from two descriptions of the floor: three points, and depth and slope about the middle."""
    faces = site_faces(sketch_of_scene(basin).pool)
    np.testing.assert_allclose(faces.normals, [f.normal for f in basin.pool.faces], atol=1e-15)
    np.testing.assert_allclose(faces.offsets_m, [f.normal @ f.point for f in basin.pool.faces], atol=1e-14)
    assert faces_sd(basin.pool, faces).tolist() == [0.05, 0.002, 0.002, 0.05, 0.05, 0.05, 0.05]


@pytest.mark.parametrize(
    ("wrong", "problem"),
    [
        (("wall_sd_m", "wall_sd_cm"), "pool: unknown key 'wall_sd_cm'; did you mean 'wall_sd_m'?"),
        (("wall_sd_m = 0.1", "wall_sd_m = -0.1"), "pool.wall_sd_m: "),
        (("[[station]]", "[[pinger]]"), "unknown key 'pinger'"),
        (("8.5, 2.4]", "8.5, 2.6]"), "station[1].position_m: amber at [20.0, 8.5, 2.6] is not between the surface"),
        (("depth_m = 2.5\n", ""), "pool: a pool with an outline needs depth_m, floor_points_m or depth_profile_m"),
        (("[pool]", "[pool"), "is not valid TOML"),
        (("depth_m = 2.5\n", "depth_m = 2.5\nwalls = 'concrete'\n"), "pool: unknown key 'walls'"),
    ],
)
def test_what_is_wrong_is_told_in_one_line(tmp_path, wrong, problem):
    file = tmp_path / "wrong.toml"
    file.write_text(SKETCH.replace(*wrong), encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_sketch(file)
    assert str(told.value).startswith(f"{file}: ")
    assert problem in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.slow
def test_drawn_sketches_err_as_the_tolerances_say(basin):
    """600 draws: a standard deviation is known to 2.9 % then; 11 % allowed. Means within 4 standard errors."""
    rng, n = np.random.default_rng(4), 600
    drawn = [site_faces(drawn_sketch(basin, rng).pool) for _ in range(n)]
    true = site_faces(basin.pool)
    walls = np.array([faces.offsets_m[2:] for faces in drawn]) - true.offsets_m[2:]
    np.testing.assert_allclose(walls.std(axis=0), 0.05, rtol=0.11)
    assert np.abs(walls.mean(axis=0)).max() < 4 * 0.05 / np.sqrt(n)
    floor = np.array([-faces.normals[1, :2] / faces.normals[1, 2] for faces in drawn])
    np.testing.assert_allclose(floor.std(axis=0), 0.002, rtol=0.11)
    middle = np.array([drawn_floor(faces, basin.pool.middle_m) for faces in drawn])
    np.testing.assert_allclose(middle.std(), 0.05, rtol=0.11)
    assert abs(middle.mean() - drawn_floor(true, basin.pool.middle_m)) < 4 * 0.05 / np.sqrt(n)


def drawn_floor(faces, place):
    """Depth where the floor's plane meets a vertical line."""
    normal, offset = faces.normals[1], faces.offsets_m[1]
    return (offset - normal[:2] @ place) / normal[2]


def test_a_tolerance_as_large_as_the_pool_is_refused(basin):
    hazy = basin.pool.model_copy(update={"floor_sd_m": 1e6})
    with pytest.raises(ParameterError, match=r"pool\.floor_sd_m = 1e\+06 .* are too large"):
        drawn_sketch(basin.model_copy(update={"pool": hazy}), np.random.default_rng(1))


def test_simulate_writes_a_sketch_that_is_not_the_truth(basin, tmp_path):
    first = simulate_recording(basin, tmp_path / "a.wav", seed=3, seconds=0.01)
    again = simulate_recording(basin, tmp_path / "b.wav", seed=3, seconds=0.01, echoes=False)
    other = simulate_recording(basin, tmp_path / "c.wav", seed=4, seconds=0.01)
    assert first.site == str(tmp_path / "a.site.toml")
    sketches = [read_sketch(result.site) for result in (first, again, other)]
    assert sketches[0] == sketches[1] != sketches[2]
    apart = np.array(sketches[0].pool.outline_m) - np.array(basin.pool.outline_m)
    assert 0 < np.abs(apart).max() < 0.3
    assert "pinger" not in (tmp_path / "a.site.toml").read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("floor", "rim"),
    [
        ({"depth_profile_m": [[0.0, 1.2], [8.0, 2.0], [25.0, 3.8]]}, [0, 2]),
        (
            {"floor_points_m": [[x, y, 2.7] for x in (0.0, 25.0) for y in (0.0, 12.5)] + [[12.0, 6.0, 3.5]]},
            [0, 1, 2, 3],
        ),
    ],
)
def test_floors_of_several_planes_are_drawn_in_their_own_form(basin, floor, rim):
    shape = {key: value for key, value in basin.pool.model_dump().items() if key not in ("floor_points_m", "depth_m")}
    moved = basin.model_copy(update={"pool": type(basin.pool).model_validate(shape | floor)})
    key = next(iter(floor))
    drawn = [getattr(drawn_sketch(moved, np.random.default_rng(seed)).pool, key) for seed in range(200)]
    off = np.array(drawn)[:, :, -1] - np.array(floor[key])[:, -1]
    # The mean round the middle errs by the floor's depth there; a fifth is the 99.99 % point of 200 draws (chi-square).
    assert np.std(off[:, rim].mean(axis=1)) == pytest.approx(moved.pool.floor_sd_m, rel=0.2)
