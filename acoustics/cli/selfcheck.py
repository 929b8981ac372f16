"""`pingfix selfcheck`: does it compute rightly on this machine?"""

from __future__ import annotations

import click

from acoustics.cli.options import json_option, show_result
from acoustics.cli.progress import Progress


@click.command("selfcheck", short_help="Does pingfix compute rightly on this machine?")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Seed of the simulation.")
@click.option(
    "--trials",
    type=click.IntRange(100, 1_000_000),
    default=4000,
    show_default=True,
    help="Simulated pings a row.",
)
@json_option
@click.pass_context
def selfcheck_command(context: click.Context, seed: int, trials: int, as_json: bool) -> None:
    """Compare published values and the estimators' accuracy with what this machine computes.

    Prints value, reference, source and deviation of each check. Exit code 1 if any fails.

    \b
    Example:
      pingfix selfcheck
    """
    from acoustics.present.text.selfcheck import selfcheck_text
    from acoustics.study.selfcheck import self_check

    result = self_check(seed=seed, trials=trials, progress=Progress("checked"))
    show_result(result, selfcheck_text, as_json=as_json)
    if not result.passed:
        context.exit(1)
