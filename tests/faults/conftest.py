"""What the fault tests share: a small fleet's saved assessment, and a server of processes that can be killed."""

from collections.abc import Callable, Iterator
from multiprocessing.context import BaseContext
from pathlib import Path

import pytest

from cmkit.assessment import Assessment
from tests.fork_server import fork_server


@pytest.fixture(scope="module")
def forks() -> Iterator[BaseContext]:
    """Processes that start in milliseconds."""
    with fork_server("tests.faults.stopped") as context:
        yield context


@pytest.fixture(scope="session")
def saved(small_assessed: Callable[[str], Assessment], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two assessments of the same machines: `then` of the end of 2025 and `now` of half a year later."""
    folder = tmp_path_factory.mktemp("saved")
    small_assessed("2025-12-31").save(folder / "then")
    small_assessed("2026-06-30").save(folder / "now")
    return folder
