"""The answer of `pingfix validate` as text: errors, shares, why pings went unanswered, and the limits."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from acoustics.base.intervals import Interval
from acoustics.present.text.tables import Rows, number, percent, table, with_interval
from acoustics.study.validate import EachPing, Score, Validation

_NOMINAL = 0.95
_LONGEST_REASON = 30

VALIDATION_NOTE = (
    "Errors are those of the bearing from the bow, simulated at the level of samples, over the pings that got one; in "
    "brackets the 95 % interval (bootstrap over pings; of shares, Wilson's). Bound: Cramer-Rao, with mounting, skew "
    "and sound speed unknown. Efficiency: bound over RMS. With echoes the bound counts the burst up to the first "
    "strong echo, so one that makes use of more of it can pass 1. Wrong cycle: the delays that the bearing implies are "
    "over half a period off on some baseline. Coverage: share of its own 95 % intervals that hold the truth. "
    "'-': nothing to count."
)

# By whether it ran in a namespace of its own.
PROGRAM_NOTES = {
    True: "The program ran in a process namespace of its own: it could see no other process, and left none.",
    False: "This system offers no process namespaces: a program that runs as root could look into pingfix's own "
    "process, and what any program starts in the background may outlive it. Believe the figures of programs that you "
    "trust.",
}


def validation_text(result: Validation) -> str:
    """The answer of `pingfix validate`."""
    design, overall = result.design, result.overall
    beside = () if result.beside is None else (result.beside,)
    groups = (overall, *beside, *result.by_echoes, *result.by_sector, *result.by_range, *result.by_snr)
    lines = [
        f"{result.title}: {result.estimator} on {result.array}, {result.pinger}; {design.trials} simulated pings, "
        f"seed {design.seed}" + (f", secret {design.secret}" if design.secret else ""),
        "",
        "Bearing error in degrees, simulated, 95 % interval in brackets",
        table(*error_rows(groups)),
        "",
        "Shares and efficiency, simulated, 95 % interval in brackets",
        table(*share_rows(groups)),
        "",
    ]
    if result.reasons:
        lines += ["Pings without a bearing, by reason:"]
        lines += [f"  {count:4d}  {reason}" for reason, count in result.reasons]
        lines += [""]
    for sentence in validation_conclusions(overall):
        lines += textwrap.wrap(sentence, 100)
    if result.program_apart is not None:
        lines += textwrap.wrap(PROGRAM_NOTES[result.program_apart], 100)
    lines += textwrap.wrap(VALIDATION_NOTE, 100)
    if result.pings is not None:
        lines += ["", "Each ping; errors and bounds of the bearing in degrees", table(*ping_rows(result.pings))]
    return "\n".join(lines)


def validation_headline(result: Validation) -> str:
    """The score in one sentence: the error beside its bound, wrong integers, and whether its uncertainty holds."""
    overall = result.overall
    head = f"{result.title}: {result.estimator} on {result.array}"
    if not overall.answered:
        return f"{head} gives no bearing for any of {overall.trials} simulated pings."
    return (
        f"{head} errs by {_degrees(overall.rms_deg)} deg RMS in {overall.answered} of {overall.trials} simulated pings "
        f"(bound {number(overall.bound_rms_deg)}), wrong cycle {_share(overall.wrong_integer)}. "
        f"{validation_conclusions(overall)[0].removeprefix('* ')}"
    )


def ping_rows(pings: EachPing) -> Rows:
    """One row a ping: where it was, and what came of it."""
    header = ("ping", "sector", "range m", "2E/N0 dB", "echoes", "error", "stated", "bound", "wrong cycle", "outcome")
    rows = []
    for k, number_ in enumerate(pings.number):
        answered = np.isfinite(pings.error_deg[k])
        rows.append(
            (
                str(number_),
                pings.sector[k],
                f"{pings.range_m[k]:.4g}",
                f"{pings.energy_ratio_db[k]:.1f}",
                "on" if pings.echoes[k] else "off",
                f"{pings.error_deg[k]:+.2f}" if answered else "-",
                number(pings.stated_sd_deg[k]) if np.isfinite(pings.stated_sd_deg[k]) else "-",
                number(pings.bound_deg[k]),
                ("yes" if pings.wrong_integer[k] else "no") if answered else "-",
                pings.outcome[k] + (f": {_short(pings.reason[k])}" if pings.reason[k] else ""),
            )
        )
    return header, rows


def _short(reason: str) -> str:
    return textwrap.shorten(reason, _LONGEST_REASON, placeholder="...")


def gate_text(result: Validation) -> str:
    """One line: whether the limits are kept, and if not, which are missed and by how much."""
    return "limits missed: " + "; ".join(result.missed) if result.missed else "limits kept at 95 % confidence"


def error_rows(groups: Sequence[Score]) -> Rows:
    """Errors of the bearing, one row for each group of pings."""
    header = ("pings", "number", "answered", "RMS", "median", "95th percentile", "bias", "bound")
    rows = [
        (
            s.group,
            str(s.trials),
            str(s.answered),
            _degrees(s.rms_deg),
            _degrees(s.median_deg),
            _degrees(s.p95_deg),
            _degrees(s.bias_deg),
            number(s.bound_rms_deg) if s.answered else "-",
        )
        for s in groups
    ]
    return header, rows


def share_rows(groups: Sequence[Score]) -> Rows:
    """Refusals, wrong cycles, coverage and efficiency, one row for each group of pings."""
    header = ("pings", "refused", "failed", "wrong cycle", "coverage", "efficiency")
    rows = [
        (
            s.group,
            _share(s.refused),
            _share(s.failed),
            _share(s.wrong_integer),
            _share(s.coverage),
            "-" if s.efficiency is None else _degrees(s.efficiency),
        )
        for s in groups
    ]
    return header, rows


def _degrees(value: Interval) -> str:
    return with_interval(value) if np.isfinite(value.value) else "-"


def _share(value: Interval | None) -> str:
    if value is None or not np.isfinite(value.value):
        return "-"
    shown = "0 %" if value.value == 0 else percent(value.value)
    low = 0.0 if value.value == 0 else 100 * value.low  # the lower end is then 0 but for rounding
    return f"{shown} ({number(low)} to {number(100 * value.high)})"


def validation_conclusions(overall: Score) -> list[str]:
    """What the figures say, in whole sentences."""
    said = []
    if not overall.answered:
        return ["* No ping got a bearing: there is no error to judge."]
    if overall.coverage is None:
        said.append(
            "* It states no uncertainty (bearing_sd_deg), so its good answers cannot be told from its bad ones."
        )
    elif overall.coverage.high < _NOMINAL:
        said.append("* It is surer than it should be: fewer than 95 % of its stated 95 % intervals hold the truth.")
    elif overall.coverage.low > _NOMINAL:
        said.append("* Its stated uncertainty is larger than its errors.")
    else:
        said.append("* Its stated uncertainty agrees with its errors, as far as so many pings can tell.")
    spread = overall.bias_deg
    if spread.low > 0 or spread.high < 0:
        said.append(f"* It is biased, by {number(spread.value)} deg on average.")
    # Of a normal error the 95th percentile is 1.96 times the RMS; outliers raise the RMS beyond that.
    if overall.p95_deg.value < 1.3 * overall.rms_deg.value:
        said.append("* A few pings with large errors make most of the RMS; the median shows the others.")
    return said
