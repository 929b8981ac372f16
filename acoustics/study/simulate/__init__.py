"""Synthetic recordings with known truth."""

from acoustics.study.simulate.moved_scene import with_vehicle_at
from acoustics.study.simulate.notes import sidecar_of
from acoustics.study.simulate.recording import SimulatedRecording, simulate_recording
from acoustics.study.simulate.scene_sidecar import sidecar_of_scene, with_array
from acoustics.study.simulate.scene_sketch import drawn_sketch, sketch_of_scene

__all__ = [
    "SimulatedRecording",
    "drawn_sketch",
    "sidecar_of",
    "sidecar_of_scene",
    "simulate_recording",
    "sketch_of_scene",
    "with_array",
    "with_vehicle_at",
]
