"""`import acoustics` offers a small set of names, and costs nothing until one is used."""

from __future__ import annotations

import subprocess
import sys

import pytest

import acoustics


@pytest.mark.parametrize("name", acoustics.__all__)
def test_every_name_is_there_and_documented(name):
    assert getattr(acoustics, name).__doc__
    assert f"`{name}`" in acoustics.__doc__


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'nonsense'"):
        acoustics.nonsense  # noqa: B018


def test_importing_it_loads_nothing_heavy():
    code = "import sys, acoustics; assert not {'numpy', 'scipy', 'pydantic'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
