"""The array that a placement found, as an Array and in the words of an array file."""

from __future__ import annotations

from acoustics.scene.array import Array, Hydrophone
from acoustics.study.place.study import Placement

_CANNOT = {
    1: "more than a cone round its line: front from back, up from down",
    2: "one side of its plane from the other: the pinger has a mirror image there",
    3: "",
}


def placed_array(result: Placement, name: str) -> Array:
    """The hydrophones found, the bow's first, with what they are good for."""
    n = len(result.hydrophones_m)
    limits = [_CANNOT[result.rank]] if _CANNOT[result.rank] else []
    limits.append("the cycle from phase alone where a baseline is over half a wavelength: the envelope must help")
    if result.heard_by_fewest < n:
        limits.append(f"with all its hydrophones: towards some directions the vehicle leaves {result.heard_by_fewest}")
    hydrophones = tuple(
        Hydrophone(name=f"h{k}", position_m=(x, y, z), tolerance_m=result.tolerance_m)
        for k, (x, y, z) in enumerate(result.hydrophones_m.tolist(), 1)
    )
    good_for = f"{result.of} {result.bearings} at {result.frequency_hz / 1e3:g} kHz from {n} channels"
    return Array.model_validate(
        {"name": name, "good_for": good_for, "cannot_observe": "; ".join(limits), "hydrophone": hydrophones}
    )


def ranges_in_words(result: Placement) -> str:
    """How far the pinger is."""
    return ", ".join(f"{distance:.1f}" for distance in result.range_m) + " m"


def placement_remarks(result: Placement) -> tuple[str, ...]:
    """What a reader of the array file should know, one line each."""
    return (
        f"Found by pingfix place for {result.title}: {result.pinger} at {ranges_in_words(result)}, seed {result.seed}.",
        f"Searched for the least error of the {result.of}. Predicted with the right cycle, {result.criterion}: bearing "
        f"{result.found.error_deg:.3g} deg, horizontal position {result.found.position_error_m:.3g} m; wrong cycle: "
        f"{100 * result.found.wrong_integer:.2g} % (limit {100 * result.wrong_cycle_limit:g} %).",
        "Positions are in the vehicle's body frame: leave mount_m at zero.",
    )
