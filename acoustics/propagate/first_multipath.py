"""The first echo that matters among the arrivals: when it ends the multipath-free window, and by which faces it
came."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.propagate.arrivals import Arrivals


def multipath_free_s(paths: Arrivals, *, threshold_db: float = -20.0) -> Floats:
    """How long the direct arrival is alone: the time from it to the first echo that is not negligible.

    Parameters
    ----------
    paths : Arrivals
        Direct path and echoes.
    threshold_db : float
        Echoes weaker than this are negligible [dB re the direct arrival at the same hydrophone]. Each counts
        for itself: many weak ones are not added up.

    Returns
    -------
    ndarray, shape (...)
        The shortest over the hydrophones that the direct arrival reaches [s], 0 if it reaches none;
        `Arrivals.horizon_s` where no echo comes before it.

    Raises
    ------
    ParameterError
        If the arrivals were cut at a level above the threshold.
    """
    # Along straight rays an echo through faster water can come first: then no part of the burst is free of multipath.
    window = np.clip(_after_direct_s(paths, threshold_db).min(axis=(-1, -2), initial=np.inf), 0.0, paths.horizon_s)
    return np.where(paths.valid[..., 0].any(axis=-1), window, 0.0)


def first_echo(paths: Arrivals, *, threshold_db: float = -20.0) -> str:
    """Faces of the echo that ends the multipath-free window, as `path_label` names them; empty where none does.

    Parameters
    ----------
    paths : Arrivals
        Without batch dimensions.
    threshold_db : float
        As for `multipath_free_s`.

    Raises
    ------
    ParameterError
        As for `multipath_free_s`.
    """
    after = _after_direct_s(paths, threshold_db).min(axis=0)
    if not np.isfinite(after).any():
        return ""
    return path_label(paths.faces[1 + int(np.argmin(after))], paths.face_names)


def path_label(faces: Sequence[int], face_names: Sequence[str]) -> str:
    """Name of a path, as 'direct' or 'floor, surface', from one row of `Arrivals.faces`."""
    return ", ".join(face_names[face] for face in faces if face >= 0) or "direct"


def _after_direct_s(paths: Arrivals, threshold_db: float) -> Floats:
    """Delays of the echoes after the direct arrival (..., n_hydrophones, n_paths - 1); infinite where negligible."""
    if not paths.floor_db <= threshold_db <= 0:
        raise ParameterError(
            f"threshold_db={threshold_db} must be from the arrivals' floor of {paths.floor_db} dB to 0 dB"
        )
    least = 10 ** (threshold_db / 20) * np.abs(paths.amplitude[..., :1])
    strong = paths.valid[..., :1] & (np.abs(paths.amplitude[..., 1:]) > least)
    return np.where(strong, paths.delay_s[..., 1:] - paths.delay_s[..., :1], np.inf)
