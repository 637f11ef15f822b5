"""Tasks by processes: all done once each, also when processes are killed; what kills its process twice is lost and said
so.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cmkit.engine import Workers, run_processes
from cmkit.errors import ParameterError

Job = tuple[int, str]


def noted(job: Job) -> int:
    """Leave a note of each start, and square the number."""
    number, folder = job
    with (Path(folder) / str(number)).open("a") as file:
        file.write("x")
    return number * number


def killed_once(job: Job) -> int:
    """As `noted`, but number 3 is killed at its first start."""
    first = not (Path(job[1]) / str(job[0])).exists()
    result = noted(job)
    if job[0] == 3 and first:
        os.kill(os.getpid(), signal.SIGKILL)
    return result


def always_killed(job: Job) -> int:
    """As `noted`, but number 3 is always killed."""
    result = noted(job)
    if job[0] == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return result


def failing(job: Job) -> int:
    """An error of the task's own."""
    raise ZeroDivisionError(f"number {job[0]}")


def lost(job: Job, error: str) -> int:
    """What stands for a lost task."""
    assert error
    return -job[0]


@pytest.mark.parametrize("executor", ["serial", "local"])
def test_every_task_is_done_once(executor: str, tmp_path: Path) -> None:
    jobs = [(n, str(tmp_path)) for n in range(7)]
    assert sorted(Workers(executor, processes=2).each(noted, jobs, lost)) == [n * n for n in range(7)]
    assert [p.read_text() for p in sorted(tmp_path.iterdir())] == ["x"] * 7


def test_a_killed_process_loses_a_task_not_the_run(tmp_path: Path) -> None:
    jobs = [(n, str(tmp_path)) for n in range(7)]
    assert sorted(run_processes(killed_once, jobs, lost, 2)) == [n * n for n in range(7)]


def test_what_always_kills_its_process_is_lost_alone(tmp_path: Path) -> None:
    jobs = [(n, str(tmp_path)) for n in range(7)]
    assert sorted(run_processes(always_killed, jobs, lost, 2)) == sorted([-3, *(n * n for n in range(7) if n != 3)])


def waiting(job: Job) -> int:
    """Leave a note of its process, and go on for longer than any test."""
    (Path(job[1]) / str(os.getpid())).touch()
    time.sleep(3600)
    return job[0]


STARTER = """
import sys
from tests.test_engine import lost, waiting
from cmkit.engine import run_processes
list(run_processes(waiting, [(n, sys.argv[1]) for n in range(2)], lost, 2))
"""


def test_processes_end_with_who_started_them(tmp_path: Path, root: Path, until: Callable[..., None]) -> None:
    """Also where that is killed and can end nothing itself."""
    started = subprocess.Popen([sys.executable, "-c", STARTER, str(tmp_path)], cwd=root)
    until(lambda: len(list(tmp_path.iterdir())) == 2, started)
    started.kill()
    started.wait()
    until(lambda: not any(runs(int(path.name)) for path in tmp_path.iterdir()))


def runs(process: int) -> bool:
    """Whether there is such a process, and not only its entry that nobody has asked for."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def test_the_error_of_a_task_is_raised(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError, match="number 0"):
        list(run_processes(failing, [(0, str(tmp_path))], lost, 2))


def test_jobs_are_made_a_few_ahead_only(tmp_path: Path) -> None:
    made = []

    def jobs() -> Iterator[Job]:
        for n in range(50):
            made.append(n)
            yield n, str(tmp_path)

    results = run_processes(noted, jobs(), lost, 2)
    next(results)
    assert len(made) <= 6
    assert len(list(results)) == 49


def test_an_executor_that_is_none_is_said() -> None:
    with pytest.raises(ParameterError, match="found 'cloud', wanted serial, local or cluster"):
        Workers("cloud").each(noted, [], lost)
