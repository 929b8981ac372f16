"""`pingfix fuse`: one position from several pings, and the station it belongs to."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acoustics.cli.live import LiveOptions, live_options
from acoustics.cli.numbers import FloatRange
from acoustics.cli.options import Output, output_options

_LARGEST_STATE_BYTES = 10_000_000  # of two minutes of navigation and 200 pings: a third of it

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from acoustics.io.ping import Ping
    from acoustics.study.fuse import RunErrors
    from acoustics.study.live import LiveAnswer


def one_pinger(pings: list[Ping], name: str | None) -> list[Ping]:
    """The pings of one pinger: the named one, or the only one there is."""
    names = sorted({ping.pinger for ping in pings})
    if not pings:
        raise click.BadParameter("the files hold no ping", param_hint="PINGS")
    if name is None and len(names) > 1:
        raise click.BadParameter(f"there are several: {', '.join(names)}; name one", param_hint="--pinger")
    if name is not None and name not in names:
        raise click.BadParameter(f"no ping of {name!r}; known: {', '.join(names)}", param_hint="--pinger")
    chosen = [ping for ping in pings if name is None or ping.pinger == name]
    known: set[tuple[float, bytes]] = set()
    for ping in chosen:
        measured = (ping.time_s, ping.tdoa_s.tobytes())
        if ping.ok and measured in known:
            raise click.BadParameter(
                f"the ping of {ping.time_s:.3f} s is there twice, with the same time differences; each counts once",
                param_hint="PINGS",
            )
        known.add(measured)
    return chosen


@click.command("fuse", short_help="One position from several pings, and which station it is.")
@click.argument("pings", nargs=-1, required=True, type=click.Path(path_type=Path, allow_dash=True))
@click.option(
    "--navigation",
    metavar="FILE",
    help="CSV of poses over the pings' time; default: those in the pings. Live: JSON lines too, or 127.0.0.1:PORT.",
)
@click.option(
    "--scenario",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="For the water's outline, the stations and the vehicle's dead reckoning.",
)
@click.option("--pinger", "pinger_name", metavar="NAME", help="Which pinger; needed where there are several.")
@click.option(
    "--heading-bias-sd-deg",
    type=FloatRange(0, 180),
    help="Part of the heading's sd that lasts; default: the scenario's, else all of it.",
)
@click.option(
    "--drift-sd-m-per-root-m",
    type=FloatRange(0, 100),
    help="Dead reckoning's sd after 1 m, growing with the root; default: the scenario's, else 0.02.",
)
@click.option(
    "--log-scale-sd",
    type=FloatRange(0, 0.5),
    help="Relative sd of the velocity log; default: the scenario's, else 0.01.",
)
@click.option(
    "--sound-speed-sd-m-s",
    type=FloatRange(0, 100),
    help="Sd of the sound speed; default: the pings' own; 50 to take it as unknown.",
)
@click.option(
    "--dead-reckoned/--measured-places",
    default=None,
    help="Whether compass and log made the poses, so that a heading error turned the way between them, or each place "
    "was measured by itself. Default: dead reckoned with --navigation or an sd of it, else measured.",
)
@click.option(
    "--echoes",
    "by_echoes",
    is_flag=True,
    help="Places by echoes, as `locate --site` finds them, stand for their pings' bearings (experimental).",
)
@click.option("--csv", "csv_path", type=click.Path(path_type=Path), metavar="FILE", help="Write the position as CSV.")
@click.option("--pings-csv", type=click.Path(path_type=Path), metavar="FILE", help="Write one row a ping as CSV.")
@live_options
@output_options("the plan with bearings and ellipse")
def fuse_command(
    pings: tuple[Path, ...],
    navigation: str | None,
    scenario: Path | None,
    pinger_name: str | None,
    heading_bias_sd_deg: float | None,
    drift_sd_m_per_root_m: float | None,
    log_scale_sd: float | None,
    sound_speed_sd_m_s: float | None,
    dead_reckoned: bool | None,
    by_echoes: bool,
    csv_path: Path | None,
    pings_csv: Path | None,
    live: LiveOptions,
    output: Output,
) -> None:
    """Fuse the located pings in PINGS (files of JSON lines, in the order of listening) into one position.

    Wrong pings (a wrong cycle, an echo, another pinger) are rejected and counted. Errors of heading, velocity log,
    start, sound speed, mounting and channel skew are shared by the pings of the run. A sound speed taken as unknown is
    estimated along with the position, as far as the pings tell it.

    With --echoes, a place that `locate --site` found by a ping's echoes stands for its bearing; the sketch's errors are
    then shared by the pings as well. Where the places contradict the bearings they are left out.

    With - for PINGS, ping lines come from standard input as `pingfix locate` finds them, and each is answered by one
    line of JSON: the solution by now, what was rejected and why, whether to commit to a station, and where to listen
    next. The navigation may then be a file that grows, a pipe or a socket of this machine.

    Exit code 0 with a position to go by; 1 where there is none, and the answer says why; 2 for wrong input.

    \b
    Example:
      pingfix fuse pings.jsonl --scenario examples/mallard-basin.toml --plot fix.png
    """
    from acoustics.study.fuse import RunErrors

    if by_echoes and navigation is not None:
        raise click.UsageError("--echoes: places by echoes rest on the poses in the pings; leave out --navigation")
    errors = RunErrors(heading_bias_sd_deg, drift_sd_m_per_root_m, log_scale_sd, sound_speed_sd_m_s, dead_reckoned)
    if Path("-") in pings:
        if len(pings) > 1 or csv_path or pings_csv or output.plot:
            raise click.UsageError("- is the only PINGS of a live run, which has no --csv, --pings-csv and --plot")
        _live(scenario, navigation, pinger_name, errors, live, by_echoes=by_echoes, force=output.force)
        return
    if live.given:
        raise click.UsageError(f"{', '.join(live.given)}: only a live run has it, with - for PINGS")
    from acoustics.api.run import fuse
    from acoustics.base.files import check_different, check_free, write_file
    from acoustics.io.ping_lines import read_pings
    from acoustics.present.text.fuse import fusion_text, ping_csv, position_csv
    from acoustics.scene.scenario import load_scene

    check_different(csv_path, pings_csv)
    for path in (csv_path, pings_csv):
        if path is not None:
            check_free(path, force=output.force)
    scene = None if scenario is None else load_scene(scenario)
    run = one_pinger([p for path in pings for p in read_pings(path)], pinger_name)
    result = fuse(
        run,
        scene=scene,
        navigation=navigation,
        by_echoes=by_echoes,
        **asdict(errors),
    )

    def draw() -> Figure:
        from acoustics.present.plot.fuse import fusion_plot

        return fusion_plot(result, scene)

    for path, text in ((csv_path, position_csv), (pings_csv, ping_csv)):
        if path is not None:
            write_file(path, text(result).encode(), force=output.force)
    output.show(result, fusion_text, draw)
    if not result.ok:
        sys.exit(1)


def _live(
    scenario: Path | None,
    navigation: str | None,
    pinger_name: str | None,
    errors: RunErrors,
    live: LiveOptions,
    *,
    by_echoes: bool,
    force: bool,
) -> None:
    """A run from standard input, until it ends."""
    from acoustics.base.files import check_different, check_free
    from acoustics.base.toml_tables import read_json
    from acoustics.cli.live import follow_live, standard_input
    from acoustics.cli.options import choose_pinger
    from acoustics.io.navigation_stream import NavigationLog, check_navigation
    from acoustics.present.report.watch import watch_page
    from acoustics.scene.scenario import load_scene
    from acoustics.study.live import CommitRule, LiveRun, NextWaypoints

    check_different(live.state, live.page)
    if live.page is not None:
        check_free(live.page, force=force)
    if navigation is not None:
        check_navigation(navigation)
    scene = None if scenario is None else load_scene(scenario)
    waypoints = None
    if scene is not None and (pinger_name is not None or len(scene.pingers) == 1):
        pinger = choose_pinger(scene, pinger_name)
        pinger_name, waypoints = pinger.name, NextWaypoints(scene, pinger)
    run = LiveRun(
        scene,
        errors,
        live.window,
        None if navigation is None else NavigationLog(navigation),
        waypoints,
        CommitRule(live.commit_probability, live.wrong_station_cost_s),
        by_echoes,
    )
    if live.state is not None and live.state.exists():
        run.restore(read_json(live.state, _LARGEST_STATE_BYTES, "the state of a run"), str(live.state))

    def draw(answer: LiveAnswer) -> bytes:
        return watch_page(answer, scene).encode()

    last = follow_live(run, standard_input(), navigation, pinger_name, live, draw)
    if last.solution is None or not last.solution.ok:
        sys.exit(1)
