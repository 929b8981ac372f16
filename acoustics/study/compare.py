"""Two or more scenes side by side: every quantity of each, and by how much it differs from the first's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.physics.levels import power_ratio_db
from acoustics.physics.timing_bounds import half_wavelength_m
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.budget import study_budget
from acoustics.study.hearing import heard_share
from acoustics.study.map import map_pool

MOST = 6  # more columns than that nobody reads
Kind = Literal["given", "geometry", "bound", "prediction"]
Better = Literal["less", "more", "neither"]


@record
class ComparedQuantity:
    """One quantity of every scene, arrays of shape (n_scenes,).

    Attributes
    ----------
    name, unit : str
        What it is, and in what.
    kind : str
        Where it comes from: given in the file, the geometry, a Cramer-Rao bound, or a prediction.
    better : str
        Whether less of it or more is better, or neither.
    value : ndarray
        Infinite: not observed. NaN: does not apply.
    difference : ndarray
        Against the first scene; NaN where one of the two is not finite.
    """

    name: str
    unit: str
    kind: Kind
    better: Better
    value: Floats
    difference: Floats


@record
class Comparison(Result):
    """Scenes side by side, named by `names`; `quantities` in the order of the table.

    Over the site: the median of errors, the mean of shares.
    """

    names: tuple[str, ...]
    titles: tuple[str, ...]
    arrays: tuple[str, ...]
    observes: tuple[str, ...]
    pingers: tuple[str, ...]
    quantities: tuple[ComparedQuantity, ...]


# Name, unit, kind, and what is better; in the order of `_values`.
_QUANTITIES: tuple[tuple[str, str, Kind, Better], ...] = (
    ("hydrophones", "", "given", "neither"),
    ("shortest baseline", "mm", "geometry", "neither"),
    ("longest baseline", "mm", "geometry", "neither"),
    ("half a wavelength", "mm", "geometry", "neither"),
    ("range to the pinger", "m", "geometry", "neither"),
    ("sample rate", "kHz", "given", "neither"),
    ("noise density", "dB re 1 uPa^2/Hz", "given", "less"),
    ("multipath-free window", "ms", "geometry", "more"),
    ("2E/N0 in it", "dB", "prediction", "more"),
    ("pings heard", "%", "prediction", "more"),
    ("wrong integers", "%", "prediction", "less"),
    ("bearing error", "deg", "bound", "less"),
    ("bearing error of the own estimator", "deg", "prediction", "less"),
    ("depression error", "deg", "bound", "less"),
    ("position error", "m", "bound", "less"),
    ("bearing error over the site", "deg", "bound", "less"),
    ("position error over the site", "m", "bound", "less"),
    ("wrong integers over the site", "%", "prediction", "less"),
)


def compare_scenes(scenes: Mapping[str, Scene], pingers: Mapping[str, Pinger]) -> Comparison:
    """What each scene allows where its vehicle stands, and over its site.

    Parameters
    ----------
    scenes : mapping of str to Scene
        By the names that the answer uses; the others are held against the first.
    pingers : mapping of str to Pinger
        One of each scene's, under the same names.

    Raises
    ------
    ParameterError
        If there are fewer than two scenes or more than six.
    """
    if not 2 <= len(scenes) <= MOST:
        raise ParameterError(f"{len(scenes)} to compare: expected 2 to {MOST}")
    values = np.array([_values(scene, pingers[name]) for name, scene in scenes.items()]).T
    with np.errstate(invalid="ignore"):  # not observed less not observed
        differences = values - values[:, :1]
    differences[~np.isfinite(differences)] = np.nan
    rows = zip(_QUANTITIES, values, differences, strict=True)
    return Comparison(
        names=tuple(scenes),
        titles=tuple(scene.title for scene in scenes.values()),
        arrays=tuple(scene.array.name for scene in scenes.values()),
        observes=tuple(scene.array.observes for scene in scenes.values()),
        pingers=tuple(pingers[name].name for name in scenes),
        quantities=tuple(ComparedQuantity(*what, value, difference) for what, value, difference in rows),
    )


def _values(scene: Scene, pinger: Pinger) -> tuple[float, ...]:
    """Of one scene, in the order of `_QUANTITIES`."""
    budget = study_budget(scene, pinger)
    site = map_pool(scene, pinger, trials=0, seed=scene.study.seed)
    over_site = {name: float(np.nanmedian(getattr(site, name))) for name in ("bearing_deg", "position_m")}
    return (
        len(scene.array.hydrophones),
        1e3 * float(scene.array.baselines_m.min()),
        1e3 * float(scene.array.baselines_m.max()),
        1e3 * float(half_wavelength_m(pinger.band_hz[1], scene.sound_speed_m_s)),
        budget.range_m,
        scene.recorder.sample_rate_hz / 1e3,
        float(scene.noise_density_db(pinger.frequency_hz)),
        1e3 * budget.multipath_free_s,
        float(power_ratio_db(budget.energy_ratio_2e_n0)),
        100 * float(heard_share(scene, pinger, budget.range_m)),
        100 * budget.predicted.wrong_integer.value,
        budget.bearing_deg,
        budget.predicted.bearing_deg,
        budget.depression_deg,
        budget.position_m,
        over_site["bearing_deg"],
        over_site["position_m"],
        100 * site.wrong_integer_share,
    )
