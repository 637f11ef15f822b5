"""A command stopped by hand (Ctrl-C) or by the system (SIGTERM): no traceback, no half store, nothing left behind.

Exit codes 130 and 143 are those of POSIX shells: 128 and the signal's number.
"""

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil
import pytest
from click.testing import CliRunner

from cmkit.cli import main
from tests.faults.hostile import base_fleet

# tests run behind a shell's & start with Ctrl-C ignored
PLAIN = """
import signal
import cmkit.cli
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)
    cmkit.cli.main()
"""
SLOW = """
import importlib, signal, sys, time
import cmkit.cli
signal.signal(signal.SIGINT, signal.default_int_handler)
module, _, name = sys.argv.pop(1).rpartition(".")
def here(*_):
    print("here", flush=True)
    time.sleep(600)
setattr(importlib.import_module(module), name, here)
cmkit.cli.main()
"""
PUT = "cmkit.records.storing.store.put_file"


def stopped(folder: Path, how: signal.Signals, stop_in: str, *words: str) -> tuple[int, str, list[str]]:
    """Exit code and words of a command stopped inside the function `stop_in`, and what stood in its temporary folder at
    that time.
    """
    short = Path(tempfile.mkdtemp(prefix="s-"))  # the address of a fork server's socket has 107 characters at most
    (folder / "temporary").symlink_to(short)
    started = subprocess.Popen(
        [sys.executable, "-c", SLOW, stop_in, *words],
        cwd=folder, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        env=os.environ | {"TMPDIR": str(short)},
    )  # fmt: skip
    assert started.stdout is not None
    assert "here\n" in iter(started.stdout.readline, "")
    there = left_behind(folder)
    started.send_signal(how)
    said = started.communicate(timeout=300)[0]
    return started.returncode, said, there


def left_behind(folder: Path) -> list[str]:
    return sorted(p.name for p in (folder / "temporary").iterdir())


@pytest.mark.parametrize(
    ("how", "code", "stop_in", "command"),
    [
        (signal.SIGINT, 130, PUT, ["take-in", "fleet"]),
        (signal.SIGTERM, 143, PUT, ["take-in", "fleet"]),
    ],
)
def test_a_command_that_is_stopped_says_so_and_leaves_nothing(
    how: signal.Signals, code: int, stop_in: str, command: list[str], tmp_path: Path
) -> None:
    base_fleet(tmp_path / "fleet")
    found, said, _ = stopped(tmp_path, how, stop_in, *command)
    assert found == code, said
    assert "cmkit: stopped. What was there before stands" in said
    assert "Traceback" not in said
    assert left_behind(tmp_path) == []
    assert list(tmp_path.rglob(".cmkit-*")) == []
    assert CliRunner().invoke(main, ["take-in", str(tmp_path / "fleet")]).exit_code == 0


@pytest.mark.parametrize(
    ("how", "code", "line"),
    [
        pytest.param(signal.SIGINT, 130, " assessing ", marks=pytest.mark.slow),
        (signal.SIGTERM, 143, " site 1 of 1: "),
    ],
)
def test_books_stopped_on_the_way_leave_no_process_and_no_folder(
    how: signal.Signals, code: int, line: str, tmp_path: Path
) -> None:
    """While sites are assessed by processes, by Ctrl-C (a terminal sends it to all of them); while books are made by
    kernels, by the system.
    """
    base_fleet(tmp_path / "fleet")
    short = Path(tempfile.mkdtemp(prefix="s-"))
    started = subprocess.Popen(
        [sys.executable, "-c", PLAIN, "books", "fleet", "--month", "newest", "--out", "books"],
        cwd=tmp_path, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True,
        env=os.environ | {"TMPDIR": str(short)},
    )  # fmt: skip
    assert started.stdout is not None
    assert any(line in said for said in iter(started.stdout.readline, ""))
    family = psutil.Process(started.pid).children(recursive=True)
    (os.killpg if how == signal.SIGINT else os.kill)(started.pid, how)
    said = started.communicate(timeout=300)[0]
    assert started.returncode == code, said
    assert "cmkit: stopped. What was there before stands" in said
    assert "Traceback" not in said
    assert psutil.wait_procs(family, timeout=300)[1] == []
    assert list(short.iterdir()) == []
    assert not list((tmp_path / "books").glob("20*")), "no month is there before it is whole"
