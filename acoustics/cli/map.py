"""`pingfix map`: how far off the fix is, over the pool."""

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
    seed_option,
)
from acoustics.cli.progress import Progress


@click.command("map", short_help="How far off will the fix be, over the pool?")
@scenario_argument
@pinger_option
@click.option(
    "--trials",
    type=click.IntRange(0, 100_000),
    default=50,
    show_default=True,
    help="Simulated fixes a cell; 0 for bounds alone.",
)
@click.option("--step-m", type=click.FloatRange(min=0.01), help="Step of the grid; default: study.map_step_m.")
@seed_option
@plot_option("the map")
@force_option
@json_option
def map_command(
    scenario: Path,
    pinger_name: str | None,
    trials: int,
    step_m: float | None,
    seed: int | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Map bearing and position error of one ping for a vehicle anywhere in SCENARIO's water.

    \b
    Example:
      pingfix map examples/mallard-basin.toml --plot map.png
    """
    from acoustics.present.style import check_picture, write_picture
    from acoustics.present.summaries import map_text
    from acoustics.present.tables import to_json
    from acoustics.scenario import load_scene
    from acoustics.study.pool_map import map_pool

    if plot is not None:
        check_picture(plot, force=force)
    scene = load_scene(scenario)
    pinger = choose_pinger(scene, pinger_name)
    seed = scene.study.seed if seed is None else seed
    result = map_pool(scene, pinger, trials=trials, seed=seed, step_m=step_m, progress=Progress("simulated"))
    if plot is not None:
        from acoustics.present.map_plot import map_plot

        write_picture(plot, map_plot(result, scene, pinger), force=force)
    click.echo(to_json(result) if as_json else map_text(result))
