"""The page of `pingfix checklist`: one sheet of paper for the day, that needs nothing but itself."""

from __future__ import annotations

from acoustics.present.report.template import template
from acoustics.present.text.checklist import checklist_sections
from acoustics.study.checklist import DayPlan

_LINES = 30  # of items at which the larger type still fits a sheet
_LARGE_PT, _SMALL_PT = 9, 7.5


def checklist_page(plan: DayPlan) -> str:
    """The page as text; names from files are escaped by the template."""
    sections = checklist_sections(plan)
    scene = plan.scene
    return template("checklist.html.j2").render(
        title=scene.title,
        lead=f"{scene.vehicle.name} with {scene.array.name}, {', '.join(p.name for p in scene.pingers)}. "
        "Date: ________  In charge: ________________",
        sections=sections,
        print_pt=_LARGE_PT if sum(len(items) for _, items in sections) <= _LINES else _SMALL_PT,
    )
