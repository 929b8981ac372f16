"""Numbers on the command line: what is no number is refused by every option that takes one."""

import click
import pytest

from acoustics.cli.main import pingfix
from acoustics.cli.numbers import FINITE, FloatRange


def _numbers():
    for name in pingfix.list_commands(None):
        for parameter in pingfix.get_command(None, name).params:
            kinds = parameter.type.types if isinstance(parameter.type, click.Tuple) else [parameter.type]
            for kind in kinds:
                if isinstance(kind, click.types.FloatParamType):
                    yield pytest.param(kind, id=f"{name} {parameter.opts[0]}")


@pytest.mark.parametrize("kind", list(_numbers()))
@pytest.mark.parametrize("text", ["nan", "inf", "-inf"])
def test_every_option_that_takes_a_number_refuses_what_is_none(kind, text):
    with pytest.raises(click.BadParameter, match="not a finite number|not in the range"):
        kind.convert(text, None, None)


def test_limits_count_as_before():
    assert FloatRange(0, 1).convert("0.5", None, None) == 0.5 and FINITE.convert("-3", None, None) == -3.0
    with pytest.raises(click.BadParameter, match="2.0 is not in the range 0<=x<=1"):
        FloatRange(0, 1).convert("2", None, None)
