"""Fixtures shared by all tests."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def design_data() -> Path:
    """Open data files with origin and licence in their README."""
    return ROOT / "tests" / "data"
