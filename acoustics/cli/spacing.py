"""`pingfix spacing`: how far apart, and what sample rate."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acoustics.cli.options import (
    Output,
    choose_pinger,
    every_pinger_option,
    output_options,
    scenario_argument,
    seed_option,
)
from acoustics.cli.progress import Progress

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@click.command("spacing", short_help="How far apart should the hydrophones be, and what sample rate?")
@scenario_argument
@every_pinger_option
@click.option("--trials", type=click.IntRange(1, 1_000_000), help="Simulated pings a spacing; default: study.trials.")
@seed_option
@output_options("bearing error against spacing")
def spacing_command(
    scenario: Path,
    pinger_name: str | None,
    trials: int | None,
    seed: int | None,
    output: Output,
) -> None:
    """Sweep spacing by sample rate for SCENARIO and recommend one combination, good for all its pingers.

    \b
    Example:
      pingfix spacing examples/mallard-basin.toml --plot spacing.png
    """
    from acoustics.present.text.spacing import spacing_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.spacing import study_spacing

    scene = load_scene(scenario)
    result = study_spacing(
        scene,
        scene.pingers if pinger_name is None else (choose_pinger(scene, pinger_name),),
        trials=trials or scene.study.trials,
        seed=scene.study.seed if seed is None else seed,
        progress=Progress("simulated"),
    )

    def draw() -> Figure:
        from acoustics.present.plot.spacing import spacing_plot

        return spacing_plot(result)

    output.show(result, spacing_text, draw)
