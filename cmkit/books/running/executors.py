"""Where books are made: one after another, by a pool of threads over kernels, or by a cluster. Same jobs, same results.

Each is a generator of results in the order in which books are ready. A book's own failure is a result, not an error: `work` catches
it. What is lost with a worker is made again elsewhere or comes back as `lost(job, error)`.
"""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import suppress
from typing import TypeVar

from cmkit.errors import BookError

with suppress(ImportError):
    import distributed

Job = TypeVar("Job")
Result = TypeVar("Result")
Work = Callable[[Job], Result]

CONNECT_S = 20
THREADS = 3  # on two cores: a third of a book's time is waiting for its kernel to start and end; a fourth thread gained nothing


def run_serial(work: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
    """One after another, in this thread."""
    return (work(job) for job in jobs)


def run_local(work: Callable[[Job], Result], jobs: Iterable[Job], threads: int = THREADS) -> Iterator[Result]:
    """By threads of this process; each book's work is done by its kernel's process."""
    with ThreadPoolExecutor(max_workers=threads, thread_name_prefix="book") as pool:
        futures = [pool.submit(work, job) for job in jobs]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def run_cluster(
    work: Callable[[Job], Result], jobs: Iterable[Job], scheduler: str, lost: Callable[[Job, str], Result]
) -> Iterator[Result]:
    """By the workers of a dask.distributed scheduler at `scheduler` (they must see the same folders under the same names).

    A worker that dies loses only what it was doing, which is done again elsewhere; a book that kills its workers again and again
    comes back as `lost`. Raises BookError when distributed is not installed or nobody answers.
    """
    if "distributed" not in globals():
        raise BookError("--scheduler: dask.distributed is not installed; install cmkit[cluster]")
    try:
        distributed.comm.get_address_host_port(scheduler)
    except ValueError:
        raise BookError(f"--scheduler: found {scheduler!r}, wanted an address such as tcp://host:8786") from None
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except OSError as error:
        raise BookError(f"--scheduler: nobody answers at {scheduler} ({error})") from None
    with client:
        waiting = {client.submit(work, job, pure=False): job for job in jobs}
        for future in distributed.as_completed(list(waiting), loop=client.loop):
            job = waiting.pop(future)
            yield future.result() if future.status == "finished" else lost(job, repr(future.exception()))
            future.release()  # a finished result held only by a worker would be computed again if that worker died
