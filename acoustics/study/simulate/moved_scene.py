"""The same scene with the vehicle elsewhere."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from acoustics.base.errors import ParameterError
from acoustics.scene.scene import Scene


def with_vehicle_at(
    scene: Scene, *, position_m: tuple[float, float, float] | None = None, heading_deg: float | None = None
) -> Scene:
    """The scene with the vehicle at another place [m] or under another heading, checked as when it was read.

    Raises
    ------
    ParameterError
        If vehicle or array would not be in the water there, or would touch a pinger.
    """
    given: dict[str, Any] = {"position_m": position_m, "heading_deg": heading_deg}
    vehicle = scene.vehicle.model_copy(update={key: value for key, value in given.items() if value is not None})
    parts = {field.alias or name: getattr(scene, name) for name, field in Scene.model_fields.items()}
    try:
        return Scene.model_validate({**parts, "vehicle": vehicle})
    except ValidationError as error:
        raise ParameterError(str(error.errors()[0]["msg"]).removeprefix("Value error, ")) from None
