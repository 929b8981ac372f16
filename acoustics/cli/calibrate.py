"""`pingfix calibrate`: where the hydrophones really are, from pings of a known source."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from acoustics.base.errors import OutputError
from acoustics.cli.numbers import FINITE, FloatRange
from acoustics.cli.options import (
    COORDINATE_M,
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

    from acoustics.scene.scene import Scene
    from acoustics.study.calibrate import CalibratedArray
    from acoustics.study.execution import Running

_PLANNING = (
    *("headings", "pings_each", "source_depths_m", "range_m", "runs", "seed", "unknown_depth"),
    *("jobs", "cluster", "resume"),
)
_WITH_PINGS = ("source_m", "sources", "out")


@click.command("calibrate", short_help="Where are the hydrophones really? From pings of a known source.")
@scenario_argument
@click.option(
    "--pings",
    "pings_files",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="Located pings, one JSON line each; may be repeated. Without it, a run is planned by simulation.",
)
@click.option("--source-m", type=COORDINATE_M, nargs=3, metavar="X Y Z", help="Where the source was, site frame.")
@click.option(
    "--sources",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="CSV with ping,x_m,y_m,z_m[,source]: where it was for each ping; one coordinate may be blank (unknown).",
)
@click.option(
    "--source-sd-m",
    type=FloatRange(0, 100),
    default=0.05,
    show_default=True,
    help="How well the source's place is known along each axis, standard deviation.",
)
@click.option(
    "--wobble-sd-deg",
    type=FloatRange(0, 30),
    default=0.5,
    show_default=True,
    help="What roll, pitch and heading are off by from pose to pose, beside their constant error.",
)
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write the corrected array."
)
@click.option(
    "--headings", type=click.IntRange(1, 360), default=12, show_default=True, help="Plan: headings all round."
)
@click.option("--pings-each", type=click.IntRange(1, 100), default=5, show_default=True, help="Plan: pings at each.")
@click.option(
    "--source-depth-m",
    "source_depths_m",
    type=FINITE,
    multiple=True,
    help="Plan: depth of the source; may be repeated.",
)
@click.option("--unknown-depth", is_flag=True, help="Plan: the depth of the source is not known.")
@click.option("--range-m", type=RANGE_M, help="Plan: horizontal distance from the source.")
@click.option("--runs", type=click.IntRange(2, 100_000), default=200, show_default=True, help="Plan: to simulate.")
@pinger_option
@seed_option
@running_options
@output_options("what is known before and after")
@click.pass_context
def calibrate_command(
    context: click.Context,
    scenario: Path,
    pings_files: tuple[Path, ...],
    source_m: tuple[float, float, float] | None,
    sources: Path | None,
    source_sd_m: float,
    wobble_sd_deg: float,
    out: Path | None,
    headings: int,
    pings_each: int,
    source_depths_m: tuple[float, ...],
    unknown_depth: bool,
    range_m: float | None,
    runs: int,
    pinger_name: str | None,
    seed: int | None,
    running: Running,
    output: Output,
) -> None:
    """Estimate hydrophone positions, channel delays, sound speed and the array's rotation.

    With --pings and the place of their source, from pings that `pingfix locate` found while the vehicle turned or
    moved; --out writes the corrected array. With SCENARIO alone, plan such a run: the vehicle turns on the spot,
    errors are drawn from the scenario's tolerances, and what is recovered is shown.

    \b
    Examples:
      pingfix calibrate examples/mallard-basin.toml --range-m 5
      pingfix calibrate pool.toml --pings turn.jsonl --source-m 20 8 2.4 --out corrected.toml
    """
    from acoustics.base.files import check_free
    from acoustics.present.text.calibrate import calibration_text, plan_text
    from acoustics.scene.scenario import load_scene

    _refuse_strangers(context, _PLANNING if pings_files else _WITH_PINGS, not pings_files)
    if out is not None:
        check_free(out, force=output.force)
    scene = load_scene(scenario)
    if not pings_files:
        from acoustics.study.calibrate import RunPlan, plan_calibration

        plan = RunPlan(headings, pings_each, source_depths_m, range_m, source_sd_m, not unknown_depth, wobble_sd_deg)
        pinger = choose_pinger(scene, pinger_name)
        seed = scene.study.seed if seed is None else seed
        planned = plan_calibration(
            scene, pinger, plan, runs=runs, seed=seed, running=running, progress=Progress("simulated")
        )

        def draw_plan() -> Figure:
            from acoustics.present.plot.calibrate import plan_plot

            return plan_plot(planned)

        output.show(planned, plan_text, draw_plan)
        return
    found = _calibrated(scene, pings_files, source_m, sources, source_sd_m, wobble_sd_deg, pinger_name)

    def draw() -> Figure:
        from acoustics.present.plot.calibrate import calibration_plot

        return calibration_plot(found)

    if out is not None and found.ok:
        _write_array(out, scene, found, output.force)
    output.show(found, calibration_text, draw)
    if out is not None and not found.ok:
        raise OutputError(f"{out}: not written, since the calibration is not usable: {found.reason}")


def _refuse_strangers(context: click.Context, names: tuple[str, ...], planning: bool) -> None:
    """Refuse options of the other way of working, rather than pass over them in silence."""
    for parameter in context.command.params:
        given = context.get_parameter_source(parameter.name or "") == ParameterSource.COMMANDLINE
        if parameter.name in names and given:
            how = "needs --pings FILE" if planning else "is for planning, and excludes --pings"
            raise click.UsageError(f"{parameter.opts[0]} {how}")


def _calibrated(
    scene: Scene,
    pings_files: tuple[Path, ...],
    source_m: tuple[float, float, float] | None,
    sources: Path | None,
    source_sd_m: float,
    wobble_sd_deg: float,
    pinger: str | None,
) -> CalibratedArray:
    from acoustics.io.ping_lines import read_pings
    from acoustics.study.calibrate import SourcePlace, calibrate_from_pings, calibration_input, read_sources

    if sources is not None and len(pings_files) > 1:
        raise click.UsageError("--sources goes by the pings' numbers, which every file counts again: give one --pings")
    if sources is not None and source_m is None:
        places: SourcePlace | dict[int, SourcePlace] = read_sources(sources)
    elif source_m is not None and sources is None:
        places = SourcePlace("source", source_m)
    else:
        raise click.UsageError("--pings needs the place of the source: either --source-m X Y Z or --sources FILE")
    given = calibration_input(
        [ping for file in pings_files for ping in read_pings(file)],
        scene,
        places,
        origin=", ".join(map(str, pings_files)),
        pinger=pinger,
        source_sd_m=source_sd_m,
        wobble_sd=math.radians(wobble_sd_deg),
    )
    return calibrate_from_pings(scene, given)


def _write_array(out: Path, scene: Scene, found: CalibratedArray, force: bool) -> None:
    from acoustics.base.files import write_file
    from acoustics.present.text.calibrate import array_remarks
    from acoustics.study.calibrate import array_file_text, corrected_array

    text = array_file_text(corrected_array(scene.array, found), array_remarks(found))
    write_file(out, text.encode("utf-8"), force=force)
