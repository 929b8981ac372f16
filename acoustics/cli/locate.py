"""`pingfix locate`: pings in a recording, with delays, direction and position."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acoustics.cli.numbers import FINITE, FloatRange
from acoustics.cli.options import force_option, json_option, show_text
from acoustics.cli.progress import Progress

if TYPE_CHECKING:
    from acoustics.io.ping import Ping
    from acoustics.io.sidecar import Sidecar
    from acoustics.io.streams import SampleStream

_METHODS = ("phase", "correlation", "phat", "onset")
_RAW_KINDS = ("int16", "int32", "uint16", "uint32")


@click.command("locate", short_help="Find the pings in a recording: delays, bearing, position.")
@click.argument("recording", type=click.Path(path_type=Path, allow_dash=True))
@click.option("--sidecar", "sidecar_file", type=click.Path(path_type=Path), metavar="FILE", help="Notes in JSON.")
@click.option("--scenario", type=click.Path(path_type=Path), metavar="FILE", help="Where there are no notes.")
@click.option(
    "--array", type=click.Path(path_type=Path), metavar="FILE", help="A calibrated array, in place of the notes'."
)
@click.option("--method", type=click.Choice(_METHODS), default="phase", show_default=True, help="How delays are found.")
@click.option("--pinger", "pinger_names", multiple=True, metavar="NAME", help="Only this pinger; may be repeated.")
@click.option("--sound-speed-m-s", type=FloatRange(1000, 2000), help="Instead of the one in the notes.")
@click.option(
    "--false-alarms-per-hour",
    type=FloatRange(1e-6, 3600),
    default=1.0,
    show_default=True,
    help="At most, in each pinger's band, in noise alone.",
)
@click.option("--raw", type=click.Choice(_RAW_KINDS), help="RECORDING holds interleaved integers without a header.")
@click.option("--big-endian", is_flag=True, help="Raw: the most significant byte comes first.")
@click.option("--channels", type=click.IntRange(1, 256), help="Raw: how many; default: those in the notes.")
@click.option("--sample-rate-hz", type=FloatRange(1000, 100_000_000), help="Raw: default: the rate in the notes.")
@click.option(
    "--site",
    "site_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Site sketch in TOML: also a position by each ping's echoes (experimental).",
)
@click.option(
    "--surveyed-m",
    type=(FINITE, FINITE, FINITE),
    metavar="X Y Z",
    help="With --site: where the pinger is; prints how far off each position is.",
)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Write the ping lines.")
@force_option
@json_option
def locate_command(
    recording: Path,
    sidecar_file: Path | None,
    scenario: Path | None,
    array: Path | None,
    method: str,
    pinger_names: tuple[str, ...],
    sound_speed_m_s: float | None,
    false_alarms_per_hour: float,
    raw: Any,
    big_endian: bool,
    channels: int | None,
    sample_rate_hz: float | None,
    site_file: Path | None,
    surveyed_m: tuple[float, float, float] | None,
    out: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Find the pings in RECORDING (.wav, .w64, .flac, .npy, .csv, raw integers, or - for raw integers from a pipe).

    Array, water, pingers and pose come from the notes beside RECORDING (same name, .json), from --sidecar or from a
    --scenario; with --array, the hydrophones' places and delays from what `pingfix calibrate` wrote. From standard
    input, or with --json, each ping is one line of JSON, given as soon as it is found; `pingfix fuse` and `pingfix
    calibrate` read such lines from the file that --out writes, each line as it comes:
    what was heard stays if the recording breaks off.

    With --site, what the crew knows of the pool (`pingfix simulate` writes such a file), the echoes of each ping are
    used as measurements: a position from one ping. Experimental: see the guide's echoes.md.

    \b
    Example:
      pingfix simulate examples/mallard-basin.toml ping.wav && pingfix locate ping.wav
    """
    from acoustics.base.errors import on_one_line
    from acoustics.base.files import growing_file
    from acoustics.estimate.locate import LocateOptions, Tally, locate
    from acoustics.io.site_sketch import read_sketch
    from acoustics.present.text.echoes import echoes_text
    from acoustics.present.text.locate import locate_text

    is_pipe = str(recording) == "-"
    if is_pipe and raw is None:
        raise click.UsageError("standard input holds raw integers: say which with --raw")
    if raw is None and (big_endian or channels or sample_rate_hz):
        raise click.UsageError("--big-endian, --channels and --sample-rate-hz belong to --raw")
    if surveyed_m is not None and site_file is None:
        raise click.UsageError("--surveyed-m belongs to --site")
    site = None if site_file is None else read_sketch(site_file)
    sidecar = _notes(recording, sidecar_file, scenario, sound_speed_m_s)
    if array is not None:
        from acoustics.scene.scenario import load_array
        from acoustics.study.simulate import with_array

        sidecar = with_array(sidecar, load_array(array))
    line_by_line = as_json or is_pipe
    with growing_file(out, force=force) if out is not None else nullcontext() as add:
        stream = _stream(recording, sidecar, raw, big_endian, channels, sample_rate_hz)
        tally = Tally()
        options = LocateOptions(method, pinger_names, false_alarms_per_hour, site)
        pings = _kept(locate(_watched(stream), sidecar, options, tally=tally), add, out, show=line_by_line)
    if not line_by_line:
        show_text(
            locate_text(on_one_line(str(recording)), pings, tally, None if out is None else on_one_line(str(out)))
        )
        if site is not None and pings:
            show_text(echoes_text(pings, surveyed_m))


