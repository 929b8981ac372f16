"""Tables larger than any that a crew writes are refused before they fill the memory."""

from __future__ import annotations

import io
import json
import time
import tracemalloc

import pytest

from acoustics.base.errors import InputError
from acoustics.io import csv_table as text_lines
from acoustics.io import ping_lines as pings
from acoustics.io.csv_table import short_lines
from acoustics.io.navigation import COLUMNS, read_navigation
from acoustics.io.ping_lines import read_pings
from acoustics.io.sidecar import read_sidecar
from acoustics.study.calibrate.inputs import read_sources
from acoustics.study.validate.exchange import read_results


def results(path):
    return read_results(path, 5)


def peak_bytes(work):
    """The most memory that work takes at once, and what it gives."""
    tracemalloc.start()
    try:
        return work(), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_lines_come_as_they_stand():
    text = "a\nb\r\n\n" + "x" * 1000 + "\nend"
    assert list(short_lines(io.StringIO(text, newline=""), "f")) == text.splitlines(keepends=True)


def test_a_line_too_long_and_a_line_too_many_are_refused(monkeypatch):
    with pytest.raises(InputError, match="f: line 2: is longer than 1,000 characters"):
        list(short_lines(io.StringIO("a\n" + "x" * 1001 + "\n"), "f"))
    monkeypatch.setattr(text_lines, "MOST_LINES", 3)
    assert len(list(short_lines(io.StringIO("a\n" * 3), "f"))) == 3
    with pytest.raises(InputError, match="f: holds over 3 lines"):
        list(short_lines(io.StringIO("a\n" * 4), "f"))


@pytest.mark.parametrize("read", [read_navigation, results, read_sources, read_pings, read_sidecar])
@pytest.mark.parametrize("piece", [b",", b"[", b'"', b"1", b"\xe2\x82\xac"])
def test_a_file_of_one_endless_line_costs_neither_memory_nor_time(read, piece, tmp_path):
    path = tmp_path / "endless"
    path.write_bytes(piece * (8_000_000 // len(piece)))
    start = time.process_time()

    def refused():
        with pytest.raises(InputError) as caught:
            read(path)
        return str(caught.value)

    text, peak = peak_bytes(refused)
    assert text.startswith(f"{path}: ") and text.isprintable()
    assert peak < 3_000_000 and time.process_time() - start < 2


@pytest.mark.slow
def test_a_row_of_the_navigation_takes_the_memory_of_its_numbers(tmp_path):
    path, rows = tmp_path / "nav.csv", 20_000
    path.write_text(",".join(COLUMNS) + "\n" + "".join(f"{k},1.5,2.5,0.8,0.1,0.2,90\n" for k in range(rows)))
    navigation, peak = peak_bytes(lambda: read_navigation(path))
    assert len(navigation.time_s) == rows
    # Seven numbers of eight bytes, in a growing array, in its columns and in radians; a million rows: 0.2 GB.
    assert peak / rows < 200


def test_too_many_pings_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(pings, "_MOST_PINGS", 3)
    path = tmp_path / "pings.jsonl"
    path.write_text("\n" * 5)
    with pytest.raises(InputError, match="holds over 3 lines"):
        read_pings(path)


def test_a_large_sidecar_is_refused_by_its_size(tmp_path):
    path = tmp_path / "a.json"
    path.write_text(json.dumps({"channels": ["x"] * 300_000}))
    with pytest.raises(InputError, match="larger than 1,000,000 bytes"):
        read_sidecar(path)
