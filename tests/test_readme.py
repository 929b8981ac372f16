"""The README's commands and its Python work as they stand."""

from __future__ import annotations

import re
import runpy
import shlex
from pathlib import Path

import pytest

from acoustics.cli.main import _COMMANDS, main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = sorted((ROOT / "examples" / "guide").glob("*.md"))
COMMAND = re.compile(
    r"(?:^|&& |`)\.venv/bin/pingfix ([a-z-]+ ?[^#`\n]*)|`pingfix ([a-z-]+ examples/[^`\n]*)`", re.MULTILINE
)
QUICK = {
    "spacing": ["--trials", "100"],
    "map": ["--trials", "2", "--step-m", "2.5", "--echo-cells", "1", "--echo-pings", "2"],
    "stations": ["--trials", "8"],
    "waypoints": ["--trials", "20", "--step-m", "8"],
    "report": ["--trials", "200"],
    "validate": ["--trials", "24"],
    "calibrate": ["--runs", "10"],
    "selfcheck": ["--trials", "400"],
    "place": ["--starts", "1"],
}


def commands(text):
    return [shlex.split(first or second) for first, second in COMMAND.findall(text)]


@pytest.fixture
def workplace(tmp_path, monkeypatch):
    """An empty folder with the examples in it, and a scenario started there."""
    (tmp_path / "examples").mkdir()
    for example in (ROOT / "examples").glob("*.toml"):
        (tmp_path / "examples" / example.name).write_bytes(example.read_bytes())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(words, monkeypatch):
    quick = [] if words[0] == "calibrate" and "--pings" in words else QUICK.get(words[0], [])
    monkeypatch.setattr("sys.argv", ["pingfix", *words, *quick])
    try:
        main()
    except SystemExit as end:
        assert not end.code, words


def test_every_command_of_the_readme_runs(workplace, monkeypatch, capsys):
    found = commands(README)
    assert {words[0] for words in found} == set(_COMMANDS)
    for words in found:
        run(words, monkeypatch)
        assert capsys.readouterr().out, words


@pytest.mark.parametrize(
    "page", [page for page in GUIDE if commands(page.read_text(encoding="utf-8"))], ids=lambda p: p.stem
)
def test_every_command_of_the_guide_runs(page, workplace, monkeypatch, capsys):
    for words in commands(page.read_text(encoding="utf-8")):
        run(words, monkeypatch)
        assert capsys.readouterr().out, words


def test_links_lead_somewhere():
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *GUIDE):
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_python_of_the_readme_runs(workplace, capsys):
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    exec(compile(code, "README.md", "exec"), {})
    assert capsys.readouterr().out.startswith("Take ")


def test_every_shipped_array_is_in_the_readme():
    for array in (ROOT / "arrays").glob("*.toml"):
        assert f"| `{array.stem}` |" in README


def test_the_first_look_runs(capsys):
    runpy.run_path(str(ROOT / "examples" / "first_look.py"))
    said = capsys.readouterr().out
    assert "free spacing up to" in said and "deg RMS (bound)" in said
