"""`pingfix new`: start a scenario from a shipped one."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import Output, output_options


@click.command("new", short_help="Start a scenario file from a shipped one.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--from", "example", default="mallard-basin", show_default=True, help="Which shipped scenario to copy.")
@output_options()
def new_command(file: Path, example: str, output: Output) -> None:
    """Write FILE, a commented scenario to change into your own.

    \b
    Example:
      pingfix new our-pool.toml
    """
    from acoustics.base.files import write_file
    from acoustics.scene.scenario import load_scene, shipped

    known = shipped("examples")
    if example not in known:
        raise click.BadParameter(f"no shipped scenario {example!r}; known: {', '.join(known)}", param_hint="--from")
    load_scene(known[example])
    write_file(file, known[example].read_bytes(), force=output.force)
    arrays = list(shipped("arrays"))
    words = (
        f"wrote {file}, a copy of {example}; next: pingfix check {file}\narrays you can name in it: {', '.join(arrays)}"
    )
    output.show({"file": str(file), "from": example, "arrays": arrays}, lambda _: words)
