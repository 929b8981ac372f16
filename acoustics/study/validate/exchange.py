"""The designed pings as files for a team that computes elsewhere, and the results that it sends back."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path

from acoustics.base.errors import OutputError
from acoustics.base.files import write_file
from acoustics.io.csv_table import read_rows
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.validate.answer import Answer, EstimatorFailure, answer_of_table
from acoustics.study.validate.design import Design, draw_trial
from acoustics.study.validate.recording import write_trial

MANIFEST, TRUTH = "manifest.csv", "truth.csv"
_BEARINGS = ("bearing_deg", "bearings_deg")
_OPTIONAL = ("depression_deg", "bearing_sd_deg", "refused")


def export_design(
    scene: Scene,
    pinger: Pinger,
    design: Design,
    folder: Path,
    *,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> None:
    """Write every recording with its sidecar, a manifest of them, and the truth in a file of its own.

    Parameters
    ----------
    scene, pinger, design
        As in `validate_estimator`.
    folder : Path
        New or empty. Gets ``ping-0001.wav``, ``ping-0001.json`` and so on, `MANIFEST` and, to be kept from the
        estimator, `TRUTH`. The manifest is written last: where it stands, all the others do.
    progress : callable
        Told how many of how many recordings are written.

    Raises
    ------
    OutputError
        If the folder holds something or cannot be written to.
    """
    try:
        if folder.exists() and any(folder.iterdir()):
            raise OutputError(f"{folder}: holds files already; choose an empty folder or a new one")
        trials = [draw_trial(scene, pinger, design, number) for number in range(1, design.trials + 1)]
        folder.mkdir(parents=True, exist_ok=True)
        names = [f"ping-{trial.number:04d}" for trial in trials]
        progress(0, len(trials))
        for done, (trial, name) in enumerate(zip(trials, names, strict=True), 1):
            write_trial(scene, pinger, trial, folder / f"{name}.wav", folder / f"{name}.json")
            progress(done, len(trials))
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written: {(error.strerror or str(error)).lower()}") from None
    header = ("ping", "sector", "range_m", "energy_ratio_db", "echoes", "bearing_deg", "depression_deg")
    truth = [
        (
            t.number,
            t.sector,
            t.range_m,
            t.energy_ratio_db,
            int(t.echoes),
            math.degrees(t.bearing),
            math.degrees(t.depression),
        )
        for t in trials
    ]
    _write_csv(folder / TRUTH, header, truth)
    rows = [(t.number, f"{name}.wav", f"{name}.json") for t, name in zip(trials, names, strict=True)]
    _write_csv(folder / MANIFEST, ("ping", "recording", "sidecar"), rows)


def _write_csv(path: Path, header: tuple[str, ...], rows: Sequence[tuple[object, ...]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    write_file(path, text.getvalue().encode("utf-8"))


def read_results(path: Path, trials: int) -> list[Answer | EstimatorFailure]:
    """Results computed elsewhere, one for each of `trials` pings; a ping without a row counts as failed.

    Parameters
    ----------
    path : Path
        CSV with a header: `ping` (number from 1) and `bearing_deg`, or `bearings_deg` with two candidates and a space
        between them; and as wanted `depression_deg`, `bearing_sd_deg` and `refused` with a reason. An empty cell is a
        value not given; one that is no finite number makes a failure of that ping.
    trials : int
        Pings of the design.

    Raises
    ------
    InputError
        If the file cannot be read, has other columns, or a ping that the design has not or that was there before.
    """
    found: dict[int, Answer | EstimatorFailure] = {}
    for row in read_rows(path, ("ping",), either=_BEARINGS, optional=_OPTIONAL):
        number = int(row.number("ping", whole=True))
        if not 1 <= number <= trials:
            raise row.refusal(f"expected a number from 1 to {trials}, the pings of the design, got {number}", "ping")
        if number in found:
            raise row.refusal(f"{number} was there before", "ping")
        found[number] = _answer(row.cells)
    absent = EstimatorFailure("has no row in the results")
    return [found.get(number, absent) for number in range(1, trials + 1)]


def _answer(row: dict[str, str]) -> Answer | EstimatorFailure:
    table: dict[str, object] = {
        name: _number(cell) for name, cell in row.items() if cell and name in ("bearing_deg", "depression_deg")
    }
    if row.get("bearing_sd_deg"):
        table["bearing_sd_deg"] = _number(row["bearing_sd_deg"])
    if row.get("bearings_deg"):
        table["bearings_deg"] = [_number(part) for part in row["bearings_deg"].split()]
    try:
        return answer_of_table(table | {"refused": row.get("refused", "")})
    except EstimatorFailure as failure:
        return failure


def _number(cell: str) -> float | str:
    """The number in a cell, or the cell as it stands for the message."""
    try:
        return float(cell)
    except ValueError:
        return cell
