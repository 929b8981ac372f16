"""Results are written whole or not at all, and never over somebody's file unasked."""

from __future__ import annotations

import pytest

from acoustics.base.errors import OutputError
from acoustics.base.files import write_file


def test_an_existing_file_is_kept_without_force(tmp_path):
    path = tmp_path / "a.txt"
    write_file(path, b"first")
    with pytest.raises(OutputError, match="exists already; choose another name or add --force"):
        write_file(path, b"second")
    assert path.read_bytes() == b"first"
    write_file(path, b"second", force=True)
    assert path.read_bytes() == b"second"


def test_nothing_half_written_stays_behind(tmp_path, monkeypatch):
    path = tmp_path / "a.txt"
    path.write_bytes(b"old")

    def full_disk(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full_disk)
    with pytest.raises(OutputError, match="a.txt: cannot be written: no space left on device"):
        write_file(path, b"new", force=True)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(OutputError, match="no/a.txt: cannot be written: there is no folder .*no"):
        write_file(tmp_path / "no" / "a.txt", b"x")


def test_a_folder_is_no_file_name(tmp_path):
    with pytest.raises(OutputError, match="is a folder"):
        write_file(tmp_path, b"x", force=True)
