"""`pingfix checklist`: one sheet of paper for the day, made for the scenario."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import Output, choose_pinger, output_options, pinger_option, scenario_argument


@click.command("checklist", short_help="A sheet for the day: safety, what to bring, set, measure and do.")
@scenario_argument
@pinger_option
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="Default: SCENARIO-checklist.html, here.")
@output_options()
def checklist_command(scenario: Path, pinger_name: str | None, out: Path | None, output: Output) -> None:
    """Write what a crew does on the day with SCENARIO as one printable HTML page, and print it here.

    \b
    Example:
      pingfix checklist examples/mallard-basin.toml --out checklist.html
    """
    from acoustics.base.files import check_free, write_file
    from acoustics.present.report.checklist import checklist_page
    from acoustics.present.text.checklist import checklist_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.checklist import plan_day

    scene = load_scene(scenario)
    out = out or Path(f"{scenario.stem}-checklist.html")
    check_free(out, force=output.force)
    plan = plan_day(scene, choose_pinger(scene, pinger_name))
    write_file(out, checklist_page(plan).encode("utf-8"), force=output.force)
    output.show(plan, lambda p: f"{checklist_text(p)}\n\n{out}: the same on one sheet; print it")
