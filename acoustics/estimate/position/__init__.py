"""Time differences to position, by hyperbolic multilateration: closed form, then an iterative fit."""

from acoustics.estimate.position.fix import EXACT_DEPTH_SD_M, Fix, locate_source, mixed

__all__ = ["EXACT_DEPTH_SD_M", "Fix", "locate_source", "mixed"]
