"""The report in a real browser: its live numbers against the package's, no overflow, no errors, valid markup."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections import Counter
from dataclasses import asdict
from html.parser import HTMLParser

import markupsafe
import numpy as np
import pytest
from jsonschema import Draft202012Validator
from matplotlib.figure import Figure

from acoustics.present.report.figures import inline_svg
from acoustics.present.report.page import report_page
from acoustics.present.text.budget import known_pool_sentence
from acoustics.present.text.tables import to_json
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.report.contents import study_report
from acoustics.study.report.live import live_figures

pytestmark = pytest.mark.slow  # a report takes all studies of a scenario; its parts have tests of their own
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
in_browser = pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-sync",
    "--no-first-run",
]
VOID = {"meta", "link", "input", "br", "hr", "img"}


TOLD = []  # of the report's progress


@pytest.fixture(scope="module")
def report():
    """Of the example with the most sections; the command writes that of another in test_readme.py."""
    path = shipped("examples")["quay-nine"]
    scene = load_scene(path)
    quick = {"map_step_m": 3.0, "time_limit_s": 8.0}
    scene = scene.model_copy(update={"study": scene.study.model_copy(update=quick)})
    return study_report(
        scene, scene.pingers[0], path, trials=60, seed=1, progress=lambda *told: TOLD.append(told), runs=1
    )


@pytest.fixture(scope="module")
def page(report):
    return report_page(report)


def test_the_progress_is_that_of_the_whole_page(report):
    done, total = zip(*TOLD, strict=True)
    assert len(set(total)) == 1 and list(done) == sorted(done)
    assert done[0] == 0 and 0.8 * total[0] < done[-1] < total[0]  # the page is still to be drawn


def browse(tmp_path, page, script, *flags):
    """What `script` gives in the page, or what the page itself puts into its title, and what the console said."""
    file = tmp_path / "page.html"
    asked = "" if script is None else f"<script>document.title = JSON.stringify({script});</script>"
    file.write_text(page.replace("</body>", f"{asked}</body>"))
    command = [CHROMIUM, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", *flags]
    done = subprocess.run([*command, "--dump-dom", file.as_uri()], capture_output=True, text=True, timeout=60)
    (title,) = re.findall(r"<title>(.*?)</title>", done.stdout, re.DOTALL)
    return json.loads(title), [line for line in done.stderr.splitlines() if "CONSOLE" in line]


def test_a_rehearsed_run_is_shown_as_a_series_of_plans(report, page):
    part = page[page.index('id="rehearsal"') :]
    part = part[: part.index("</section>")]
    assert len(report.rehearsal.first.moments) >= 2
    for moment in report.rehearsal.first.moments:
        assert f"{moment.time_s:.0f} s, {moment.pings} ping" in part
    assert report.rehearsal.outcomes[0] in part and "<svg" in part


@in_browser
def test_live_numbers_are_those_of_the_package(report, page, tmp_path):
    model, rng = report.live, np.random.default_rng(1)
    settings = [
        [
            int(rng.integers(len(values)))
            for values in (model.spacing_m, model.sample_rate_hz, model.range_m, model.temperature_degc)
        ]
        for _ in range(40)
    ]
    script = (
        f"{json.dumps(settings)}.map(([s, r, d, t]) => {{"
        "const m = JSON.parse(document.getElementById('live-data').textContent);"
        "return liveFigures(m.spacing_m[s], m.sample_rate_hz[r], d, t); })"
    )
    shown, console = browse(tmp_path, page, script)
    assert console == []
    for (s, r, d, t), got in zip(settings, shown, strict=True):
        expected = asdict(
            live_figures(
                report.scene,
                report.pinger,
                model,
                spacing_m=model.spacing_m[s],
                sample_rate_hz=model.sample_rate_hz[r],
                range_index=d,
                temperature_degc=model.temperature_degc[t],
            )
        )
        # Simpson's rule with 4,000 steps where the package has the closed form: 1e-5 is ample.
        for name, value in expected.items():
            assert got[name] == pytest.approx(value, rel=1e-5, abs=1e-12), (name, s, r, d, t)


@in_browser
@pytest.mark.parametrize("width", [360, 768, 1280])
def test_nothing_overflows_and_the_live_part_shows(page, width, tmp_path):
    (tmp_path / "inner.html").write_text(page)
    # A frame has the width asked for; a browser's own window may have a least width.
    outer = f"""<title>?</title><body><iframe src="inner.html" width="{width}" height="900" frameborder="0"></iframe>
    <script>document.querySelector("iframe").onload = (event) => {{
      const inner = event.target.contentDocument;
      document.title = JSON.stringify([inner.documentElement.scrollWidth, event.target.contentWindow.innerWidth,
        inner.getElementById("live-panel").hidden]);
    }};</script></body>"""
    framed, console = browse(tmp_path, outer, None, "--allow-file-access-from-files", "--hide-scrollbars")
    assert framed == [width, width, False]
    # What is wider than a phone says so: pictures in words, tables by a shadow at the edge that goes on.
    assert page.count('<p class="slide"') == page.count("<figure>") > 5
    assert console == []


@in_browser
def test_it_prints(page, tmp_path):
    (tmp_path / "page.html").write_text(page)
    command = [CHROMIUM, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={tmp_path / 'page.pdf'}"]
    subprocess.run([*command, (tmp_path / "page.html").as_uri()], capture_output=True, timeout=60, check=True)
    content = (tmp_path / "page.pdf").read_bytes()
    assert content.startswith(b"%PDF") and b"%%EOF" in content[-1024:]


class Markup(HTMLParser):
    """Ids, references to them, figures without a text, and tags that do not pair."""

    def __init__(self):
        super().__init__()
        self.ids, self.references, self.open, self.unnamed, self.outside = [], [], [], [], []

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        self.ids += [given["id"]] if "id" in given else []
        self.references += [given[k][1:] for k in ("href",) if given.get(k, "").startswith("#")]
        self.references += [given[k] for k in ("for", "aria-labelledby") if k in given]
        self.references += re.findall(r"url\(#([^)]+)\)", " ".join(v or "" for v in given.values()))
        self.unnamed += [tag] if tag == "svg" and not given.get("aria-label") else []
        self.outside += [
            v for k, v in given.items() if k in ("src", "href", "xlink:href") and not v.startswith(("#", "data:"))
        ]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag, tag


def test_the_markup_is_sound_and_needs_nothing_from_outside(page):
    seen = Markup()
    seen.feed(page)
    assert seen.open == []
    assert [name for name, count in Counter(seen.ids).items() if count > 1] == []
    assert set(seen.references) <= set(seen.ids)
    assert seen.unnamed == [] and seen.outside == []
    assert page.count("<svg") >= 5


def test_what_comes_from_a_file_is_escaped(report, monkeypatch):
    """Figures apart, which the test below draws."""
    monkeypatch.setattr("acoustics.present.report.blocks.inline_svg", lambda *_: markupsafe.Markup(""))
    bad = '<script>alert("x")</script>'
    scene = report.scene.model_copy(update={"title": bad})
    data = report.__class__(**{**vars(report), "scene": scene, "scenario": "</code><b>"})
    page = report_page(data)
    assert bad not in page and "&lt;script&gt;alert" in page
    assert "</code><b>" not in page
    live = page.split('id="live-data">')[1].split("</script>")[0]
    assert "<" not in live and json.loads(live)


def test_what_comes_from_a_file_is_escaped_in_figures():
    figure = Figure()
    figure.suptitle("<b>&</b>")
    drawn = inline_svg(figure, "key", '"><script>')
    assert "<b>" not in drawn and "&lt;b&gt;&amp;" in drawn and "<script>" not in drawn


def test_cautions_and_reproduction_are_there(report, page):
    for text in ("never for anyone", "swimmers and divers", "marine life", report.scenario_sha256, "--seed 1"):
        assert text in page


def test_the_budget_says_what_who_knows_the_pool_could_reach(report, page):
    assert known_pool_sentence(report.budget) in page


def test_its_json_keeps_to_the_shipped_schema(report):
    schema = json.loads((shipped("examples")["mallard-basin"].parent / "guide/schema/report.json").read_text())
    Draft202012Validator(schema).validate(json.loads(to_json(report), parse_constant=pytest.fail))
