"""`pingfix check`: what a scenario implies."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import choose_pinger, every_pinger_option, json_option, scenario_argument, show_result


@click.command("check", short_help="Check a scenario and say what it implies.")
@scenario_argument
@every_pinger_option
@json_option
def check_command(scenario: Path, pinger_name: str | None, as_json: bool) -> None:
    """Validate SCENARIO; print sound speed, free spacing, what the array observes, and the link by range.

    What any command would refuse of SCENARIO is refused here, a line for each reason.

    \b
    Example:
      pingfix check examples/mallard-basin.toml
    """
    from acoustics.present.text.check import summary_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.check import summary
    from acoustics.study.refusals import refuse_unanswerable

    scene = load_scene(scenario)
    pingers = scene.pingers if pinger_name is None else (choose_pinger(scene, pinger_name),)
    refuse_unanswerable(scene, pingers, str(scenario))
    result = summary(scene, pingers[0], together=pingers)
    show_result(result, summary_text, as_json=as_json)
