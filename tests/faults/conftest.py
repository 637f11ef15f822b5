"""What the fault tests share: a small fleet's saved assessment, and a server of processes that can be killed."""

import multiprocessing
from pathlib import Path

import pytest

from cmkit.assess import assess_fleet
from cmkit.records.fleet import Fleet


@pytest.fixture(scope="session")
def forks() -> multiprocessing.context.BaseContext:
    """Processes from a server that has cmkit imported, so that a start costs milliseconds."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["cmkit.records.storing.store", "cmkit.review", "cmkit.practice.sheets", "cmkit.intervals.accept"]
    )
    return context


@pytest.fixture(scope="session")
def saved(small: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two assessments of the same machines: `then` of the end of 2025 and `now` of half a year later."""
    folder = tmp_path_factory.mktemp("saved")
    assess_fleet(small, "2025-12-31").save(folder / "then")
    assess_fleet(small, "2026-06-30").save(folder / "now")
    return folder
