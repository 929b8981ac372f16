"""`pingfix sound-speed`: the sound speed of a scenario's water, or of water given by options."""

from __future__ import annotations

from pathlib import Path

import click

from acoustics.cli.numbers import FINITE
from acoustics.cli.options import json_option, show_result


@click.command("sound-speed", short_help="Sound speed of a scenario's water, or of water you describe.")
@click.argument("scenario", type=click.Path(path_type=Path), required=False)
@click.option("--temperature-degc", type=FINITE, help="Temperature instead of a scenario [degC].")
@click.option("--practical-salinity", type=FINITE, default=0.0, show_default=True, help="Practical salinity.")
@click.option("--depth-m", type=FINITE, multiple=True, help="Depth [m]; may be repeated. Default: 0, 2, 5, 10.")
@json_option
def sound_speed_command(
    scenario: Path | None,
    temperature_degc: float | None,
    practical_salinity: float,
    depth_m: tuple[float, ...],
    as_json: bool,
) -> None:
    """Print the sound speed by depth (TEOS-10) and what a wrong temperature costs.

    \b
    Examples:
      pingfix sound-speed examples/mallard-basin.toml
      pingfix sound-speed --temperature-degc 14 --practical-salinity 30 --depth-m 3
    """
    from acoustics.present.text.sound_speed import water_text
    from acoustics.scene.scenario import load_scene, make_water
    from acoustics.study.sound_speed import water_column

    if (scenario is None) == (temperature_degc is None):
        raise click.UsageError("give either a SCENARIO or --temperature-degc")
    if scenario is not None:
        water = load_scene(scenario).water
    else:
        water = make_water(temperature_degc=temperature_degc, practical_salinity=practical_salinity)
    column = water_column(water, depth_m or (0.0, 2.0, 5.0, 10.0))
    show_result(column, water_text, as_json=as_json)
