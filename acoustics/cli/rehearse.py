"""`pingfix rehearse`: whole runs in simulated time, from samples to the decision."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acoustics.cli.options import (
    Output,
    choose_pinger,
    commit_options,
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


@click.command("rehearse", short_help="Play whole runs: would they commit to the right station in time?")
@scenario_argument
@pinger_option
@click.option("--runs", type=click.IntRange(1, 100_000), default=40, show_default=True, help="How many.")
@commit_options()
@seed_option
@running_options
@output_options("the first run from above")
def rehearse_command(
    scenario: Path,
    pinger_name: str | None,
    runs: int,
    commit_probability: float,
    wrong_station_cost_s: float | None,
    seed: int | None,
    running: Running,
    output: Output,
) -> None:
    """Play whole runs at SCENARIO in simulated time, through the loop of `pingfix fuse -`, and count how they end.

    The pinger stands at one of the stations, by their priors. The vehicle listens, obeys the waypoints with the errors
    of its navigation, and commits or does not; samples are rendered with echoes, in motion with the loudest of
    the scene's noise states. Beside the shares stands what `pingfix stations` predicts.

    \b
    Example:
      pingfix rehearse examples/mallard-basin.toml --runs 20 --plot run.png
    """
    from acoustics.present.text.rehearse import rehearsal_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.live import CommitRule
    from acoustics.study.rehearse import study_rehearsal

    scene = load_scene(scenario)
    result = study_rehearsal(
        scene,
        choose_pinger(scene, pinger_name),
        CommitRule(commit_probability, wrong_station_cost_s),
        runs=runs,
        seed=scene.study.seed if seed is None else seed,
        running=running,
        progress=Progress("played"),
    )

    def draw() -> Figure:
        from acoustics.present.plot.rehearse import rehearsal_plot

        return rehearsal_plot(result, scene)

    output.show(result, rehearsal_text, draw)
