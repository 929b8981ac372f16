"""`pingfix map`: how far off the fix is, over the pool."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from acoustics.cli.numbers import FloatRange
from acoustics.cli.options import (
    Output,
    choose_pinger,
    output_options,
    pinger_option,
    running_options,
    scenario_argument,
    seed_option,
)
from acoustics.cli.progress import Progress

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from acoustics.study.execution import Running


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
@click.option("--step-m", type=FloatRange(0.01, 10_000), help="Step of the grid; default: study.map_step_m.")
@click.option(
    "--over",
    type=click.Choice(["vehicle", "pinger"]),
    default="vehicle",
    show_default=True,
    help="What stands in the cells: the vehicle, or the pinger with the vehicle where the scenario has it.",
)
@click.option(
    "--heading",
    type=click.Choice(["scene", "worst"]),
    default="scene",
    show_default=True,
    help="The vehicle's heading in the scenario, or in each cell the worst of 24.",
)
@click.option("--site-position", is_flag=True, help="Count vehicle.position_sd_m: position in the site.")
@click.option(
    "--echo-cells",
    type=click.IntRange(0, 1000),
    metavar="N",
    help="Cells at which pings are rendered to show what echoes do; default 6, or 0 with --trials 0.",
)
@click.option(
    "--echo-pings", type=click.IntRange(2, 10_000), default=6, show_default=True, help="Pings rendered at each of them."
)
@seed_option
@running_options
@output_options("the map")
def map_command(
    scenario: Path,
    pinger_name: str | None,
    trials: int,
    step_m: float | None,
    over: Literal["vehicle", "pinger"],
    heading: Literal["scene", "worst"],
    site_position: bool,
    echo_cells: int | None,
    echo_pings: int,
    seed: int | None,
    running: Running,
    output: Output,
) -> None:
    """Map bearing and position error of one ping over SCENARIO's water, and the station that it would send you to.

    Bounds everywhere, simulated fixes in every cell beside them, and the share of pings that fail; at some cells pings
    are rendered, to show what echoes do to the bearing.

    \b
    Examples:
      pingfix map examples/mallard-basin.toml --plot map.png
      pingfix map examples/mallard-basin.toml --over pinger --heading worst --trials 1000 --jobs 4 --resume worst-map
    """
    from acoustics.present.text.map import map_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.map import KNOWN_POOL_CELLS, MapChoices, map_pool, usual_echo_cells

    if echo_cells is None:
        echo_cells = usual_echo_cells(trials)
    scene = load_scene(scenario)
    pinger = choose_pinger(scene, pinger_name)
    result = map_pool(
        scene,
        pinger,
        trials=trials,
        seed=scene.study.seed if seed is None else seed,
        step_m=step_m,
        choices=MapChoices(over, heading, site_position, echo_cells, echo_pings, KNOWN_POOL_CELLS),
        running=running,
        progress=Progress("simulated"),
    )

    def draw() -> Figure:
        from acoustics.present.plot.map import map_plot

        return map_plot(result, scene, pinger)

    output.show(result, map_text, draw)
