"""Where tasks are done: one after another, by threads or processes of this machine, or by a cluster. Same tasks, same
results.

Books and the assessment of sites go through here. Each way is a generator of results in the order in which tasks end.
What is lost with a worker that died is done again elsewhere, or comes back as `lost(job, error)` when it takes its
worker down again. A task that may be done twice must be harmless to repeat.
"""

import importlib
import multiprocessing
import os
import signal
import tempfile
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, ThreadPoolExecutor, as_completed, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from multiprocessing import forkserver
from multiprocessing.context import BaseContext
from typing import Any, TypeVar

from cmkit.errors import CmkitError, ParameterError

Job = TypeVar("Job")
Result = TypeVar("Result")

CONNECT_S = 20
# on two cores: a third of a book's time is waiting for its kernel to start and end; a fourth thread gained nothing
THREADS = 3
_LONGEST_FOLDER = 75  # bytes; multiprocessing adds /pymp-12345678/listener-12345678


@dataclass(frozen=True)
class Workers:
    """Who does the tasks. executor: `serial`, `local` (this machine) or `cluster` (a dask scheduler at `scheduler`).

    threads: books made side by side on this machine, each by a kernel of its own; processes: sites assessed side by
    side (0: one a core);
    warm: kernels of books are forked warm.
    """

    executor: str = "local"
    threads: int = THREADS
    scheduler: str = ""
    warm: bool = True
    processes: int = 0

    def each(
        self,
        work: Callable[[Job], Result],
        jobs: Iterable[Job],
        lost: Callable[[Job, str], Result],
        *,
        waits: bool = False,
    ) -> Iterator[Result]:
        """Results of `work` on each job, as they come. waits: the work only waits for processes of its own, so threads
        do.
        """
        if self.executor == "serial":
            return run_serial(work, jobs)
        if self.executor == "local":
            return run_threads(work, jobs, self.threads) if waits else run_processes(work, jobs, lost, self.processes)
        if self.executor == "cluster":
            return run_cluster(work, jobs, self.scheduler, lost)
        raise ParameterError(f"executor: found {self.executor!r}, wanted serial, local or cluster")


SERIAL = Workers(executor="serial")


def run_serial(work: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
    """One after another, in this thread."""
    return (work(job) for job in jobs)


def run_threads(work: Callable[[Job], Result], jobs: Iterable[Job], threads: int = THREADS) -> Iterator[Result]:
    """By threads of this process: for work that is done by other processes (a book by its kernel's)."""
    with ThreadPoolExecutor(max_workers=threads, thread_name_prefix="book") as pool:
        futures = [pool.submit(work, job) for job in jobs]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def run_processes(
    work: Callable[[Job], Result], jobs: Iterable[Job], lost: Callable[[Job, str], Result], processes: int = 0
) -> Iterator[Result]:
    """By processes of this machine (0: one a core). Jobs are taken from `jobs` only a few ahead, so that they may be
    made on the way.

    A process that is killed loses what was under way, which is done again, each task alone: the one that kills it again
    is `lost`.
    """
    size, left = processes or cores(), iter(jobs)
    first = list(islice(left, size + 1))
    while first:
        under_way = yield from _until_broken(work, first, left, size)
        for job in under_way:
            yield _alone(work, job, lost)
        first = list(islice(left, size + 1))


def cores() -> int:
    """Processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def fork_server(module: str) -> BaseContext | None:
    """Processes forked from a clean server, since the numeric libraries hold threads, which forking this process would
    hurt. It imports `module` once for all, unless it runs already with imports of its own.

    A terminal sends Ctrl-C to every process of a command: the server and its processes leave that to the command, which
    ends them. None where the system has no such server, or where the folder of temporary files has too long a path for
    the server's address (107 bytes).
    """
    if "forkserver" not in multiprocessing.get_all_start_methods() or len(tempfile.gettempdir()) > _LONGEST_FOLDER:
        return None
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([module])
    with _without_interrupts():
        forkserver.ensure_running()
    return context


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """What is started meanwhile ignores Ctrl-C, as a started process does whatever its starter does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _context(work: Callable[..., Any]) -> BaseContext:
    return fork_server(work.__module__) or multiprocessing.get_context("spawn")


def _pool(work: Callable[..., Any], size: int) -> ProcessPoolExecutor:
    """Processes for a kind of task, which end with this one, also where it is killed."""
    return ProcessPoolExecutor(max_workers=size, mp_context=_context(work), initializer=_end_with_parent)


def _end_with_parent() -> None:
    """A pool's process waits for tasks as long as anybody, itself too, might send one; so it watches who started it."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_await_end, args=(parent,), daemon=True).start()


def _await_end(parent: Any) -> None:
    parent.join()
    os._exit(1)


def _until_broken(
    work: Callable[[Job], Result], first: list[Job], more: Iterator[Job], size: int
) -> Generator[Result, None, list[Job]]:
    """Results until all is done, or a process was killed; then returns the jobs that were under way."""
    under_way: dict[Future[Result], Job] = {}
    others = set(multiprocessing.active_children())
    pool = _pool(work, min(size, len(first)))
    try:
        todo = list(first)
        while todo or under_way:
            while todo:
                under_way[pool.submit(work, todo[0])] = todo[0]
                del todo[0]
            for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                result = future.result()
                del under_way[future]
                yield result
                todo += islice(more, 1)
    except BrokenProcessPool:
        return [*under_way.values(), *todo]
    except (KeyboardInterrupt, GeneratorExit):  # stopped, or nobody wants the rest: what is under way is not waited for
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
    return []


def _alone(work: Callable[[Job], Result], job: Job, lost: Callable[[Job, str], Result]) -> Result:
    """One task in a process of its own."""
    with _pool(work, 1) as pool:
        try:
            return pool.submit(work, job).result()
        except BrokenProcessPool as error:
            return lost(job, str(error))


def run_cluster(
    work: Callable[[Job], Result], jobs: Iterable[Job], scheduler: str, lost: Callable[[Job, str], Result]
) -> Iterator[Result]:
    """By the workers of a dask.distributed scheduler at `scheduler` (they must see the same folders under the same
    names).

    A worker that dies loses only what it was doing, which is done again elsewhere; a task that kills its workers again
    and again comes back as `lost`. Raises ParameterError when distributed is not installed or nobody answers.
    """
    try:
        distributed = importlib.import_module("distributed")  # a third of a second, which only a cluster is worth
    except ImportError:
        raise ParameterError("--scheduler: dask.distributed is not installed; install cmkit[cluster]") from None
    try:
        distributed.comm.addressing.get_address_host_port(scheduler)
    except ValueError:
        raise ParameterError(f"--scheduler: found {scheduler!r}, wanted an address such as tcp://host:8786") from None
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except OSError as error:
        raise ParameterError(f"--scheduler: nobody answers at {scheduler} ({error})") from None
    with client:
        waiting = {client.submit(work, job, pure=False): job for job in jobs}
        for future in distributed.as_completed(list(waiting), loop=client.loop):
            job = waiting.pop(future)
            failed = future.exception() if future.status != "finished" else None
            if isinstance(failed, CmkitError):
                raise failed
            yield lost(job, repr(failed)) if failed else future.result()
            future.release()  # a finished result held only by a worker would be computed again if that worker died
