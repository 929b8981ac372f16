"""`pingfix budget`: which error costs how much, and which one to improve first."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acoustics.cli.options import Output, choose_pinger, output_options, pinger_option, scenario_argument

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@click.command("budget", short_help="Which error costs how much, and which one to improve first?")
@scenario_argument
@pinger_option
@output_options("the contributions as bars")
def budget_command(scenario: Path, pinger_name: str | None, output: Output) -> None:
    """Split the error of one ping's bearing and position, where SCENARIO's vehicle stands, into its causes.

    Names what to improve first by the rule: the largest contribution that the team can change, with the total
    recomputed for half of it.

    \b
    Example:
      pingfix budget examples/mallard-basin.toml --plot budget.png
    """
    from acoustics.present.text.budget import budget_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.budget import study_budget

    scene = load_scene(scenario)
    result = study_budget(scene, choose_pinger(scene, pinger_name))

    def draw() -> Figure:
        from acoustics.present.plot.budget import budget_plot

        return budget_plot(result)

    output.show(result, budget_text, draw)
