"""`pingfix simulate`: synthetic recordings with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from acoustics.cli.numbers import FloatRange
from acoustics.cli.options import COORDINATE_M, Output, output_options, scenario_argument, seed_option
from acoustics.cli.progress import Progress


@click.command("simulate", short_help="Write a synthetic recording, and the truth beside it.")
@scenario_argument
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--pings", type=click.IntRange(1, 1_000_000), help="Length in pings of the first pinger.  [default: 3]")
@click.option("--seconds", type=FloatRange(0, min_open=True), help="Length in seconds instead.")
@click.option(
    "--place-m", type=COORDINATE_M, nargs=3, metavar="X Y Z", help="Where the vehicle is, instead of the scenario's."
)
@click.option("--heading-deg", type=FloatRange(-360, 360), help="Its heading, instead of the scenario's.")
@click.option("--echoes/--no-echoes", default=True, show_default=True, help="Whether the pool's faces reflect.")
@click.option(
    "--reverberation-ms",
    type=FloatRange(0, 1000, min_open=True),
    default=20.0,
    show_default=True,
    help="Latest echo after the direct sound.",
)
@click.option(
    "--format",
    "encoding",
    type=click.Choice(["wav16", "wav24", "wav32", "flac16", "flac24", "npy"]),
    help="Default: by FILE's ending and recorder.bits.",
)
@click.option("--failed", multiple=True, metavar="NAME", help="A hydrophone that gives nothing; may be repeated.")
@click.option("--inverted", multiple=True, metavar="NAME", help="One of the wrong polarity; may be repeated.")
@click.option("--swapped", multiple=True, nargs=2, metavar="NAME NAME", help="Two whose cables are exchanged.")
@click.option(
    "--dropouts-per-s",
    type=FloatRange(0, 1000),
    default=0.0,
    show_default=True,
    help="Stretches of 5 ms that the recorder loses, in a second.",
)
@seed_option
@output_options()
def simulate_command(
    scenario: Path,
    file: Path,
    pings: int | None,
    seconds: float | None,
    place_m: tuple[float, float, float] | None,
    heading_deg: float | None,
    echoes: bool,
    reverberation_ms: float,
    encoding: Any,
    failed: tuple[str, ...],
    inverted: tuple[str, ...],
    swapped: tuple[tuple[str, str], ...],
    dropouts_per_s: float,
    seed: int | None,
    output: Output,
) -> None:
    """Record SCENARIO's pingers on its array into FILE (.wav, .w64, .flac, .npy), with echoes, noise and faults.

    A .wav of more than 4 GiB is written as RF64, the form of WAV that holds so much.

    Beside FILE come three more of the same name: .json, with what a crew would know, .site.toml, its sketch of the
    pool, and .truth.json. Mounting errors, skew, the pings' times and the errors of navigation, thermometer and tape
    measure are drawn from the scenario's tolerances by the seed. The same seed gives the same files; at another place
    or heading, the same array with the same errors.

    \b
    Examples:
      pingfix simulate examples/mallard-basin.toml ping.wav
      pingfix simulate examples/mallard-basin.toml turn-3.wav --heading-deg 90
    """
    from acoustics.present.text.simulate import recording_text
    from acoustics.propagate.render import ChannelFaults
    from acoustics.scene.scenario import load_scene
    from acoustics.study.simulate import simulate_recording, with_vehicle_at

    if pings is not None and seconds is not None:
        raise click.UsageError("--pings and --seconds exclude each other; keep one of them")
    scene = with_vehicle_at(load_scene(scenario), position_m=place_m, heading_deg=heading_deg)
    result = simulate_recording(
        scene,
        file,
        seed=scene.study.seed if seed is None else seed,
        pings=None if seconds is not None else pings or 3,
        seconds=seconds,
        echoes=echoes,
        reverberation_s=reverberation_ms / 1e3,
        faults=ChannelFaults(failed, inverted, swapped, dropouts_per_s),
        encoding=encoding,
        force=output.force,
        progress=Progress("rendered"),
    )
    output.show(result, recording_text)
