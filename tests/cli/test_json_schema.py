"""What `--json` prints keeps to the schema that is shipped, judged by the general-purpose library jsonschema."""

from __future__ import annotations

import json
from pathlib import Path

import json_schema
import pytest
from jsonschema import Draft202012Validator
from quick import POOL, QUICK, STUDIES, good, run

from acoustics.scene.scenario import shipped

FOLDER = json_schema.FOLDER


def shipped_schema(name):
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


def keeps_to(name, text):
    Draft202012Validator(shipped_schema(name)).validate(json.loads(text, parse_constant=pytest.fail))


@pytest.mark.parametrize("command", json_schema.RESULTS)
def test_the_shipped_schema_is_that_of_the_result(command):
    assert shipped_schema(command) == json_schema.schema_of(command), "run tests/json_schema.py if the change is wanted"


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.json")), ids=lambda path: path.stem)
def test_the_shipped_schema_is_json_schema_and_not_empty(path):
    Draft202012Validator.check_schema(shipped_schema(path.stem))
    assert not Draft202012Validator(shipped_schema(path.stem)).is_valid({"surely": "not"})


def studies_of_examples():
    """Each study with each example; those that simulate are quick for one of them."""
    for example in shipped("examples"):
        for command in STUDIES:
            quick = example == "mallard-basin" or command in ("check", "sound-speed", "budget")
            if command == "rehearse" and example == "mallard-basin":  # the samples of whole runs take their time
                yield pytest.param(command, example, marks=pytest.mark.slow)
            elif command not in ("place", "rehearse"):
                yield pytest.param(command, example, marks=[] if quick else [pytest.mark.slow])


@pytest.mark.parametrize(("command", "example"), list(studies_of_examples()))
def test_a_study_of_every_example_keeps_to_its_schema(command, example):
    path = str(shipped("examples")[example])
    text = good(command, path, *QUICK.get(command, []), "--json")
    assert json.loads(text)
    keeps_to(command, text)


@pytest.mark.slow
def test_a_placement_keeps_to_its_schema():
    keeps_to("place", good("place", POOL, *QUICK["place"], "--json"))


def test_the_self_check_keeps_to_its_schema():
    keeps_to("selfcheck", good("selfcheck", *QUICK["selfcheck"], "--json"))


def test_every_result_is_held_to_its_schema():
    here = {*STUDIES, "selfcheck", "simulate", "spectrum", "fuse"}
    elsewhere = {"report", "checklist", "compare"}  # with their pages, in tests/present; and in tests/study
    assert {*json_schema.RESULTS} == here | elsewhere


@pytest.mark.slow
def test_a_recording_its_pings_and_what_is_made_of_them_keep_to_their_schemas(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    keeps_to("simulate", good("simulate", POOL, "ping.wav", "--pings", "3", "--json"))
    keeps_to("spectrum", good("spectrum", "ping.wav", "--json"))
    lines = good("locate", "ping.wav", "--json", "--out", "pings.jsonl")
    assert lines == Path("pings.jsonl").read_text(encoding="utf-8")
    assert len(lines.splitlines()) >= 2
    for line in lines.splitlines():
        keeps_to("ping", line)
    # Code 1 where the few pings give no fix: the answer says so, and keeps to its schema all the same.
    keeps_to("fuse", run("fuse", "pings.jsonl", "--scenario", POOL, "--json").stdout)
    source = ("--source-m", "20", "8", "2.4")
    keeps_to("calibrate", good("calibrate", POOL, "--pings", "pings.jsonl", *source, "--json"))
