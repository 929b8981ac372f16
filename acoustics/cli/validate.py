"""`pingfix validate`: how good is an estimator, anyone's, on pings whose truth is known?"""

from __future__ import annotations

import sys
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acoustics.cli.numbers import FINITE, FloatRange
from acoustics.cli.options import (
    RANGE_M,
    Command,
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
    from acoustics.study.validate import Limits

_ECHOES = {"both": (False, True), "on": (True,), "off": (False,)}
_PERCENT = FloatRange(0, 100)
_POSITIVE = FloatRange(0, min_open=True)
_LIMITS = {
    "max_rms_deg": (_POSITIVE, "Limit of the RMS."),
    "max_p95_deg": (_POSITIVE, "Limit of the 95th percentile."),
    "max_unanswered_percent": (_PERCENT, "Limit of pings refused or failed."),
    "min_coverage_percent": (_PERCENT, "Least share of stated 95 % intervals that are true."),
}


def _limit_options(command: Command) -> Command:
    """An option for each field of `Limits`; the command is given them as `limits`."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        from acoustics.study.validate import Limits

        command(*args, limits=Limits(**{name: kwargs.pop(name) for name in _LIMITS}), **kwargs)

    for name, (kind, text) in reversed(_LIMITS.items()):
        run = click.option("--" + name.replace("_", "-"), type=kind, help=text)(run)
    return run


@click.command("validate", short_help="How good is an estimator, built in or your own?")
@scenario_argument
@click.argument("program", nargs=-1, type=click.UNPROCESSED)
@click.option("--estimator", metavar="WHAT", help="phase (default), correlation, phat, onset or module:function.")
@click.option("--results", type=click.Path(path_type=Path), metavar="FILE", help="Score a CSV computed elsewhere.")
@click.option("--export", type=click.Path(path_type=Path), metavar="FOLDER", help="Write the recordings and stop.")
@pinger_option
@click.option("--trials", type=click.IntRange(2, 1_000_000), default=288, show_default=True, help="Pings in all.")
@click.option("--range-m", type=RANGE_M, multiple=True, help="May be repeated; default: the vehicle's, 1/2, 1/4.")
@click.option(
    "--energy-ratio-db", type=FINITE, multiple=True, help="Burst's 2E/N0; may be repeated; default: as there, +/-10."
)
@click.option("--echoes", type=click.Choice(list(_ECHOES)), default="both", show_default=True)
@click.option("--time-limit-s", type=_POSITIVE, default=10.0, show_default=True, help="For a program, a ping.")
@_limit_options
@click.option(
    "--secret",
    metavar="HEX",
    help="Draw the pings from this and the seed, or, with none, from the seed alone; default: new for a program.",
)
@click.option("--each-ping", is_flag=True, help="Print a row for each ping as well.")
@seed_option
@running_options
@output_options("the error against SNR")
def validate_command(
    scenario: Path,
    program: tuple[str, ...],
    estimator: str | None,
    results: Path | None,
    export: Path | None,
    pinger_name: str | None,
    trials: int,
    range_m: tuple[float, ...],
    energy_ratio_db: tuple[float, ...],
    echoes: str,
    time_limit_s: float,
    limits: Limits,
    secret: str | None,
    each_ping: bool,
    seed: int | None,
    running: Running,
    output: Output,
) -> None:
    """Sound pings from all sides of SCENARIO's vehicle, near and far, weak and strong, with echoes and without, and
    score what an estimator makes of each recording.

    PROGRAM, after --, is any program with its arguments: no shell sees it. For each ping it runs in a folder of its
    own, gets the recording and its sidecar as last two arguments, and prints one line of JSON. One that hangs,
    floods, prints garbage or dies counts as failed for that ping. To compute elsewhere, --export the recordings
    and score --results with the same options.

    A program could read scenario and seed and work out the truth, so its pings are drawn from a secret as well, which
    the answer names afterwards. --secret repeats them.

    Beside another estimator the built-in one is asked about the same pings. --each-ping prints a row for each.

    Limits are held against the unfavourable end of the 95 % interval over all pings; exit code 1 if one is missed.

    \b
    Examples:
      pingfix validate examples/mallard-basin.toml --plot validate.png
      pingfix validate examples/mallard-basin.toml --max-rms-deg 8 -- python3 examples/estimators/beam.py
    """
    from acoustics.present.text.validate import gate_text, validation_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.validate import (
        NO_LIMITS,
        choose_design,
        choose_estimator,
        chosen_secret,
        export_design,
        read_results,
        validate_answers,
        validate_estimator,
    )

    if sum(map(bool, (program, estimator, results, export))) > 1:
        raise click.UsageError("--estimator, --results, --export and a program exclude each other; keep one of them")
    if secret is None and program and running.folder is not None:
        raise click.UsageError("--resume with a program needs --secret, so that the same pings come again")
    secret = chosen_secret(secret, of_program=bool(program))
    scene = load_scene(scenario)
    pinger = choose_pinger(scene, pinger_name)
    design = choose_design(
        scene,
        pinger,
        trials=trials,
        seed=scene.study.seed if seed is None else seed,
        range_m=range_m,
        energy_ratio_db=energy_ratio_db,
        echoes=_ECHOES[echoes],
        secret="" if secret == "none" else secret,
    )
    if export is not None:
        export_design(scene, pinger, design, export, progress=Progress("written"))
        _show_exported(export, trials, output)
        return
    asked: dict[str, Any] = {
        "limits": limits,
        "each_ping": each_ping,
        "running": running,
        "progress": Progress("tried"),
    }
    if results is not None:
        answers = read_results(results, trials)
        found = validate_answers(scene, pinger, design, answers, name=results.name, beside=True, **asked)
    else:
        chosen = choose_estimator(None if program else estimator or "phase", program=program, time_limit_s=time_limit_s)
        found = validate_estimator(scene, pinger, design, chosen, **asked)

    def draw() -> Figure:
        from acoustics.present.plot.validate import validation_plot

        return validation_plot(found)

    output.show(found, validation_text, draw)
    if limits != NO_LIMITS:
        click.echo(f"pingfix: {gate_text(found)}", err=True)
    if found.missed:
        sys.exit(1)


def _show_exported(folder: Path, recordings: int, output: Output) -> None:
    truth = folder / "truth.csv"
    written = {"folder": str(folder), "recordings": recordings, "truth": str(truth)}
    output.show(written, lambda _: f"{recordings} recordings in {folder}; keep {truth} from the estimator")
