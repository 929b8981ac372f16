"""`pingfix spectrum`: noise, tones and pingers of a recording."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.numbers import FloatRange
from acoustics.cli.options import RANGE_M, Output, output_options
from acoustics.cli.progress import Progress


@click.command("spectrum", short_help="Measure noise, tones and pingers in a recording.")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--sidecar", "sidecar_file", type=click.Path(path_type=Path), metavar="FILE", help="Notes in JSON.")
@click.option("--scenario", type=click.Path(path_type=Path), metavar="FILE", help="Where there are no notes.")
@click.option("--from-s", type=FloatRange(0, 1_000_000), default=0.0, show_default=True, help="Where to begin.")
@click.option(
    "--seconds",
    type=FloatRange(0, 600, min_open=True),
    default=30.0,
    show_default=True,
    help="How much to look at.",
)
@click.option("--range-m", type=RANGE_M, help="From the pinger to the array: gives the source level.")
@output_options("spectrum and spectrogram")
def spectrum_command(
    recording: Path,
    sidecar_file: Path | None,
    scenario: Path | None,
    from_s: float,
    seconds: float,
    range_m: float | None,
    output: Output,
) -> None:
    """Measure what RECORDING (.wav, .w64, .flac, .npy, .csv) holds: noise density by channel, steady tones, and the
    bursts of pingers with frequency, level, length, interval and build-up. Ends in lines to paste into a scenario.

    Levels are re 1 uPa by the sensitivity and gain in the notes beside RECORDING (same name, .json), in --sidecar or
    in a --scenario; without notes they are re full scale.

    \b
    Example:
      pingfix simulate examples/mallard-basin.toml ping.wav && pingfix spectrum ping.wav
    """
    from acoustics.present.text.spectrum import spectrum_text
    from acoustics.scene.scenario import load_scene
    from acoustics.study.spectrum import spectrum

    if sidecar_file is not None and scenario is not None:
        raise click.UsageError("--sidecar and --scenario exclude each other; keep one of them")
    notes = load_scene(scenario) if scenario is not None else sidecar_file
    result = spectrum(recording, notes, from_s=from_s, seconds=seconds, range_m=range_m, progress=Progress("looked at"))
    output.show(result, spectrum_text, result.plot)
