"""Books made by a cluster on loopback: each published once, also when a worker is killed in the middle."""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import cloudpickle
import distributed
import pytest

from cmkit import engine
from cmkit.books.publishing.export import page_facts
from cmkit.books.publishing.month import run_books
from cmkit.books.running.run import BookJob, lost_book, make_once
from cmkit.engine import Workers, run_cluster
from cmkit.errors import ParameterError
from tests.lengths import short_or_full

pytestmark = [
    # raised inside distributed when its sockets close
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"),
]
Save = Callable[..., Path]


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    """A scheduler and two workers of one thread each, as an operator would start them; their nannies may have
    children's children.
    """
    address = f"tcp://127.0.0.1:{free_port()}"
    environment = {**os.environ, "DASK_DISTRIBUTED__WORKER__DAEMON": "false"}
    dask = [
        sys.executable,
        "-m",
        "dask",
    ]
    quiet = {
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
        "env": environment,
        "cwd": tmp_path,
        "start_new_session": True,
    }
    port = address.rsplit(":", 1)[1]
    head = subprocess.Popen([*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"], **quiet)
    worker = [*dask, "worker", address, "--nthreads", "1", "--no-dashboard", "--local-directory", str(tmp_path)]
    crew = [subprocess.Popen(worker, **quiet) for _ in range(2)]
    try:
        with distributed.Client(address, timeout=300, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=300)
        yield address
    finally:
        for process in [*crew, head]:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(timeout=30)


def worker_pids(address: str) -> list[int]:
    with distributed.Client(address, timeout=300, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


@short_or_full("books", 6, 20)
def test_with_a_worker_killed_every_book_is_published_once(
    tmp_path: Path, save_assessment: Save, notebooks: Path, scheduler: str, books: int
) -> None:
    sites = [f"site {n:02d}" for n in range(books - 1)]
    assessment, out = save_assessment(sites), tmp_path / "books"
    finished: list[str] = []

    def progress(result: object, done: int, total: int) -> None:
        finished.append(result.key)  # type: ignore[attr-defined]
        if done == 3:
            os.kill(worker_pids(scheduler)[0], signal.SIGKILL)

    how = Workers(executor="cluster", scheduler=scheduler)
    result = run_books(assessment, "2026-06", out, notebooks=notebooks, workers=how, progress=progress)
    assert result.failed == {}
    assert len(finished) == len(set(finished)) == books
    pages = [p for p in (out / "2026-06").rglob("*.html") if p.name in ("index.html", "book.html")]
    assert len(pages) == books
    assert all(page_facts(p.read_text(encoding="utf-8")).charts == 1 for p in pages)
    assert not list(out.rglob("*.part")) + list(out.rglob(".*.made.json"))
    assert not (out / ".building").exists()


@pytest.mark.slow
def test_a_book_that_kills_its_workers_fails_alone(
    tmp_path: Path, write_notebook: Callable[..., Path], scheduler: str
) -> None:
    jobs = [BookJob(f"{n}", str(write_notebook("print(1)")), {}, str(tmp_path / f"{n}")) for n in range(3)]
    cloudpickle.register_pickle_by_value(sys.modules[__name__])  # workers cannot import a test
    results = list(run_cluster(kill_worker_for_1, jobs, scheduler, lost_book))
    assert {r.key: r.made for r in results} == {"0": True, "1": False, "2": True}
    assert "workers were lost again and again" in next(r.error for r in results if not r.made)


def kill_worker_for_1(job: BookJob) -> object:
    if job.key == "1":
        os.kill(os.getpid(), signal.SIGKILL)
    return make_once(job)


def test_nobody_at_the_address_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "CONNECT_S", 2)
    with pytest.raises(ParameterError, match=r"nobody answers at tcp://127\.0\.0\.1:1 "):
        list(run_cluster(make_once, [], "tcp://127.0.0.1:1", lost_book))


@pytest.mark.parametrize("address", ["nonsense", "tcp://host", "foo://host:1"])
def test_what_is_no_address_is_said_at_once(address: str) -> None:
    with pytest.raises(ParameterError, match="wanted an address such as tcp://host:8786"):
        list(run_cluster(make_once, [], address, lost_book))
