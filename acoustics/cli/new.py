"""`pingfix new`: start a scenario from a shipped one."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import force_option, json_option


@click.command("new", short_help="Start a scenario file from a shipped one.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--from", "example", default="mallard-basin", show_default=True, help="Which shipped scenario to copy.")
@force_option
@json_option
def new_command(file: Path, example: str, force: bool, as_json: bool) -> None:
    """Write FILE, a commented scenario to change into your own.

    \b
    Example:
      pingfix new our-pool.toml
    """
    from acoustics.files import write_file
    from acoustics.present.tables import to_json
    from acoustics.scenario import load_scene, shipped

    known = shipped("examples")
    if example not in known:
        raise click.BadParameter(f"no shipped scenario {example!r}; known: {', '.join(known)}", param_hint="--from")
    load_scene(known[example])
    write_file(file, known[example].read_bytes(), force=force)
    arrays = list(shipped("arrays"))
    if as_json:
        click.echo(to_json({"file": str(file), "from": example, "arrays": arrays}))
    else:
        click.echo(f"wrote {file}, a copy of {example}; next: pingfix check {file}")
        click.echo(f"arrays you can name in it: {', '.join(arrays)}")
