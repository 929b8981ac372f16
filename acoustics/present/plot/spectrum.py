"""A recording's spectrum, channel by channel, and its spectrogram."""

from __future__ import annotations

from textwrap import fill

import numpy as np
from matplotlib import rc_context
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from acoustics.present.plot.style import DEEP, EMBER, INK, MOSS, PAPER, SAND, STYLE
from acoustics.present.text.spectrum import heard_in_short
from acoustics.study.spectrum import Spectrogram, Spectrum

_LINES = ((DEEP, "-"), (EMBER, "--"), (MOSS, "-."), (SAND, ":"), (INK, "-"))
_DARK = LinearSegmentedColormap.from_list("deep", [PAPER, SAND, DEEP, INK])
_TITLE_WIDTH = 80  # letters of a bold title that the figure holds
_LEAST_SPAN_DB = 12.0  # less would show the estimate's own scatter
_QUIET_SHARE, _LOUD_SHARE = 40.0, 99.8  # percentiles between which the colours lie


def spectrum_plot(result: Spectrum, gram: Spectrogram) -> Figure:
    """Noise density by channel with tones and pingers marked, over the spectrogram with the same pingers."""
    unit = f"dB re {result.reference}²/Hz"
    with rc_context(STYLE):
        figure = Figure(figsize=(8.0, 6.8), layout="constrained")
        levels, map_ = figure.subplots(2, 1, height_ratios=(1.0, 1.2))
        for k, (name, density) in enumerate(zip(result.channels, result.noise_density_db, strict=True)):
            colour, style = _LINES[k % len(_LINES)]
            levels.plot(result.band_hz / 1e3, density, color=colour, ls=style, label=name)
        low, high = levels.get_ylim()
        middle, half = (low + high) / 2, max((high - low) / 2, _LEAST_SPAN_DB / 2)
        levels.set_ylim(middle - half, middle + 1.7 * half)
        for tone in result.tones:
            levels.axvline(tone.frequency_hz / 1e3, ymax=0.06, color=INK, lw=1)
        for pinger in result.pingers:
            levels.axvline(pinger.frequency_hz / 1e3, ymin=0.9, color=EMBER, lw=2)
        levels.set(xscale="log", ylabel=unit, title=fill(heard_in_short(result), _TITLE_WIDTH))
        levels.set_xlabel("frequency [kHz]; strokes below: steady tones, above: pingers")
        ticks = [t for t in (1, 2, 5, 10, 20, 50, 100, 200, 500) if t <= result.band_hz[-1] / 1e3]
        levels.set_xticks(ticks, [f"{t}" for t in ticks])
        levels.minorticks_off()
        levels.legend(ncols=min(len(result.channels), 6), loc="upper left", title="noise without tones and bursts")
        finite = gram.level_db[gram.level_db > gram.level_db.max() - 140]
        bottom, top = np.percentile(finite, (_QUIET_SHARE, _LOUD_SHARE))
        image = map_.pcolormesh(
            gram.time_s, gram.frequency_hz / 1e3, gram.level_db, cmap=_DARK, vmin=bottom, vmax=max(top, bottom + 10)
        )
        image.set_rasterized(True)
        for pinger in result.pingers:
            map_.plot(
                1.0,
                pinger.frequency_hz / 1e3,
                marker="<",
                color=EMBER,
                clip_on=False,
                transform=map_.get_yaxis_transform(),
            )
        map_.set(xlabel="time [s]", ylabel="frequency [kHz]", title="Each dark dash is a burst, each line a tone")
        figure.colorbar(image, ax=map_, label=unit)
        return figure
