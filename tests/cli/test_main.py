"""What a command ends with is what the shell is told."""

from __future__ import annotations

from types import SimpleNamespace
from unittest.mock import patch

import pytest

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
