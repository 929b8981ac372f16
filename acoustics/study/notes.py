"""Notes of a real recording, begun from the scenario: what a crew corrects on the day instead of typing all of it."""

from __future__ import annotations

from pathlib import Path

from acoustics.base.errors import InputError
from acoustics.io.recording import load_recording
from acoustics.io.sidecar import Sidecar
from acoustics.scene.scene import Scene
from acoustics.study.simulate import sidecar_of_scene

_OF_THE_WHOLE = (
    "begun from the scenario for {name}; correct what was otherwise on the day, and write into any remark what a "
    "reader should know"
)
_OF_CHANNELS = "in the order of the recording's channels: tap each hydrophone to be sure which is which"
_OF_A_PINGER = "frequency, length, interval and Q: pingfix spectrum measures them"
_OF_THE_POSE = "where the vehicle was: x and y of the site and depth, heading clockwise from the site's x axis"


def notes_for(scene: Scene, recording: str | Path) -> Sidecar:
    """A sidecar for a recording of the scene's array, with remarks that say what to correct.

    Parameters
    ----------
    scene : Scene
        For array, recorder, water, pingers and pose, as they were planned.
    recording : str or Path
        WAV, RF64, W64, FLAC or NPY; its channels must be as many as the array's hydrophones. Rate and volts for a
        count follow from it; floats count as shares of full scale.

    Raises
    ------
    InputError
        If the recording cannot be read, or is of another rate or number of channels than the scenario says.
    """
    path = Path(recording)
    planned = sidecar_of_scene(scene)
    # With a volt for each count, full scale is the number of counts.
    opened = load_recording(path, sidecar=planned.model_copy(update={"volts_per_count": 1.0}))
    if opened.n_samples == 0:
        raise InputError(str(path), "", "holds no samples")
    first, *others = planned.channels
    return planned.model_copy(
        update={
            "remark": _OF_THE_WHOLE.format(name=path.name),
            "volts_per_count": scene.recorder.full_scale_v / opened.full_scale_v,
            "channels": (first.model_copy(update={"remark": _OF_CHANNELS}), *others),
            "pingers": tuple(p.model_copy(update={"remark": _OF_A_PINGER}) for p in planned.pingers),
            "pose": planned.pose.model_copy(update={"remark": _OF_THE_POSE}),
        }
    )
