"""What `--json` prints keeps to the schema that is shipped, judged by the general-purpose library jsonschema."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from acoustics.cli.main import pingfix
from acoustics.scene.scenario import shipped

ROOT = Path(__file__).parent.parent
FOLDER = ROOT.parent / "examples" / "guide" / "schema"
POOL = str(shipped("examples")["mallard-basin"])
QUICK = {
    "spacing": ["--trials", "100"],
    "map": ["--trials", "5", "--step-m", "2.5", "--echo-cells", "2", "--echo-pings", "2"],
    "stations": ["--trials", "8"],
    "waypoints": ["--trials", "20", "--step-m", "8"],
    "place": ["--hydrophones", "3", "--starts", "1"],
    "validate": ["--trials", "12"],
    "calibrate": ["--runs", "5"],
}
OWN_TESTS = ("simulate", "fuse", "selfcheck", "report")  # the last with the page, in tests/present
spec = importlib.util.spec_from_file_location("json_schema", ROOT / "json_schema.py")
json_schema = importlib.util.module_from_spec(spec)
spec.loader.exec_module(json_schema)


def shipped_schema(name):
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


def printed(*arguments):
    done = CliRunner(catch_exceptions=False).invoke(pingfix, [*arguments])
    assert done.exit_code == 0, done.stderr
    return done.stdout


def keeps_to(name, text):
    Draft202012Validator(shipped_schema(name)).validate(json.loads(text, parse_constant=pytest.fail))


@pytest.mark.parametrize("command", json_schema.RESULTS)
def test_the_shipped_schema_is_that_of_the_result(command):
    assert shipped_schema(command) == json_schema.schema_of(command), "run tests/json_schema.py if the change is wanted"


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.json")), ids=lambda path: path.stem)
def test_the_shipped_schema_is_json_schema_and_not_empty(path):
    Draft202012Validator.check_schema(shipped_schema(path.stem))
    assert not Draft202012Validator(shipped_schema(path.stem)).is_valid({"surely": "not"})


@pytest.mark.parametrize("command", [c for c in json_schema.RESULTS if c not in OWN_TESTS])
def test_a_command_keeps_to_its_schema(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    keeps_to(command, printed(command, POOL, *QUICK.get(command, []), "--json"))


def test_the_self_check_keeps_to_its_schema():
    keeps_to("selfcheck", printed("selfcheck", "--trials", "400", "--json"))


def test_a_recording_its_pings_and_what_is_made_of_them_keep_to_their_schemas(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    keeps_to("simulate", printed("simulate", POOL, "ping.wav", "--pings", "3", "--json"))
    lines = printed("locate", "ping.wav", "--json", "--out", "pings.jsonl")
    assert lines == Path("pings.jsonl").read_text(encoding="utf-8")
    assert len(lines.splitlines()) >= 2
    for line in lines.splitlines():
        keeps_to("ping", line)
    done = CliRunner(catch_exceptions=False).invoke(pingfix, ["fuse", "pings.jsonl", "--scenario", POOL, "--json"])
    keeps_to("fuse", done.stdout)
    source = ("--source-m", "20", "8", "2.4")
    keeps_to("calibrate", printed("calibrate", POOL, "--pings", "pings.jsonl", *source, "--json"))
