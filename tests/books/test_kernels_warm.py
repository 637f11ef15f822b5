"""Warm kernels give what plain ones give, stay within their bounds, leave nothing behind, and step aside where forking
is not safe.

The traps tested here are all silent ones found by trying: none of them raises an error by itself.
"""

import logging
import multiprocessing
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import nbformat
import papermill
import psutil
import pytest

from cmkit.books.content.mime import CHART
from cmkit.books.running import kernels
from cmkit.books.running.notebook import merged_streams
from cmkit.books.running.run import Limits, run_book
from tests.books.conftest import made_notebook
from tests.fork_server import fork_server
from tests.lengths import some_or_all

Write = Callable[..., Path]


def executed(path: Path, warm: bool, **how: object) -> nbformat.NotebookNode:
    options = {"execution_timeout": 60, "book_timeout": 120} | how
    return papermill.execute_notebook(
        nbformat.read(path, 4),
        None,
        engine_name="cmkit",
        kernel_name="python3",
        progress_bar=False,
        warm=warm,
        **options,
    )


def outputs(nb: nbformat.NotebookNode) -> list[str]:
    """Every output as text, with addresses, process and element ids masked."""
    text = [str(o) for cell in nb.cells for o in merged_streams(cell.get("outputs", []))]
    return [re.sub(r"0x[0-9a-f]+|T_[0-9a-f]{5}|ipykernel_\d+", "ID", t) for t in text]


CELLS = [
    "import numpy as np, pandas as pd, plotly.graph_objects as go, plotly.express as px",
    "pd.DataFrame(np.arange(60).reshape(2, 30), columns=[f'a column {i}' for i in range(30)])",
    "go.Figure(go.Scatter(y=[1, 2]), layout={'meta': {'caption': 'c', 'alt': 'a'}})",
    "px.line(x=[1, 2], y=[3, 4])",
    "a = np.random.default_rng(1).normal(size=(300, 40)); print(np.linalg.svd(a, compute_uv=False).sum())",
    "from statsmodels.regression.linear_model import OLS\nprint(OLS(a[:, 0], a[:, 1:4]).fit().params)",
    "import duckdb\nprint(duckdb.sql('select sum(i) from range(1000) t(i)').fetchall())",
    "import tempfile, os\nf = tempfile.mktemp('.parquet'); pd.DataFrame({'a': ['x', None]}).to_parquet(f); "
    "print(pd.read_parquet(f)); os.remove(f)",
    "import subprocess\nprint(subprocess.run(['echo', 'hello'], capture_output=True, text=True).stdout)",
    "%%bash\necho from a shell",
    "import multiprocessing as mp\nwith mp.get_context('fork').Pool(2) as pool:\n    print(pool.map(abs, [-1, 2]))",
    "import asyncio\nawait asyncio.sleep(0.01)\nprint('awaited')",
    "import inspect\ndef f():\n    return 1\nprint(inspect.getsource(f))",
    "pd.get_option('display.max_columns'), pd.get_option('display.max_rows')",
    "import plotly.io as pio\nprint(pio.renderers.default)",
    "import warnings\nwarnings.warn('said once')",
]  # fmt: skip


def test_warm_kernels_are_possible_here() -> None:
    assert sys.platform == "linux"
    assert kernels.why_not_warm() == ""


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """What the cells give in a plain kernel."""
    path = tmp_path_factory.mktemp("plain") / "made.ipynb"
    nbformat.write(made_notebook(["site", "month"], CELLS), path)
    return outputs(executed(path, warm=False))


def test_warm_and_plain_give_the_same_outputs(write_notebook: Write, plain: list[str]) -> None:
    warm = executed(write_notebook(*CELLS), warm=True)
    assert len(plain) >= len(CELLS) - 2
    assert outputs(warm) == plain
    figures = [o for c in warm.cells for o in c.get("outputs", []) if CHART in o.get("data", {})]
    assert len(figures) == 2
    assert all("text/html" not in f["data"] for f in figures)


def test_a_server_started_by_others_gives_the_same_outputs(write_notebook: Write, plain: list[str]) -> None:
    """Processes of the assessment may have started Python's one fork server first, with other modules imported."""
    path = write_notebook(*CELLS)
    with fork_server("json") as context:
        first = context.Process(target=abs, args=(1,))  # type: ignore[attr-defined]
        first.start()
        first.join()
        warm = executed(path, warm=True)
    assert outputs(warm) == plain


def test_each_warm_kernel_has_its_own_chance(write_notebook: Write) -> None:
    path = write_notebook("import random, numpy as np\nprint(random.random(), np.random.rand())")
    assert outputs(executed(path, warm=True)) != outputs(executed(path, warm=True))


@pytest.mark.parametrize("warm", [True, False])
def test_memory_is_bounded_and_the_error_is_clean(tmp_path: Path, write_notebook: Write, warm: bool) -> None:
    path = write_notebook("eaten = bytearray(6 << 30)")
    result = run_book(path, {}, tmp_path / "out", limits=Limits(memory_mb=4096), warm=warm)
    assert not result.made
    assert "MemoryError" in result.error


def test_memory_in_small_steps_is_bounded_too(tmp_path: Path, write_notebook: Write) -> None:
    path = write_notebook("eaten = []\nfor _ in range(200):\n    eaten.append(b'x' * (32 << 20))")
    result = run_book(path, {}, tmp_path / "out", limits=Limits(memory_mb=3072))
    assert not result.made
    # with nothing left at all the kernel may not even be able to say so
    assert "MemoryError" in result.error or "kernel died" in result.error


