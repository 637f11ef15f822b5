"""The demo fleet's assessment, shared by the tests of what an analyst asks."""

from pathlib import Path

import pytest

from cmkit.assessment import Assessment
from cmkit.books.content.open_assessment import open_assessment


@pytest.fixture(scope="session")
def demo(root: Path) -> Assessment:
    """The demo fleet on 30 June 2026."""
    return open_assessment(root / "sample_data", "2026-06-30")
