"""One book and everything that can go wrong with it: nothing half-made is ever left under a book's name, and it says
what happened.
"""

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import nbformat
import pandas as pd
import psutil
import pytest

from cmkit.books.publishing.export import page_facts
from cmkit.books.running.run import Limits, run_book
from cmkit.errors import BookError, ParameterError

Write = Callable[..., Path]
CHART = (
    "import plotly.graph_objects as go\n"
    "go.Figure(go.Scatter(y=[1, 2]), layout={'meta': {'caption': 'Iron, ppm', 'alt': 'Iron over time'}})"
)


def left(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_book_is_a_page_and_the_notebook_as_it_ran(tmp_path: Path, write_notebook: Write) -> None:
    result = run_book(
        write_notebook(CHART, "print(site)"), {"site": "north"}, tmp_path / "out", page={"title": "North"}
    )
    assert (result.made, result.error, result.attempts) == (True, "", 1)
    assert left(tmp_path / "out") == ["book.html", "book.ipynb"]
    page = (tmp_path / "out" / "book.html").read_text(encoding="utf-8")
    assert page_facts(page).charts == 1
    assert 0 < result.bytes == len(page.encode()) < 1_000_000
    nb = nbformat.read(tmp_path / "out" / "book.ipynb", 4)
    assert nb.metadata.papermill == {"parameters": {"site": "north"}}


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path, write_notebook: Write) -> None:
    path = write_notebook(CHART, "print(site)")
    for out in ("one", "two"):
        assert run_book(path, {"site": "north"}, tmp_path / out).made
    for name in ("book.html", "book.ipynb"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


FAULTS = {
    "a cell raises": ("1 / 0", "code cell 2 failed: ZeroDivisionError: division by zero"),
    "the kernel is killed": ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", "the kernel died, and died "
    "again"),
    "the kernel leaves": ("import os; os._exit(0)", "the kernel died, and died again"),
    "sys.exit(0)": ("import sys; sys.exit(0)", "stopped before its end without an error"),
    "a chart without words": ("import plotly.graph_objects as go\ngo.Figure(go.Scatter(y=[1]))", "chart 1 of the book "
    "has no caption"),
    "a picture without words": ("from IPython.display import HTML\nHTML('<img src=\"data:image/png;base64,AA==\">')",
    "without alternative text"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_keeps_the_earlier_page_and_says_what_happened(
    tmp_path: Path, write_notebook: Write, fault: str
) -> None:
    cell, words = FAULTS[fault]
    out = tmp_path / "out"
    out.mkdir()
    (out / "book.html").write_text("the earlier book")
    result = run_book(write_notebook("print('before')", cell, "print('after')"), {}, out, page={"title": "North"})
    assert not result.made
    assert words.replace("code cell 2", "code cell 3") in result.error
    assert left(out) == ["book.error.html", "book.half-run.ipynb", "book.html"]
    assert (out / "book.html").read_text() == "the earlier book"
    page = (out / "book.error.html").read_text(encoding="utf-8")
    assert "North: not made" in page
    half = nbformat.read(out / "book.half-run.ipynb", 4)
    assert any("before" in str(c.get("outputs")) for c in half.cells)


def test_a_book_that_works_again_clears_its_error(tmp_path: Path, write_notebook: Write) -> None:
    assert not run_book(write_notebook("1 / 0"), {}, tmp_path / "out").made
    assert run_book(write_notebook("1 / 1"), {}, tmp_path / "out").made
    assert left(tmp_path / "out") == ["book.html", "book.ipynb"]


@pytest.mark.parametrize("warm", [True, False])
def test_a_cell_that_hangs_is_stopped(tmp_path: Path, write_notebook: Write, warm: bool) -> None:
    path = write_notebook("import time; time.sleep(300)")
    result = run_book(path, {}, tmp_path / "out", limits=Limits(cell_s=2), warm=warm)
    assert (result.made, result.error) == (False, "a cell took longer than 2 s")
    assert result.seconds < 60


def test_a_book_that_takes_too_long_is_stopped_with_its_children(tmp_path: Path, write_notebook: Write) -> None:
    pid = tmp_path / "pid"
    cell = (
        f"import subprocess, time\nopen({str(pid)!r}, 'w').write(str(subprocess.Popen(['sleep', "
        f"'300']).pid))\ntime.sleep(300)"
    )
    result = run_book(write_notebook(cell), {}, tmp_path / "out", limits=Limits(cell_s=200, book_s=8))
    assert (result.made, result.error) == (False, "the book took longer than 8 s and its kernel was ended")
    assert result.attempts == 1
    child = int(pid.read_text())
    assert not psutil.pid_exists(child) or psutil.Process(child).status() == psutil.STATUS_ZOMBIE


def test_a_kernel_lost_once_is_tried_again(tmp_path: Path, write_notebook: Write) -> None:
    flag = tmp_path / "flag"
    cell = f"import os\nif not os.path.exists({str(flag)!r}):\n    open({str(flag)!r}, 'w').close()\n    os._exit(1)"
    result = run_book(write_notebook(cell), {}, tmp_path / "out")
    assert (result.made, result.attempts) == (True, 2)


@pytest.mark.parametrize(
    ("parameters", "words"),
    [
        ({"sit": "north"}, "has no parameter 'sit'; it has site, month; did you mean 'site'?"),
        ({"x=open('f','w');y": 1}, "has no parameter"),
        ({"site": pd.Timestamp("2026-01-01")}, "parameter 'site' is a Timestamp; wanted text"),
        ({"site": ("a", "b")}, "is a tuple"),
    ],
)
def test_a_wrong_parameter_is_refused_before_anything_runs(
    tmp_path: Path, write_notebook: Write, parameters: dict, words: str
) -> None:
    with pytest.raises(ParameterError, match=r"^made\.ipynb: ") as caught:
        run_book(write_notebook("1"), parameters, tmp_path / "out")
    assert words in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_a_default_with_an_equals_sign_hides_no_parameter(tmp_path: Path, write_notebook: Write) -> None:
    path = write_notebook("print(site, month, extra)")
    nb = nbformat.read(path, 4)
    nb.cells[0].source = 'site: str = "a=b"  # c = d\nmonth = "x==y"\nextra = {"k": "v=w"}["k"]'
    nbformat.write(nb, path)
    assert run_book(path, {"site": "north", "month": "2026-06", "extra": "="}, tmp_path / "out").made


@pytest.mark.parametrize("call", ["exit()", "if True:\n    quit(0)"])
def test_a_notebook_that_would_end_its_kernel_is_refused(tmp_path: Path, write_notebook: Write, call: str) -> None:
    with pytest.raises(BookError, match=r"code cell 2 calls (exit|quit)\(\)"):
        run_book(write_notebook(call), {}, tmp_path / "out")


def test_what_is_no_notebook_is_refused(tmp_path: Path) -> None:
    (tmp_path / "not.ipynb").write_text("no notebook")
    for path in (tmp_path / "not.ipynb", tmp_path / "none.ipynb"):
        with pytest.raises(BookError, match="cannot be read as a notebook"):
            run_book(path, {}, tmp_path / "out")


HOSTILE = [
    '"; import os; os._exit(9); "',
    "'''\n1/0\n'''",
    "{site.__class__}",
    "\\",
    "a\nb",
    "007",
    "1e3",
    "nan",
    "None",
    "../../x",
    "é\u2028",
]


def test_parameter_values_arrive_as_they_are(tmp_path: Path, write_notebook: Write) -> None:
    seen, given = tmp_path / "seen.txt", {f"p{n}": value for n, value in enumerate(HOSTILE)}
    cell = f"open({str(seen)!r}, 'w', encoding='utf-8', newline='').write('\\n'.join(map(repr, [{', '.join(given)}])))"
    assert run_book(write_notebook(cell, parameters=tuple(given)), given, tmp_path / "out").made
    assert seen.read_text(encoding="utf-8").splitlines() == [repr(v) for v in HOSTILE]


def test_a_relative_path_means_the_books_own_folder(tmp_path: Path, write_notebook: Write) -> None:
    here = Path.cwd()
    assert run_book(write_notebook("open('made-here.txt', 'w').close()"), {}, tmp_path / "out").made
    assert (tmp_path / "out" / "made-here.txt").exists()
    assert Path.cwd() == here


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 400 kB in memory; needs the right to mount."""
    place = tmp_path / "small"
    place.mkdir()
    done = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", place], check=False, capture_output=True
    )
    if not done or done.returncode:
        pytest.skip("no right to mount a small file system here")
    yield place
    subprocess.run(["umount", place], check=True)


def test_a_full_disk_leaves_no_part_of_a_book(small_disk: Path, write_notebook: Write) -> None:
    result = run_book(write_notebook(CHART), {}, small_disk / "out")
    assert not result.made
    assert "No space left" in result.error
    assert "book.html" not in left(small_disk / "out")
    assert [n for n in left(small_disk / "out") if n.endswith(".part")] == []
