"""Results are written whole or not at all, and never over somebody's file unasked."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from acoustics.base.errors import OutputError
from acoustics.base.files import check_different, growing_file, whole_file, write_file


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


def test_of_two_that_write_at_once_the_later_is_refused(tmp_path):
    path = tmp_path / "a.txt"
    with pytest.raises(OutputError, match="a.txt: exists already"), whole_file(path) as second:
        second.write_text("second")
        write_file(path, b"first")
    assert path.read_bytes() == b"first" and list(tmp_path.iterdir()) == [path]


def test_where_the_file_system_knows_no_links_the_later_is_refused_too(tmp_path, monkeypatch):
    def no_links(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("os.link", no_links)
    write_file(tmp_path / "b.txt", b"whole")
    assert (tmp_path / "b.txt").read_bytes() == b"whole"
    path = tmp_path / "a.txt"
    with pytest.raises(OutputError, match="a.txt: exists already"), whole_file(path):
        path.write_bytes(b"first")
    assert path.read_bytes() == b"first"


def test_permissions_of_a_file_stay(tmp_path):
    path = tmp_path / "a.txt"
    write_file(path, b"old")
    path.chmod(0o600)
    write_file(path, b"new", force=True)
    assert path.read_bytes() == b"new" and stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_link_stays_and_what_it_leads_to_is_written(tmp_path):
    (tmp_path / "inside").mkdir()
    target, link = tmp_path / "inside" / "a.txt", tmp_path / "link.txt"
    link.symlink_to(target)
    with pytest.raises(OutputError, match="link.txt: exists already"):  # though it leads nowhere yet
        write_file(link, b"new")
    for content in (b"new", b"newer"):
        write_file(link, content, force=True)
        assert link.is_symlink() and target.read_bytes() == content
    assert os.listdir(target.parent) == ["a.txt"]


def test_a_pipe_and_a_device_are_written_into(tmp_path):
    pipe, got = tmp_path / "pipe", []
    os.mkfifo(pipe)
    for write in (lambda: write_file(pipe, b"one\n", force=True), lambda: grown(pipe, [b"one\n"])):
        reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
        reader.start()
        write()
        reader.join(10)
        assert got.pop() == b"one\n" and pipe.is_fifo()
    write_file(Path("/dev/null"), b"x", force=True)
    assert Path("/dev/null").is_char_device()


def grown(path, lines):
    with growing_file(path, force=True) as add:
        for line in lines:
            add(line)


def test_a_growing_file_holds_each_line_at_once_and_keeps_it(tmp_path):
    path = tmp_path / "a.jsonl"
    with pytest.raises(KeyboardInterrupt), growing_file(path) as add:
        assert not path.exists()
        add(b"1\n")
        assert path.read_bytes() == b"1\n"
        add(b"2\n")
        assert path.read_bytes() == b"1\n2\n"
        raise KeyboardInterrupt
    assert path.read_bytes() == b"1\n2\n"
    with pytest.raises(OutputError, match="exists already"), growing_file(path):
        pass
    with pytest.raises(KeyboardInterrupt), growing_file(path, force=True):
        raise KeyboardInterrupt  # before the first line: the older file stays
    assert path.read_bytes() == b"1\n2\n"
    grown(path, [])
    assert path.read_bytes() == b"" and list(tmp_path.iterdir()) == [path]


def test_two_results_in_one_file_are_refused(tmp_path):
    (tmp_path / "link").symlink_to(tmp_path / "a")
    check_different(tmp_path / "a", None, tmp_path / "b", None)
    for other in ("a", "link"):
        with pytest.raises(OutputError, match="is given for two results"):
            check_different(tmp_path / "a", tmp_path / other)


def test_a_line_break_in_a_name_is_written_out(tmp_path):
    with pytest.raises(OutputError) as caught:
        write_file(tmp_path / "no\nfolder" / "a", b"")
    assert "no\\nfolder" in str(caught.value) and str(caught.value).isprintable()
