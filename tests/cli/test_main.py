"""What a command ends with is what the shell is told."""

from __future__ import annotations

import signal
import threading
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import pytest
from quick import POOL, good, refused

from acoustics.cli.main import main


@pytest.mark.parametrize(("passed", "code"), [(True, None), (False, 1)])
def test_a_self_check_that_fails_ends_with_code_1(passed, code):
    with (
        patch("sys.argv", ["pingfix", "selfcheck"]),
        patch("acoustics.study.selfcheck.self_check", return_value=SimpleNamespace(passed=passed)),
        patch("acoustics.cli.selfcheck.show_result"),
        pytest.raises(SystemExit) as leave,
    ):
        main()
    assert leave.value.code == code


def test_help_ends_with_code_0(capsys):
    with patch("sys.argv", ["pingfix", "check", "--help"]), pytest.raises(SystemExit) as leave:
        main()
    assert not leave.value.code and "Usage" in capsys.readouterr().out


def test_every_mistake_of_a_file_is_a_line_of_its_own(tmp_path, capsys):
    file = tmp_path / "odd.toml"
    file.write_text("[water]\nph = 20.0\n[[pinger]]\nposition_m = [1.0, 1.0]\n[vehicle]\n[array]\nuse = 'pair'\n")
    with patch("sys.argv", ["pingfix", "check", str(file)]), pytest.raises(SystemExit) as leave:
        main()
    lines = capsys.readouterr().err.splitlines()
    assert leave.value.code == 2
    assert all(line.startswith(f"pingfix: {file}: ") for line in lines)
    assert [line.split(": ")[2] for line in lines] == [
        "water.ph",
        "pinger[1].position_m[3]",
        "pinger[1].frequency_hz",
        "vehicle.position_m",
    ]


def test_force_does_not_replace_what_a_command_reads(tmp_path):
    scenario, link = tmp_path / "pool.toml", tmp_path / "same.toml"
    scenario.write_bytes(Path(POOL).read_bytes())
    link.symlink_to(scenario)
    for out in ("pool.toml", "same.toml"):
        (line,) = refused("checklist", "pool.toml", "--out", out, "--force", cwd=tmp_path)
        assert line.startswith(f"pingfix: {out}: is read here; choose another name")
    assert scenario.read_bytes() == Path(POOL).read_bytes()


@pytest.mark.parametrize("begin, end", [("\ufeff", "\n"), ("", "\r\n"), ("\ufeff", "\r\n")])
def test_files_of_an_editor_that_marks_them_and_ends_lines_in_two_signs_are_read(begin, end, tmp_path):
    (tmp_path / "pool.toml").write_bytes((begin + Path(POOL).read_text().replace("\n", end)).encode())
    assert good("sound-speed", "pool.toml", "--json", cwd=tmp_path) == good("sound-speed", POOL, "--json")


def test_a_number_of_thousands_of_digits_is_refused_in_our_words(tmp_path):
    (tmp_path / "pool.toml").write_text(f"[pool]\ndepth_m = {'9' * 5000}\n")
    assert refused("check", "pool.toml", cwd=tmp_path) == ["pingfix: pool.toml: holds a number of too many digits"]


def test_an_interrupt_that_a_module_being_loaded_makes_an_error_of_is_an_interrupt(monkeypatch, capsys):
    """As C extensions do whose initialization a signal's exception breaks off."""

    def loads(*_, **__):
        try:
            signal.raise_signal(signal.SIGTERM)
        except Exception:
            raise ImportError("initialization failed") from None

    monkeypatch.setattr("acoustics.cli.main._END_REQUESTED", threading.Event())
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)}
    try:
        with patch("acoustics.cli.main.pingfix.main", loads), pytest.raises(SystemExit) as leave:
            main()
        assert leave.value.code == 130
        assert capsys.readouterr().err == "pingfix: interrupted; no result was written\n"
        monkeypatch.setattr("acoustics.cli.main._interrupt", lambda *_: None)
        with patch("acoustics.cli.main.pingfix.main", side_effect=ImportError), pytest.raises(ImportError):
            monkeypatch.setattr("acoustics.cli.main._END_REQUESTED", threading.Event())
            main()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
