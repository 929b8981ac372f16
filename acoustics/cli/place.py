"""`pingfix place`: where on the vehicle to mount the hydrophones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from acoustics.cli.numbers import FINITE, FloatRange
from acoustics.cli.options import (
    RANGE_M,
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


@click.command("place", short_help="Where on the vehicle to mount the hydrophones?")
@scenario_argument
@pinger_option
@click.option("--hydrophones", type=click.IntRange(3, 8), help="How many; default: as many as the scenario's array.")
@click.option(
    "--of",
    type=click.Choice(["bearing", "position"]),
    default="bearing",
    show_default=True,
    help="What to make good: the bearing, or the horizontal position by the vehicle, the depth being known.",
)
@click.option(
    "--criterion",
    type=click.Choice(["worst", "mean"]),
    default="worst",
    show_default=True,
    help="Judge by the worst direction, or by the mean over all (RMS).",
)
@click.option("--from-deg", type=FINITE, help="Start of the sector of bearings from the bow that matter, clockwise.")
@click.option("--to-deg", type=FINITE, help="End of that sector. Default: bearings all round.")
@click.option(
    "--depression-deg",
    "depressions_deg",
    type=FloatRange(-90, 90),
    multiple=True,
    help="Depression that matters, may be repeated; default: the pinger's.",
)
@click.option(
    "--range-m",
    "ranges_m",
    type=RANGE_M,
    multiple=True,
    help="Distance of the pinger that matters, may be repeated; default: from where the vehicle stands.",
)
@click.option(
    "--starts",
    type=click.IntRange(1, 1000),
    default=3,
    show_default=True,
    help="Random starts of the search, besides the best shipped arrays: more take longer and may find better.",
)
@seed_option
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write the array found; .toml."
)
@running_options
@output_options("the array on the vehicle, and its error by bearing")
def place_command(
    scenario: Path,
    pinger_name: str | None,
    hydrophones: int | None,
    of: Literal["bearing", "position"],
    criterion: str,
    from_deg: float | None,
    to_deg: float | None,
    depressions_deg: tuple[float, ...],
    ranges_m: tuple[float, ...],
    starts: int,
    seed: int | None,
    out: Path | None,
    running: Running,
    output: Output,
) -> None:
    """Search SCENARIO's mounting for the places of the hydrophones that err least, in bearing or in position.

    The probability of a wrong cycle is held to study.wrong_cycle_limit. What is allowed stands in the table
    [mounting]; without one it is the box below the origin that vehicle.hull_m spans. The shipped arrays are judged
    in the same mounting, by the same measure.

    \b
    Examples:
      pingfix place examples/mallard-basin.toml --hydrophones 4 --out our-array.toml
      pingfix place examples/mallard-basin.toml --of position --range-m 3 --range-m 6 --starts 20 --jobs 2
    """
    from acoustics.base.errors import ParameterError
    from acoustics.base.files import check_free, write_file
    from acoustics.present.text.place import place_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.calibrate import array_file_text
    from acoustics.study.place import Aim, placed_array, placement_remarks, study_place

    if out is not None:
        if out.suffix != ".toml":
            raise ParameterError(f"{out}: an array file's name must end in .toml")
        check_free(out, force=output.force)
    scene = load_scene(scenario)
    result = study_place(
        scene,
        choose_pinger(scene, pinger_name),
        min(max(len(scene.array.hydrophones), 3), 8) if hydrophones is None else hydrophones,
        aim=Aim(of, criterion == "worst", from_deg, to_deg, depressions_deg, ranges_m),
        random_starts=starts,
        trials=scene.study.trials,
        seed=scene.study.seed if seed is None else seed,
        running=running,
        progress=Progress("searched"),
    )

    def draw() -> Figure:
        from acoustics.present.plot.place import place_plot

        return place_plot(result, scene)

    if out is not None:
        text = array_file_text(placed_array(result, out.stem), placement_remarks(result))
        write_file(out, text.encode(), force=output.force)
    output.show(result, place_text, draw)
