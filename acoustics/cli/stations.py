"""`pingfix stations`: would we go to the right station?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acoustics.cli.numbers import FloatRange
from acoustics.cli.options import (
    Output,
    by_echoes_option,
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


@click.command("stations", short_help="Would the vehicle go to the right station?")
@scenario_argument
@pinger_option
@click.option("--pings", type=click.IntRange(1, 64), default=4, show_default=True, help="Heard along the run.")
@click.option(
    "--leg-m",
    type=FloatRange(0, 10_000),
    default=4.0,
    show_default=True,
    help="Length of the run; 0: stand still.",
)
@click.option(
    "--leg-deg",
    type=FloatRange(-360, 360),
    help="Direction of travel, clockwise from +x; default: the vehicle's heading.",
)
@click.option(
    "--trials",
    type=click.IntRange(8, 100_000),
    default=100,
    show_default=True,
    help="Simulated runs for each true station.",
)
@by_echoes_option
@click.option(
    "--echo-runs",
    type=click.IntRange(1, 1000),
    default=4,
    show_default=True,
    help="With --echoes: rendered past each station and located; a ping takes about 2 s.",
)
@seed_option
@running_options
@output_options("the run and the decisions")
def stations_command(
    scenario: Path,
    pinger_name: str | None,
    pings: int,
    leg_m: float,
    leg_deg: float | None,
    trials: int,
    by_echoes: bool,
    echo_runs: int,
    seed: int | None,
    running: Running,
    output: Output,
) -> None:
    """Simulate runs past SCENARIO's stations, the pinger at each in turn, and count the decisions.

    The run starts where the vehicle stands. Each run has its own errors of noise, heading, dead reckoning, sound speed
    and mounting; its pings are fused, and the most probable station is chosen, or none of them.

    With --echoes the same runs are decided once more by a crew that has a site sketch, as good as the pool's standard
    deviations say.

    \b
    Example:
      pingfix stations examples/mallard-basin.toml --plot stations.png
    """
    from acoustics.present.text.stations import stations_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.draws import Route
    from acoustics.study.stations import study_stations

    scene = load_scene(scenario)
    route = Route(pings, leg_m, scene.vehicle.heading_deg if leg_deg is None else leg_deg)
    result = study_stations(
        scene,
        choose_pinger(scene, pinger_name),
        route,
        trials=trials,
        echo_runs=echo_runs if by_echoes else 0,
        seed=scene.study.seed if seed is None else seed,
        running=running,
        progress=Progress("simulated"),
    )

    def draw() -> Figure:
        from acoustics.present.plot.stations import stations_plot

        return stations_plot(result, scene)

    output.show(result, stations_text, draw)
