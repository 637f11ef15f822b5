"""What the fault tests share: a server of processes that can be killed."""

from collections.abc import Iterator
from multiprocessing.context import BaseContext

import pytest

from tests.fork_server import fork_server


@pytest.fixture(scope="module")
def forks() -> Iterator[BaseContext]:
    """Processes that start in milliseconds."""
    with fork_server("tests.faults.stopped") as context:
        yield context
