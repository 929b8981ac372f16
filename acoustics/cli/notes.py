"""`pingfix notes`: begin the notes of a real recording from a scenario."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import Output, output_options, scenario_argument


@click.command("notes", short_help="Begin the notes of a real recording from a scenario.")
@scenario_argument
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Default: beside RECORDING, the same name with .json.",
)
@output_options()
def notes_command(scenario: Path, recording: Path, out: Path | None, output: Output) -> None:
    """Write what SCENARIO says of array, recorder, water, pingers and pose as the notes of RECORDING (.wav, .w64,
    .flac, .npy), for a crew to correct: spectrum, locate and calibrate read them.

    Channels and sample rate must be the recording's. Each table may hold a remark, which no command reads.

    \b
    Example:
      pingfix notes our-pool.toml day-1.wav
    """
    import json

    from acoustics.base.files import check_free, write_file
    from acoustics.io.sidecar import notes_beside, sidecar_table
    from acoustics.scene.scenario import load_scene
    from acoustics.study.notes import notes_for

    path = notes_beside(recording) if out is None else out
    check_free(path, force=output.force)
    table = sidecar_table(notes_for(load_scene(scenario), recording))
    write_file(path, (json.dumps(table, indent=2) + "\n").encode(), force=output.force)
    words = f"wrote {path}, the notes of {recording}: correct the pose and what its remarks name; then pingfix locate"
    output.show({"file": str(path), "recording": str(recording)}, lambda _: words)
