"""From arrivals to the samples of a recorder."""

from acoustics.propagate.render.draw import (
    DEFAULT_REVERBERATION_S,
    ChannelFaults,
    DrawnRecording,
    PingSeries,
    draw_recording,
    draw_recordings,
)
from acoustics.propagate.render.samples import DEFAULT_BLOCK_SAMPLES, render
from acoustics.propagate.render.segments import ping_segments

__all__ = [
    "DEFAULT_BLOCK_SAMPLES",
    "DEFAULT_REVERBERATION_S",
    "ChannelFaults",
    "PingSeries",
    "DrawnRecording",
    "draw_recording",
    "draw_recordings",
    "ping_segments",
    "render",
]
