"""`pingfix budget`: which error costs how much, and which one to improve first."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import (
    choose_pinger,
    force_option,
    json_option,
    pinger_option,
    plot_option,
    scenario_argument,
)


@click.command("budget", short_help="Which error costs how much, and which one to improve first?")
@scenario_argument
@pinger_option
@plot_option("the contributions as bars")
@force_option
@json_option
def budget_command(scenario: Path, pinger_name: str | None, plot: Path | None, force: bool, as_json: bool) -> None:
    """Split the error of one ping's bearing and position, where SCENARIO's vehicle stands, into its causes.

    Names what to improve first by the rule: the largest contribution that the team can change, with the total
    worked out anew for half of it.

    \b
    Example:
      pingfix budget examples/mallard-basin.toml --plot budget.png
    """
    from acoustics.present.budget_text import budget_text
    from acoustics.present.style import check_picture, write_picture
    from acoustics.present.tables import to_json
    from acoustics.scenario import load_scene
    from acoustics.study.budget import study_budget

    if plot is not None:
        check_picture(plot, force=force)
    scene = load_scene(scenario)
    result = study_budget(scene, choose_pinger(scene, pinger_name))
    if plot is not None:
        from acoustics.present.budget_plot import budget_plot

        write_picture(plot, budget_plot(result), force=force)
    click.echo(to_json(result) if as_json else budget_text(result))
