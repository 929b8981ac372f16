"""The report of `pingfix report`: one HTML page that needs nothing but itself."""

from __future__ import annotations

from pathlib import Path

from markupsafe import Markup

from acoustics.present.report.sections import sections
from acoustics.present.report.template import template
from acoustics.study.report import Report

_HERE = Path(__file__).parent


def report_page(report: Report) -> str:
    """The page as text. What comes from files is escaped by the template."""
    array = report.scene.array
    return template("page.html.j2").render(
        title=report.scene.title,
        lead=(
            f"{report.scene.vehicle.name} with {array.name}, {len(array.hydrophones)} hydrophones, "
            f"and {report.pinger.name} at {report.pinger.frequency_hz / 1e3:g} kHz."
        ),
        sections=sections(report),
        css=Markup((_HERE / "page.css").read_text(encoding="utf-8")),
        script=Markup((_HERE / "live.js").read_text(encoding="utf-8")),
        footer=(f"pingfix {report.version}. Accuracy estimates are for planning, never for anyone's safety."),
    )
