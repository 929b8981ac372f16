"""The checklist: safety first, the scenario's own numbers, one sheet of paper."""

from __future__ import annotations

import json
import re
import shutil
import subprocess

import pytest
from json_schema import schema_of
from jsonschema import Draft202012Validator
from quick import POOL, good, refused

import acoustics
from acoustics.present.report.checklist import checklist_page
from acoustics.present.text.checklist import checklist_sections
from acoustics.scene.scenario import shipped

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


COARSE = {"study.map_step_m": 4.0}  # where to listen comes from a map, whose other claims have tests of their own


@pytest.fixture(scope="module")
def plan():
    return acoustics.checklist(acoustics.load_scene(POOL).changed(COARSE))


def test_safety_comes_first_and_defers_to_local_rules(plan):
    title, items = checklist_sections(plan)[0]
    assert title.startswith("Safety") and items[0].startswith("Local rules")
    said = " ".join(items).lower()
    assert all(word in said for word in ("mains", "residual-current", "nobody in the water", "marine life", "lift"))


def test_the_numbers_are_the_scenarios(plan):
    said = " ".join(item for _, items in checklist_sections(plan) for item in items)
    scene = plan.scene
    assert f"{scene.pingers[0].frequency_hz / 1e3:g} kHz" in said and "Recorder at 250 kHz, 16 bits" in said
    assert all(h.name in said for h in scene.array.hydrophones)
    # Fresh water near 26 deg C gains about 2.6 m/s a degree (Del Grosso & Mader 1972, slope of their table).
    assert plan.sound_speed_per_degc_m_s == pytest.approx(2.6, abs=0.1)
    assert f"x {plan.listen.x_m:.1f}, y {plan.listen.y_m:.1f} m" in said
    # A gain beyond what suits the ranges, and each noise state with its own figure.
    assert plan.summary.electronics.largest_gain_db < 30.0 and "not 30 as planned" in said
    assert "as planned ______ (planned 76); thrusters holding the place ______ (planned 95)" in said


def test_names_are_escaped_and_nothing_is_fetched():
    scene = acoustics.load_scene(POOL).changed(
        COARSE | {"pinger[1].name": "<b>loud</b> & clear", "title": "A <i>pool</i>"}
    )
    page = checklist_page(acoustics.checklist(scene))
    assert "&lt;b&gt;loud" in page and "<b>" not in page and "<i>" not in page
    assert not re.search(r"https?://|src=|url\(", page)


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
@pytest.mark.parametrize("example", shipped("examples"))
def test_it_fits_one_sheet(example, tmp_path):
    page = checklist_page(acoustics.checklist(acoustics.load_scene(shipped("examples")[example]).changed(COARSE)))
    (tmp_path / "day.html").write_text(page, encoding="utf-8")
    command = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    command += ["--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'day.pdf'}", (tmp_path / "day.html").as_uri()]
    subprocess.run(command, capture_output=True, timeout=60, check=True)
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "day.pdf").read_bytes())) == 1


def test_the_command_writes_the_page_once(tmp_path):
    out = tmp_path / "day.html"
    result = json.loads(good("checklist", POOL, "--out", str(out), "--json"))
    Draft202012Validator(schema_of("checklist")).validate(result)
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert "--force" in refused("checklist", POOL, "--out", str(out))[0]