def _kept(found: Iterable[Ping], add: Callable[[bytes], None] | None, out: Path | None, *, show: bool) -> list[Ping]:
    """The pings as they are found, written to the file and shown line by line, if so asked; those shown are not held,
    since a stream may never end."""
    from acoustics.io.ping_lines import ping_line

    pings: list[Ping] = []
    written = False
    try:
        for ping in found:
            line = ping_line(ping)
            if add is not None:
                add(f"{line}\n".encode())
                written = True
            if show:
                click.echo(line)  # which flushes
            else:
                pings.append(ping)
    except (KeyboardInterrupt, click.Abort):
        raise click.Abort(f"the pings found until then stand in {out}" if written else "") from None
    return pings


def _notes(recording: Path, sidecar_file: Path | None, scenario: Path | None, sound_speed_m_s: float | None) -> Sidecar:
    """What is known of the recording, from the file that says so."""
    from acoustics.base.errors import InputError
    from acoustics.io.sidecar import notes_beside, read_sidecar

    if sidecar_file is not None and scenario is not None:
        raise click.UsageError("--sidecar and --scenario exclude each other; keep one of them")
    beside = notes_beside(recording) if str(recording) != "-" else None
    if sidecar_file is None and scenario is None and beside is not None and beside.exists():
        sidecar_file = beside
    if sidecar_file is not None:
        sidecar = read_sidecar(sidecar_file)
    elif scenario is not None:
        from acoustics.scene.scenario import load_scene
        from acoustics.study.simulate import sidecar_of_scene

        sidecar = sidecar_of_scene(load_scene(scenario))
    else:
        if beside is not None and not recording.exists():
            raise InputError(str(recording), "", "cannot be read: no such file or directory")
        where = "from standard input" if beside is None else f"and {beside} is not there"
        raise click.UsageError(f"no notes of the recording {where}: give --sidecar or --scenario")
    if sound_speed_m_s is None:
        return sidecar
    return sidecar.model_copy(update={"sound_speed_m_s": sound_speed_m_s})


def _stream(
    recording: Path,
    sidecar: Sidecar,
    raw: Any,
    big_endian: bool,
    channels: int | None,
    sample_rate_hz: float | None,
) -> SampleStream:
    from acoustics.io.streams import RawFormat, stream_raw, stream_raw_file, stream_recording

    if raw is None:
        return stream_recording(recording, sidecar)
    layout = RawFormat(raw, big_endian, channels or len(sidecar.channels), sample_rate_hz or sidecar.sample_rate_hz)
    if str(recording) == "-":
        return stream_raw(sys.stdin.buffer, layout, sidecar, source="standard input")
    return stream_raw_file(recording, layout, sidecar)


def _watched(stream: SampleStream) -> SampleStream:
    """The same stream; tells on standard error how far it is, if its length is known."""
    from dataclasses import replace

    if stream.n_samples is None:
        return stream
    total, progress = stream.n_samples, Progress("worked through")

    def blocks() -> Iterator[Any]:
        done = 0
        progress(done, total)
        for block in stream.blocks:
            yield block
            done += block.shape[-1]
            progress(done, total)

    return replace(stream, blocks=blocks())
