"""The page to watch in a real browser at three widths: nothing overflows, nothing is fetched, every name is escaped."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from study.live.test_live import PINGS, SCENE

from acoustics.present.report.watch import watch_page
from acoustics.study.live import LiveRun, NextWaypoint

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
WIDTHS = (390, 800, 1300)
NASTY = "<script>alert(1)</script>\"'&"


@pytest.fixture(scope="module")
def answer():
    """Of seven pings, one of them an outlier."""
    run = LiveRun(SCENE)
    for ping in PINGS[:7]:
        run.take(ping)
    found = run.answer("ping", PINGS[6], ("the recorder's clock went back by 12.0 s",))
    return replace(found, next_waypoint=NextWaypoint(PINGS[9].pose.pose.position_m, 40.0, 3.0, 16.0, 0.9, 0.4, 0.99))


def test_it_says_what_the_answer_says(answer):
    page = watch_page(answer, SCENE)
    for said in (
        "Go to amber",
        "clock went back by 12.0 s",
        "Next waypoint",
        "outlier: ",
        "7 pings heard",
        "none of these",
    ):
        assert said in page.replace("&#39;", "'")
    assert page.count('class="pose"') == 7 and page.count('class="outlier"') == 1
    assert 'http-equiv="refresh"' in page
    assert 'http-equiv="refresh"' not in watch_page(replace(answer, event="end"), SCENE)


def test_there_is_a_page_before_there_is_a_position():
    assert "No ping with a pose yet" in watch_page(LiveRun(SCENE).answer("silence"), SCENE)


def test_it_needs_no_scenario(answer):
    run = LiveRun(None)
    for ping in PINGS[:7]:
        run.take(ping)
    page = watch_page(run.answer("ping", PINGS[6]), None)
    assert "x 1" in page and "Stations" not in page


def test_names_are_escaped_and_nothing_is_fetched(answer):
    stations = tuple(s.model_copy(update={"name": NASTY}) for s in SCENE.stations)
    scene = SCENE.model_copy(update={"title": NASTY, "stations": stations})
    solution = replace(answer.solution, pinger=NASTY, stations=(NASTY, *answer.solution.stations[1:]))
    page = watch_page(replace(answer, solution=solution, flags=(NASTY,)), scene)
    assert "<script" not in page and "alert(1)" in page
    assert re.findall(r'(?:src|href)="([^"]*)"', page) == [] and "url(" not in page.replace("url(#sheet)", "")


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium")
@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_overflows(answer, tmp_path, width):
    """A frame of each width, as Chromium makes no window narrower than 500."""
    (tmp_path / "page.html").write_text(watch_page(answer, SCENE))
    frame = tmp_path / "frame.html"
    frame.write_text(
        f'<title>?</title><iframe id="f" src="page.html" width="{width}" height="900" style="border:0"></iframe><script>'
        "document.getElementById('f').onload = e => { const d = e.target.contentDocument, r = d.documentElement;"
        "document.title = JSON.stringify([r.scrollWidth - r.clientWidth, d.querySelectorAll('svg .station').length]); }"
        "</script>"
    )
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files", "--no-first-run"]
    command = [CHROMIUM, *flags, f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", "--dump-dom"]
    done = subprocess.run([*command, frame.as_uri()], capture_output=True, text=True, timeout=60)
    (title,) = re.findall(r"<title>(\[.*?\])</title>", done.stdout)
    assert json.loads(title) == [0, 4]
    assert [line for line in done.stderr.splitlines() if "CONSOLE" in line] == []
