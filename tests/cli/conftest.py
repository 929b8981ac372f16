"""Commands at quick sizes, inside and out."""

import pytest


@pytest.fixture(scope="module", autouse=True)
def _quick(few):
    """For every test of this folder."""
