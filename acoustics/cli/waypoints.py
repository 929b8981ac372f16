"""`pingfix waypoints`: where to stop and listen next."""

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


@click.command("waypoints", short_help="Where should the vehicle stop and listen next?")
@scenario_argument
@pinger_option
@click.option("--waypoints", type=click.IntRange(1, 6), help="How many; default: study.waypoints.")
@click.option(
    "--pings", type=click.IntRange(1, 10_000), help="Heard at each waypoint; default: study.pings_per_waypoint."
)
@click.option("--speed-m-s", type=FloatRange(0.01, 100), help="Between waypoints; default: study.speed_m_s.")
@click.option("--time-s", type=FloatRange(0.1, 1_000_000), help="Limit of the run; default: study.time_limit_s.")
@click.option(
    "--prior",
    type=click.Choice(["stations", "pool"]),
    help="Where the pinger may be; default: at a station if there are three or more, else anywhere in the pool.",
)
@click.option(
    "--criterion",
    type=click.Choice(["rms", "area"]),
    default="rms",
    show_default=True,
    help="What to make small: the RMS of the horizontal error, or the area of its ellipse.",
)
@click.option(
    "--step-m", type=FloatRange(0.05, 10_000), help="Step of the grid of waypoints; default: about 80 waypoints."
)
@click.option(
    "--trials",
    type=click.IntRange(0, 100_000),
    default=400,
    show_default=True,
    help="Simulated runs that check the prediction; 0 for none.",
)
@by_echoes_option
@click.option(
    "--echo-pings",
    type=click.IntRange(1, 1000),
    default=16,
    show_default=True,
    help="With --echoes: rendered and located, to see how many have a place; each takes about 2 s.",
)
@seed_option
@running_options
@output_options("the waypoints and the way through them")
def waypoints_command(
    scenario: Path,
    pinger_name: str | None,
    waypoints: int | None,
    pings: int | None,
    speed_m_s: float | None,
    time_s: float | None,
    prior: str | None,
    criterion: str,
    step_m: float | None,
    trials: int,
    by_echoes: bool,
    echo_pings: int,
    seed: int | None,
    running: Running,
    output: Output,
) -> None:
    """Propose waypoints at which SCENARIO's vehicle should stop and listen, in order, with the heading to hold.

    The run starts where the vehicle stands, keeps out of keep_out zones and ends at the last waypoint; travel and
    listening fit into the time.

    With --echoes a second run is proposed, for a crew with a site sketch as good as the pool's standard deviations say.

    \b
    Example:
      pingfix waypoints examples/mallard-basin.toml --plot waypoints.png
    """
    from acoustics.present.text.waypoints import waypoints_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.waypoints import study_waypoints

    scene = load_scene(scenario)
    asked = {
        "waypoints": waypoints,
        "pings_per_waypoint": pings,
        "speed_m_s": speed_m_s,
        "time_limit_s": time_s,
        "seed": seed,
    }
    given = {name: value for name, value in asked.items() if value is not None}
    scene = scene.model_copy(update={"study": scene.study.model_copy(update=given)})
    pinger = choose_pinger(scene, pinger_name)
    result = study_waypoints(
        scene,
        pinger,
        prior=prior,
        criterion=criterion,
        step_m=step_m,
        trials=trials,
        seed=scene.study.seed,
        echo_pings=echo_pings if by_echoes else 0,
        running=running,
        progress=Progress("planned and simulated"),
    )

    def draw() -> Figure:
        from acoustics.present.plot.waypoints import waypoints_plot

        return waypoints_plot(result, scene)

    output.show(result, waypoints_text, draw)
