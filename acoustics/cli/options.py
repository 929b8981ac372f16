"""Arguments and options that several commands share, each said once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acoustics.scene.pinger import Pinger
    from acoustics.scene.scene import Scene

scenario_argument = click.argument("scenario", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines instead of tables.")
force_option = click.option("--force", is_flag=True, help="Overwrite a file that exists.")
pinger_option = click.option("--pinger", "pinger_name", metavar="NAME", help="Which pinger; default: the first.")
seed_option = click.option("--seed", type=click.IntRange(min=0), help="Seed; default: study.seed of the scenario.")

jobs_option = click.option(
    "--jobs",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    metavar="N",
    help="Processes to work with; at most one a core. The numbers stay the same.",
)
cluster_option = click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Work on the Dask cluster whose scheduler is there, such as tcp://10.0.0.5:8786 (needs pingfix[cluster]).",
)
resume_option = click.option(
    "--resume",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Keep finished parts in FOLDER as they come; started again with it, go on where it stopped.",
)


def plot_option(what: str) -> Callable[[Any], Any]:
    """`--plot FILE` for a command that can draw `what`."""
    return click.option(
        "--plot",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help=f"Draw {what}; .png or .svg.",
    )


def choose_pinger(scene: Scene, name: str | None) -> Pinger:
    """The pinger of that name, or the first."""
    if name is None:
        return scene.pingers[0]
    for pinger in scene.pingers:
        if pinger.name == name:
            return pinger
    known = ", ".join(p.name for p in scene.pingers)
    raise click.BadParameter(f"no pinger {name!r} in the scenario; known: {known}", param_hint="--pinger")