def test_a_kernels_sockets_are_its_own_and_go_with_it(tmp_path: Path, write_notebook: Write) -> None:
    look = (
        "from ipykernel.connect import get_connection_file\nimport os\nf = get_connection_file()\nprint(f, "
        "oct(os.stat(os.path.dirname(f)).st_mode & 0o777), open(f).read().count('ipc'))"
    )
    folders = []
    for _ in range(2):
        said = executed(write_notebook(look), warm=True).cells[-1].outputs[0].text.split()
        assert said[1:] == ["0o700", "1"]
        assert not Path(said[0]).parent.exists()
        folders.append(Path(said[0]).parent)
    assert folders[0] != folders[1]
    assert all(len(str(f)) < 80 for f in folders)


RUNNER = """\
import signal
from cmkit.books.running.run import run_book
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # tests run behind a shell's & start with Ctrl-C ignored
    run_book({path!r}, {{}}, {out!r}, warm={warm})
"""


@some_or_all("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("warm", [True, False])
def test_no_kernel_outlives_its_runner(
    tmp_path: Path, write_notebook: Write, warm: bool, how: signal.Signals, until: Callable[..., None]
) -> None:
    pids = tmp_path / "pids"
    cell = (
        f"import os, subprocess, time\nc = subprocess.Popen(['sleep', '300'])\nopen({str(pids)!r}, "
        f"'w').write(f'{{os.getpid()}} {{c.pid}}')\ntime.sleep(300)"
    )
    script = tmp_path / "runner.py"
    script.write_text(RUNNER.format(path=str(write_notebook(cell)), out=str(tmp_path / "out"), warm=warm))
    runner = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until(lambda: pids.exists() and len(pids.read_text().split()) == 2, runner)
        kernel, child = map(int, pids.read_text().split())
        runner.send_signal(how)
        until(lambda: runner.poll() is not None)
        until(lambda: not running(kernel))
        until(lambda: not (warm and running(child)))  # a group's processes die one after the other
    finally:
        for pid in map(int, pids.read_text().split() if pids.exists() else []):
            if running(pid):
                os.kill(pid, signal.SIGKILL)
        runner.kill()
        runner.wait()


def running(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def test_too_many_threads_in_the_server_mean_plain_kernels_and_one_line(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, write_notebook: Write
) -> None:
    monkeypatch.setattr(kernels, "_ask_server", lambda: (3, []))
    kernels.why_not_warm.cache_clear()
    try:
        with caplog.at_level(logging.WARNING, "cmkit.books"):
            path = write_notebook("import os\nprint(os.getppid())")
            said = [executed(path, warm=True).cells[-1].outputs[0].text.strip() for _ in range(2)]
        assert said == [str(os.getpid())] * 2  # a plain kernel is our child, a forked one the server's
        assert [r.message for r in caplog.records] == [
            "warm kernels are off: the fork server holds 3 threads, and forking is safe with at most 2; books run on "
            "plain kernels, slower"
        ]
    finally:
        kernels.why_not_warm.cache_clear()


def test_a_server_that_cannot_start_a_kernel_is_no_obstacle(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, write_notebook: Write
) -> None:
    def refuse(*_: object) -> None:
        raise EOFError("the server is gone")

    assert kernels.why_not_warm() == ""
    monkeypatch.setattr(kernels.ForkedKernel, "__init__", refuse)
    nb = executed(write_notebook("print('made')"), warm=True)
    assert nb.cells[-1].outputs[0].text == "made\n"
    assert "a plain one is started instead" in caplog.text


def test_forking_is_refused_in_daemons(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(multiprocessing.current_process()._config, "daemon", True)  # type: ignore[attr-defined]
    assert "daemon" in kernels._obstacle()


def test_a_script_without_a_guard_is_not_run_again_by_its_kernels(tmp_path: Path, write_notebook: Write) -> None:
    script = tmp_path / "unguarded.py"
    script.write_text(
        "import sys\nfrom cmkit.books.running.run import run_book\n"
        f"open({str(tmp_path / 'runs')!r}, 'a').write('x')\n"
        f"assert run_book({str(write_notebook('import os; print(os.getppid())'))!r}, {{}}, "
        f"{str(tmp_path / 'out')!r}).made\n"
    )
    subprocess.run([sys.executable, str(script)], check=True, capture_output=True)
    assert (tmp_path / "runs").read_text() == "x"


def test_kernels_leave_no_open_files(write_notebook: Write) -> None:
    path = write_notebook("print(1)")
    executed(path, warm=True)
    before = psutil.Process().num_fds()
    for _ in range(3):
        executed(path, warm=True)
    assert psutil.Process().num_fds() <= before + 1


def test_the_engine_serves_papermills_own_command_line(tmp_path: Path, write_notebook: Write) -> None:
    target = tmp_path / "out.ipynb"
    command = [sys.executable, "-m", "papermill", "--engine", "cmkit", "--no-progress-bar", "-p", "site", "x"]
    subprocess.run([*command, str(write_notebook("print(site)")), str(target)], check=True, capture_output=True)
    assert nbformat.read(target, 4).cells[-1].outputs[0].text == "x\n"
