"""A fork server for one set of tests: which modules it has imported depends on who starts it."""

import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import forkserver
from multiprocessing.context import BaseContext


@contextmanager
def fork_server(module: str) -> Iterator[BaseContext]:
    """Processes from a server that has `module` imported, so that a start costs milliseconds.

    Python keeps one server a process: it is stopped afterwards, so that the next to need one starts it with modules of
    its own (warm kernels of books among them).
    """
    server = forkserver._forkserver  # type: ignore[attr-defined]
    before = list(server._preload_modules)
    server._stop()
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([module])
    try:
        yield context
    finally:
        server._stop()
        server._preload_modules = before
