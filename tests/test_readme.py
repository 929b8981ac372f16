"""The README's commands and its Python work as they stand."""

from __future__ import annotations

import re
import runpy
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from quick import QUICK, good

from acoustics.cli.main import _COMMANDS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = sorted((ROOT / "examples" / "guide").glob("*.md"))
PAGES = (ROOT / "README.md", *GUIDE)
COMMAND = re.compile(
    r"(?:^|&& |`)\.venv/bin/pingfix ([a-z-]+ ?[^#`\n|]*)|`pingfix ([a-z-]+ examples/[^`\n]*)`", re.MULTILINE
)
PIPELINE = re.compile(r"^\.venv/bin/pingfix [^#`\n]*\| \.venv/bin/pingfix [^#`\n]*", re.MULTILINE)
# What the other commands of a page start from: these run in the order of the page, the rest one by one.
CHEAP = (
    "new",
    "notes",
    "spectrum",
    "check",
    "sound-speed",
    "budget",
    "simulate",
    "locate",
    "fuse",
    "selfcheck",
    "calibrate",
)


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


def run(words):
    quick = [] if words[0] == "calibrate" and "--pings" in words else QUICK.get(words[0], [])
    assert good(*words, *quick), words


def found(page):
    return commands(page.read_text(encoding="utf-8"))


_NAMES = re.compile(r".*our-pool\.toml|.*mallard-basin\.toml|.*\.(png|svg|html)|--force")


def long_commands():
    """Each long command of each page, once: the guide repeats some of the README's, and a scenario that was just
    started is the one that ships."""
    known = set()
    for page in PAGES:
        for words in found(page):
            meant = tuple(_NAMES.sub("same", word) for word in words)
            if words[0] not in CHEAP and meant not in known:
                known.add(meant)
                marks = [] if words[0] == "waypoints" else [pytest.mark.slow]
                yield pytest.param(page, words, id=f"{page.stem}-{'-'.join(words[:2])}", marks=marks)


def pages():
    """The README is the quick one."""
    for page in PAGES:
        if found(page):
            yield pytest.param(page, id=page.stem, marks=[] if page.stem == "README" else [pytest.mark.slow])


@pytest.mark.parametrize("page", list(pages()))
@pytest.mark.slow
def test_the_quick_commands_of_a_page_run_in_its_order(page, workplace):
    for words in found(page):
        if words[0] in CHEAP:
            run(words)


@pytest.mark.slow
def test_the_pipelines_of_the_pages_run(workplace):
    for page in PAGES:
        for line in PIPELINE.findall(page.read_text(encoding="utf-8")):
            for words in found(page):
                if words[0] in ("new", "simulate"):
                    run(words)
            command = line.replace(".venv/bin/pingfix", f"{sys.executable} -m acoustics.cli.main")
            done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True)
            # A run from one place may have no position to go by, and says so by its exit code.
            assert done.returncode in (0, 1) and done.stderr == "" and '"event": "end"' in done.stdout


@pytest.mark.parametrize(("page", "words"), list(long_commands()))
def test_a_long_command_of_a_page_runs(page, words, workplace):
    for first in found(page):
        if first[0] == "new":
            run(first)
    run(words)


def test_the_readme_shows_every_command():
    assert {words[0] for words in commands(README)} == set(_COMMANDS)


def test_links_lead_somewhere():
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *GUIDE):
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


@pytest.mark.slow
def test_the_python_of_the_readme_runs(workplace, capsys):
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    exec(compile(code, "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert said.startswith("Mallard Basin: square-half-wave scaled")
    assert "* Take " in said and "amber" in said.split("* Take ")[1]


def test_every_shipped_array_is_in_the_readme():
    for array in (ROOT / "arrays").glob("*.toml"):
        assert f"| `{array.stem}` |" in README


def test_the_first_look_runs(capsys):
    runpy.run_path(str(ROOT / "examples" / "first_look.py"))
    said = capsys.readouterr().out
    assert "free spacing up to" in said and "deg RMS (bound)" in said
