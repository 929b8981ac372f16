"""The scripts of the guide run from anywhere, say what they promise, and draw where they are told to."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("few")

SCRIPTS = Path(__file__).parent.parent / "examples" / "guide" / "scripts"
SAYS_AND_DRAWS = {
    "own_array": (("SNR 10.0 dB in 5000 Hz", "our-array scaled", "* Take "), 2),
    "what_if": (("self noise 86 dB", "vehicle.position_m: Dipper", "Improve first"), 1),
    "recording_to_station": (("first.wav", "second.wav", "Station: amber"), 1),
    "samples_to_bearing": (("sound speed unknown -> bearing", "sound speed 1500 m/s -> bearing"), 0),
    "which_station": (("right station", "keys: title"), 2),
}
QUICK = "samples_to_bearing"


def test_every_script_is_tried():
    assert {path.stem for path in SCRIPTS.glob("*.py")} == set(SAYS_AND_DRAWS)


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[] if name == QUICK else [pytest.mark.slow]) for name in SAYS_AND_DRAWS]
)
@pytest.mark.slow
def test_a_script_of_the_guide_runs(name, tmp_path, monkeypatch, capsys):
    words, pictures = SAYS_AND_DRAWS[name]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "drawn").mkdir()
    monkeypatch.setattr("sys.argv", [name, "drawn"])
    runpy.run_path(str(SCRIPTS / f"{name}.py"))
    said = capsys.readouterr().out
    assert [word for word in words if word not in said] == []
    assert len(list((tmp_path / "drawn").glob("*.png"))) == pictures
