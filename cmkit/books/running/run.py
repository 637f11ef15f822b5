"""One function a book: run its notebook with these parameters, export it, keep what failed.

`run_book` never leaves half a book under a book's name: the page is written when the whole notebook ran, reached its
end and every figure of it is in the page; else an error page and the half-run notebook stand beside what was there
before.
"""

import json
import threading
import time
import traceback
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from nbclient.exceptions import CellTimeoutError, DeadKernelError
from nbconvert.filters import strip_ansi
from nbformat import NotebookNode
from papermill.engines import papermill_engines
from papermill.exceptions import PapermillExecutionError
from papermill.execute import raise_for_execution_errors
from papermill.iorw import load_notebook_node
from papermill.parameterize import parameterize_notebook

from cmkit.books.publishing.export import BookExporter
from cmkit.books.publishing.static_page import plain_page
from cmkit.books.running.notebook import (
    cell_seconds,
    check_cells,
    check_parameters,
    check_whole,
    notebook_text,
    read_notebook,
    with_end_mark,
    without_times,
)
from cmkit.errors import BookError
from cmkit.files import write_file

KERNEL = "python3"
ENGINE = "cmkit"


@dataclass(frozen=True)
class Limits:
    """Bounds on one book. Seconds for a cell, for the whole book and for a kernel's start; MiB of a kernel's address
    space (0: none).
    """

    cell_s: int = 120
    book_s: float = 600.0
    start_s: int = 180
    memory_mb: int = 6144


LIMITS = Limits()


@dataclass(frozen=True)
class BookJob:
    """A book to make. key: its name in the record; name: NAME.html and NAME.ipynb in `folder`, which is also the
    kernel's folder.
    """

    key: str
    notebook: str
    parameters: dict[str, Any]
    folder: str
    name: str = "book"
    page: dict[str, Any] = field(default_factory=dict)
    inputs: str = ""
    limits: Limits = LIMITS
    warm: bool = True


@dataclass(frozen=True)
class BookResult:
    """What came of a job. seconds: whole, cells, export; error is empty when the book was made; attempts counts kernels
    used.
    """

    key: str
    made: bool
    error: str = ""
    inputs: str = ""
    seconds: float = 0.0
    cells_s: float = 0.0
    export_s: float = 0.0
    bytes: int = 0
    attempts: int = 1

    def as_record(self) -> dict[str, Any]:
        """As a dictionary for run.json and run.log."""
        return asdict(self)


def run_book(
    notebook: str | Path,
    parameters: dict[str, Any],
    out_dir: str | Path,
    *,
    name: str = "book",
    page: dict[str, Any] | None = None,
    limits: Limits = LIMITS,
    warm: bool = True,
) -> BookResult:
    """Make one book from a notebook. Returns a result also when it failed; raises ParameterError or BookError before
    anything ran.

    out_dir: where NAME.html and NAME.ipynb go; the kernel runs there, so relative paths among the parameters mean it.
    page: what the page's head shows (see BookExporter).
    """
    job = BookJob(name, str(notebook), parameters, str(out_dir), name, page or {}, limits=limits, warm=warm)
    check_job(job)
    return make_book(job)


def check_job(job: BookJob) -> NotebookNode:
    """The job's notebook, once its parameters and cells are found to be in order. Raises
    ParameterError or BookError.
    """
    nb = read_notebook(job.notebook)
    check_parameters(nb, job.parameters, Path(job.notebook).name)
    check_cells(nb, Path(job.notebook).name)
    return nb


def make_book(job: BookJob) -> BookResult:
    """Do a job; whatever goes wrong is in the result, on the error page and in the half-run notebook. One retry for a
    lost kernel.
    """
    started = time.monotonic()
    folder = Path(job.folder)
    kept: list[NotebookNode] = []
    attempts = 0
    try:
        folder.mkdir(parents=True, exist_ok=True)
        attempts, nb = _run_twice_at_most(job, kept)
        cells_s = cell_seconds(nb)
        check_whole(nb)
        nb = without_times(nb)
        export_started = time.monotonic()
        html = _export(nb, job)
        write_file(folder / f"{job.name}.ipynb", notebook_text(nb))
        write_file(folder / f"{job.name}.html", html)
        _remove_failure(folder, job.name)
    except Exception as error:
        words = error_words(error, job.limits)
        _keep_failure(folder, job, kept, words, error)
        return BookResult(
            job.key, False, words, job.inputs, time.monotonic() - started, attempts=max(attempts, len(kept))
        )
    ended = time.monotonic()
    return BookResult(
        job.key, True, "", job.inputs, ended - started, cells_s, ended - export_started, len(html.encode()), attempts
    )


