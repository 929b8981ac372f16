"""`pingfix new`: start a scenario from a shipped one."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.options import Output, output_options


@click.command("new", short_help="Start a scenario file from a shipped one.")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--from", "example", default="mallard-basin", show_default=True, help="Which shipped scenario to copy.")
@click.option(
    "--explain",
    metavar="[KEY]",
    is_flag=False,
    flag_value="",
    help="Say what a key of a scenario is, or all of a table; without KEY: all keys.",
)
@output_options()
def new_command(file: Path | None, example: str, explain: str | None, output: Output) -> None:
    """Write FILE, a commented scenario to change into your own; or explain its keys.

    \b
    Examples:
      pingfix new our-pool.toml
      pingfix new --explain source_level_db
    """
    if explain is not None:
        from acoustics.present.text.keys import explained, keys_named

        if file is not None:
            raise click.UsageError("FILE and --explain exclude each other")
        output.show(keys_named(explain or None), explained)
        return
    if file is None:
        raise click.UsageError("FILE is missing: the scenario to write")
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
