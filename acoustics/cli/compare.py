"""`pingfix compare`: scenarios or arrays side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from acoustics.cli.options import Output, choose_pinger, output_options, pinger_option

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@click.command("compare", short_help="Scenarios or arrays side by side, with every difference.")
@click.argument("files", nargs=-1, required=True)
@pinger_option
@output_options("what decides between them as bars")
def compare_command(files: tuple[str, ...], pinger_name: str | None, output: Output) -> None:
    """Set FILES side by side, each held against the first: noise, echoes, wrong integers, errors of bearing and
    position.

    Each is a scenario, an array file, or the name of a shipped array. An array stands in the first scenario given, in
    place of that one's own.

    \b
    Example:
      pingfix compare examples/mallard-basin.toml tetra-4 hull-4 --plot compared.png
    """
    from acoustics.present.text.compare import comparison_text
    from acoustics.scene.alternatives import load_alternatives
    from acoustics.study.compare import compare_scenes

    scenes = load_alternatives(files)
    result = compare_scenes(scenes, {name: choose_pinger(scene, pinger_name) for name, scene in scenes.items()})

    def draw() -> Figure:
        from acoustics.present.plot.compare import comparison_plot

        return comparison_plot(result)

    output.show(result, comparison_text, draw)
