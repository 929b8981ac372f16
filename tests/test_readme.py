"""The README's commands and its Python work as they stand."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from acoustics.cli.main import main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(
    r"(?:^|&& |`)(?:\.venv/bin/)?pingfix ((?:new|check|sound-speed|spacing|map|budget|simulate) [^#`\n]*)",
    README,
    re.MULTILINE,
)
QUICK = {"spacing": ["--trials", "100"], "map": ["--trials", "2", "--step-m", "2.5"]}


@pytest.fixture
def workplace(tmp_path, monkeypatch):
    """An empty folder with the examples in it, and a scenario started there."""
    (tmp_path / "examples").mkdir()
    for example in (ROOT / "examples").glob("*.toml"):
        (tmp_path / "examples" / example.name).write_bytes(example.read_bytes())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_command_of_the_readme_runs(workplace, monkeypatch, capsys):
    assert {command.split()[0] for command in COMMANDS} == {
        "new",
        "check",
        "sound-speed",
        "spacing",
        "map",
        "budget",
        "simulate",
    }
    for command in COMMANDS:
        words = shlex.split(command)
        monkeypatch.setattr("sys.argv", ["pingfix", *words, *QUICK.get(words[0], [])])
        main()
        assert capsys.readouterr().out, command


def test_the_python_of_the_readme_runs(workplace, capsys):
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    exec(compile(code, "README.md", "exec"), {})
    assert capsys.readouterr().out.startswith("Take ")


def test_every_shipped_array_is_in_the_readme():
    for array in (ROOT / "arrays").glob("*.toml"):
        assert f"| `{array.stem}` |" in README
