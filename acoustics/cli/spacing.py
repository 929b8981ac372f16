"""`pingfix spacing`: how far apart, and what sample rate."""

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


@click.command("spacing", short_help="How far apart should the hydrophones be, and what sample rate?")
@scenario_argument
@pinger_option
@click.option("--trials", type=click.IntRange(1, 1_000_000), help="Simulated pings a spacing; default: study.trials.")
@seed_option
@plot_option("bearing error against spacing")
@force_option
@json_option
def spacing_command(
    scenario: Path,
    pinger_name: str | None,
    trials: int | None,
    seed: int | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Sweep spacing by sample rate for SCENARIO and recommend one combination.

    \b
    Example:
      pingfix spacing examples/mallard-basin.toml --plot spacing.png
    """
    from acoustics.present.spacing_text import spacing_text
    from acoustics.present.style import check_picture, write_picture
    from acoustics.present.tables import to_json
    from acoustics.scenario import load_scene
    from acoustics.study.spacing import study_spacing

    if plot is not None:
        check_picture(plot, force=force)
    scene = load_scene(scenario)
    result = study_spacing(
        scene,
        choose_pinger(scene, pinger_name),
        trials=trials or scene.study.trials,
        seed=scene.study.seed if seed is None else seed,
        progress=Progress("simulated"),
    )
    if plot is not None:
        from acoustics.present.spacing_plot import spacing_plot

        write_picture(plot, spacing_plot(result), force=force)
    click.echo(to_json(result) if as_json else spacing_text(result))