def _run_twice_at_most(job: BookJob, kept: list[NotebookNode]) -> tuple[int, NotebookNode]:
    """Kernels used, and the executed notebook. A kernel that died or did not answer is tried once more; an error in a
    cell is not.
    """
    try:
        return 1, _run_notebook(job, kept)
    except (DeadKernelError, RuntimeError) as error:
        if isinstance(error, RuntimeError) and not isinstance(error, DeadKernelError) and "Kernel" not in str(error):
            raise
    return 2, _run_notebook(job, kept)


def _run_notebook(job: BookJob, kept: list[NotebookNode]) -> NotebookNode:
    """The executed notebook; `kept` receives it also when it fails half-way.

    The steps of papermill.execute_notebook without its two writings of the whole notebook, which nobody reads here.
    """
    nb = load_notebook_node(with_end_mark(check_job(job)))
    if job.parameters:
        nb = parameterize_notebook(nb, job.parameters, kernel_name=KERNEL, engine_name=ENGINE)
    nb = papermill_engines.execute_notebook_with_engine(
        ENGINE,
        nb,
        kernel_name=KERNEL,
        progress_bar=False,
        start_timeout=job.limits.start_s,
        execution_timeout=job.limits.cell_s,
        warm=job.warm,
        memory_mb=job.limits.memory_mb,
        book_timeout=job.limits.book_s,
        cwd_of_kernel=job.folder,
        keep=kept,
    )
    raise_for_execution_errors(nb, None)
    made: NotebookNode = nb
    return made


_of_thread = threading.local()


def _export(nb: NotebookNode, job: BookJob) -> str:
    """The page; an exporter keeps state and is costly to make, so each thread has one."""
    if not hasattr(_of_thread, "exporter"):
        _of_thread.exporter = BookExporter()
    html: str = _of_thread.exporter.from_notebook_node(nb, resources={"book": job.page})[0]
    return html


def error_words(error: Exception, limits: Limits = LIMITS) -> str:
    """What went wrong with a book, in one line."""
    if isinstance(error, PapermillExecutionError):
        return f"code cell {error.exec_count} failed: {error.ename}: {error.evalue}"
    if isinstance(error, CellTimeoutError):
        return f"a cell took longer than {limits.cell_s} s"
    if isinstance(error, DeadKernelError):
        return "the kernel died, and died again when tried once more (killed, crashed, or out of memory)"
    if isinstance(error, (BookError, TimeoutError)):
        return str(error)
    return f"{type(error).__name__}: {error}"


def _keep_failure(folder: Path, job: BookJob, kept: list[NotebookNode], words: str, error: Exception) -> None:
    """An error page and the half-run notebook; on a full disk even these may be impossible, and the result still says
    what happened.
    """
    notebook = f"{job.name}.half-run.ipynb"
    try:
        if kept:
            write_file(folder / notebook, notebook_text(without_times(kept[-1])))
        write_file(folder / f"{job.name}.error.html", error_page(job, words, error, notebook if kept else ""))
    except OSError:
        for name in (notebook, f"{job.name}.error.html"):
            (folder / name).unlink(missing_ok=True)


def error_page(job: BookJob, words: str, error: Exception, notebook: str) -> str:
    """What a reader sees of a book that could not be made: what happened, what to do, and where to look."""
    title = f"{job.page.get('title', job.key)}: not made"
    paragraphs = [
        f"This book could not be made: {words}.",
        "Nothing here says anything about the machines. The records and the other books are not affected.",
        "Whoever runs the books should open the half-run notebook, correct the cause and run the same command again: "
        "books already made are not made twice.",
    ]
    details = (
        "".join(traceback.format_exception(error)) if not isinstance(error, PapermillExecutionError) else str(error)
    )
    links = [{"text": "The notebook, as far as it ran", "href": notebook}] if notebook else []
    return plain_page(
        title,
        paragraphs,
        details=strip_ansi(details)[-6000:],
        links=[*links, *(n for n in job.page.get("nav", []) if n["href"] != f"{job.name}.ipynb")],
    )


def _remove_failure(folder: Path, name: str) -> None:
    for old in (f"{name}.half-run.ipynb", f"{name}.error.html"):
        (folder / old).unlink(missing_ok=True)


def make_once(job: BookJob) -> BookResult:
    """As `make_book`, for workers that may die: a book that an earlier attempt at the same inputs finished is not made
    again.
    """
    note = Path(job.folder) / f".{job.name}.made.json"
    try:
        return BookResult(**json.loads(note.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        pass
    result = make_book(job)
    if result.made:
        write_file(note, json.dumps(result.as_record()))
    return result


def lost_book(job: BookJob, error: str) -> BookResult:
    """The result of a book whose workers kept dying."""
    return BookResult(job.key, False, f"its workers were lost again and again ({error})", job.inputs)
