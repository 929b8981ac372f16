"""`pingfix report`: one page for a design review."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import Output, choose_pinger, output_options, pinger_option, scenario_argument, seed_option
from acoustics.cli.progress import Progress


@click.command("report", short_help="Everything on one page, for a design review.")
@scenario_argument
@pinger_option
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The page; default: the scenario's name with .html, in this folder.",
)
@click.option(
    "--trials",
    type=click.IntRange(200, 1_000_000),
    help="Simulated pings at each spacing; default: study.trials.",
)
@click.option(
    "--runs",
    type=click.IntRange(0, 1000),
    default=0,
    show_default=True,
    help="Runs to rehearse, 10 to 20 s each: how they end, and a series of plans of what the first knew by when.",
)
@seed_option
@output_options()
def report_command(
    scenario: Path,
    pinger_name: str | None,
    out: Path | None,
    trials: int | None,
    runs: int,
    seed: int | None,
    output: Output,
) -> None:
    """Write what SCENARIO implies as one HTML page that needs no network: figures, tables, reasons, cautions.

    \b
    Example:
      pingfix report examples/mallard-basin.toml --out mallard-basin.html
    """
    from acoustics.base.files import check_free, write_file
    from acoustics.present.report.page import report_page
    from acoustics.scene.scenario import load_scene
    from acoustics.study.report import study_report

    scene = load_scene(scenario)
    out = out or Path(f"{scenario.stem}.html")
    check_free(out, force=output.force)
    progress = Progress("of the page")
    report = study_report(
        scene,
        choose_pinger(scene, pinger_name),
        scenario,
        trials=trials or max(scene.study.trials, 200),
        seed=scene.study.seed if seed is None else seed,
        progress=progress,
        runs=runs,
    )
    write_file(out, report_page(report).encode("utf-8"), force=output.force)
    progress(1, 1)
    output.show(report, lambda r: f"{out}: {r.scene.title} on one page; open it in a browser or print it")
