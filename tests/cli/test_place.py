import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

from acoustics.base.errors import OutputError, ParameterError
from acoustics.cli.place import place_command
from acoustics.scene.scenario import load_array, load_scene, shipped

MOUNTING = """
[mounting]

[[mounting.region]]
kind = "hull_patch"
corner_m = [0.1, -0.1, 0.2]
along_m = [0.2, 0.0, 0.0]
across_m = [0.0, 0.2, 0.0]

[[mounting.keep_out]]
low_m = [0.15, -0.05, 0.1]
high_m = [0.25, 0.05, 0.3]

[[mounting.shadow]]
kind = "cylinder"
from_m = [0.0, 0.0, 0.2]
to_m = [0.09, 0.0, 0.2]
radius_m = 0.05
"""


@pytest.fixture
def scenario(tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(shipped("examples")["fennel-reservoir"].read_text() + MOUNTING)
    return path


def run(*arguments):
    return CliRunner().invoke(place_command, [str(a) for a in arguments])


@pytest.mark.slow
def test_text_picture_and_array_that_the_scenario_reads_back(scenario, tmp_path):
    out, plot = tmp_path / "ours-4.toml", tmp_path / "ours-4.png"
    found = run(scenario, "--hydrophones", 4, "--starts", 1, "--out", out, "--plot", plot)
    assert found.exit_code == 0, found.exception
    for part in ("hydrophone", "square-half-wave", "within limit", "The array found errs by", "worst direction"):
        assert part in found.output
    assert plot.read_bytes().startswith(b"\x89PNG")
    array, scene = load_array(out), load_scene(scenario)
    assert array.name == "ours-4" and len(array.hydrophones) == 4
    assert scene.mounting.fits(array.positions_m)
    assert "mirror image" in array.cannot_observe and "bearing all round" in array.good_for
    assert out.read_text().startswith("# Found by pingfix place for Fennel Reservoir")
    again = tmp_path / "again.toml"
    again.write_text(scenario.read_text().replace('use = "mixed-5"', 'file = "ours-4.toml"'))
    assert load_scene(again).array.positions_m == pytest.approx(array.positions_m)


@pytest.mark.slow
def test_json_of_a_position_at_two_ranges_kept_by_starts(scenario, tmp_path):
    parts = tmp_path / "parts"
    options = ("--hydrophones", 3, "--starts", 1, "--seed", 7, "--criterion", "mean", "--json")
    ranges = ("--of", "position", "--range-m", 10, "--range-m", 20)
    first = run(scenario, *options, *ranges, "--resume", parts)
    assert first.exit_code == 0, first.exception
    result = json.loads(first.output)
    assert result["seed"] == 7 and result["found"]["within_limit"] and result["of"] == "position"
    assert len(result["hydrophones_m"]) == 3 and len(result["bearing_deg"]) == 24
    assert result["range_m"] == pytest.approx([10.0, 20.0]) and len(result["multipath_free_s"]) == 2
    assert len(list(parts.glob("chunk-*.npz"))) == 3  # two of the best shipped arrays, and one at random
    other = run(scenario, *options, "--resume", parts)
    assert isinstance(other.exception, OutputError) and "another study" in str(other.exception)


def test_never_writes_over_a_file_unasked(scenario, tmp_path):
    out = tmp_path / "ours-4.toml"
    out.write_text("mine")
    refused = run(scenario, "--out", out)
    assert isinstance(refused.exception, OutputError) and "--force" in str(refused.exception)
    assert out.read_text() == "mine"


def test_refuses_names_and_half_a_sector_before_the_work(scenario, tmp_path):
    wrong = run(scenario, "--out", tmp_path / "array.txt")
    assert isinstance(wrong.exception, ParameterError) and "must end in .toml" in str(wrong.exception)
    half = run(scenario, "--from-deg", 10)
    assert isinstance(half.exception, ParameterError) and "both ends" in str(half.exception)
    many = run(scenario, "--hydrophones", 9)
    assert many.exit_code == 2 and "3<=x<=8" in many.output


def test_loading_the_command_stays_quick():
    code = "import sys, acoustics.cli.place; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
