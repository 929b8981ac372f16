"""Words, pictures and pages of small studies."""

import pytest


@pytest.fixture(scope="module", autouse=True)
def _quick(few):
    """For every test of this folder."""
