"""Arguments and options that several commands share, each said once."""

from __future__ import annotations

import re
from collections.abc import Callable
from copy import copy
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acoustics.base.errors import InputError, SceneError
from acoustics.base.record import record
from acoustics.cli.numbers import FloatRange
from acoustics.cli.progress import Progress

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from acoustics.scene.pinger import Pinger
    from acoustics.scene.scene import Scene

Command = Callable[..., None]
# Beyond any range at which a pinger is heard; powers of larger numbers overflow.
RANGE_M = FloatRange(0, 100_000, min_open=True)
COORDINATE_M = FloatRange(-10_000_000, 10_000_000)
_WRITTEN = ("file", "out", "plot", "csv_path", "pings_csv", "export")  # parameters that name what a command writes
_RULE = re.compile(r"^-+(  -+)*$", re.MULTILINE)  # under the headings of a table

scenario_argument = click.argument("scenario", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for machines instead of tables.")
force_option = click.option("--force", is_flag=True, help="Overwrite a file that exists.")
pinger_option = click.option("--pinger", "pinger_name", metavar="NAME", help="Which pinger; default: the first.")
every_pinger_option = click.option(
    "--pinger", "pinger_name", metavar="NAME", help="Plan for this pinger alone; default: for all together."
)
by_echoes_option = click.option(
    "--echoes",
    "by_echoes",
    is_flag=True,
    help="Plan beside it with places by echoes, as `locate --site` and `fuse --echoes` have them (experimental).",
)
seed_option = click.option("--seed", type=click.IntRange(min=0), help="Seed; default: study.seed of the scenario.")


def show_text(text: str) -> None:
    """Print words and tables, what stands over a table's rule bold on a terminal."""
    click.echo("\n\n".join(map(_emphasised, text.split("\n\n"))))


def _emphasised(paragraph: str) -> str:
    rule = _RULE.search(paragraph)
    return paragraph if rule is None else click.style(paragraph[: rule.start()], bold=True) + paragraph[rule.start() :]


def show_result(result: object, text: Callable[[Any], str], *, as_json: bool) -> None:
    """Print a result as JSON or in words."""
    if as_json:
        from acoustics.present.text.tables import to_json

        click.echo(to_json(result))
    else:
        show_text(text(result))


def guarded(command: click.Command) -> click.Command:
    """The command, which does not write onto a file that it reads: --force replaces results, not what they rest on.

    Where a study refuses the scenario, it names the file, which the study does not know.
    """

    def run(*args: Any, **kwargs: Any) -> Any:
        context = click.get_current_context()
        files: dict[bool, list[Path]] = {True: [], False: []}
        for parameter in context.command.params:
            value = context.params.get(str(parameter.name))
            paths = value if isinstance(value, tuple) else (value,)
            files[parameter.name in _WRITTEN] += [path for path in paths if isinstance(path, Path) and path.is_file()]
        for path in files[True]:
            if any(path.samefile(read) for read in files[False]):
                raise click.UsageError(f"{path}: is read here; choose another name for what is written")
        try:
            return command.callback(*args, **kwargs) if command.callback else None
        except SceneError as error:
            if scenario := context.params.get("scenario"):
                raise InputError(str(scenario), "", str(error)) from None
            raise

    guard = copy(command)
    guard.callback = run
    return guard


@record
class Output:
    """Where a command's result goes: words or JSON to standard output, a picture to a file."""

    as_json: bool
    force: bool
    plot: Path | None

    def show(self, result: object, text: Callable[[Any], str], draw: Callable[[], Figure] | None = None) -> None:
        """Write the picture if one is asked for, then print the result."""
        Progress.end()
        if self.plot is not None and draw is not None:
            from acoustics.present.plot.style import write_picture

            write_picture(self.plot, draw(), force=self.force)
        show_result(result, text, as_json=self.as_json)


def output_options(picture: str | None = None) -> Callable[[Command], Command]:
    """`--force` and `--json`, and `--plot` for a command that can draw `picture`; the command is given an `output`.

    A picture's name that cannot be written is refused before the long work, not after it.
    """
    plot_option = click.option(
        "--plot",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help=f"Draw {picture}; .png or .svg.",
    )

    def decorate(command: Command) -> Command:
        @wraps(command)
        def run(*args: Any, force: bool, as_json: bool, plot: Path | None = None, **kwargs: Any) -> None:
            if plot is not None:
                from acoustics.present.plot.style import check_picture

                check_picture(plot, force=force)
            command(*args, output=Output(as_json, force, plot), **kwargs)

        with_files = force_option(json_option(run))
        return plot_option(with_files) if picture is not None else with_files

    return decorate


def commit_options(only: str = "") -> Callable[[Command], Command]:
    """`--commit-probability` and `--wrong-station-cost-s`, when a run commits; the help says what `only` takes them."""
    probability, cost = (
        only + sentence if only else sentence.capitalize()
        for sentence in (
            "commit to a station from here on.",
            "what a wrong station costs, in seconds of the run; commit when listening costs more.",
        )
    )

    def decorate(command: Command) -> Command:
        seconds = FloatRange(0, 1_000_000, min_open=True)
        command = click.option("--wrong-station-cost-s", type=seconds, help=cost)(command)
        return click.option(
            "--commit-probability",
            type=FloatRange(0.5, 1, max_open=True),
            default=0.95,
            show_default=True,
            help=probability,
        )(command)

    return decorate


def running_options(command: Command) -> Command:
    """`--jobs`, `--cluster` and `--resume` for a long study; the command is given them as `running`."""

    @wraps(command)
    def run(*args: Any, jobs: int, cluster: str | None, resume: Path | None, **kwargs: Any) -> None:
        if jobs > 1:  # they load the study while this process loads it, too, and reads the scenario
            from acoustics.base.processes import prepare_processes

            prepare_processes(__name__, f"acoustics.study.{click.get_current_context().info_name}")
        from acoustics.study.execution import Running, Workers

        command(*args, running=Running(Workers(jobs, cluster), resume), **kwargs)

    for option in (
        click.option(
            "--resume",
            type=click.Path(path_type=Path, file_okay=False),
            metavar="FOLDER",
            help="Keep finished parts in FOLDER as they come; started again with it, go on where it stopped.",
        ),
        click.option(
            "--cluster",
            metavar="ADDRESS",
            help="Work on the Dask cluster whose scheduler is there, such as tcp://10.0.0.5:8786 "
            "(needs pingfix[cluster]).",
        ),
        click.option(
            "--jobs",
            type=click.IntRange(min=1),
            default=1,
            show_default=True,
            metavar="N",
            help="Processes to work with; at most one a core. The numbers stay the same.",
        ),
    ):
        run = option(run)
    return run


def choose_pinger(scene: Scene, name: str | None) -> Pinger:
    """The pinger of that name, or the first."""
    if name is None:
        return scene.pingers[0]
    for pinger in scene.pingers:
        if pinger.name == name:
            return pinger
    known = ", ".join(p.name for p in scene.pingers)
    raise click.BadParameter(f"no pinger {name!r} in the scenario; known: {known}", param_hint="--pinger")
