"""How a forked kernel starts and ends. Light to import: the runner needs these names too.

A server process of multiprocessing's (preload.py) has imported what books need; each kernel is a fork of it.
"""

import importlib
import os
import random
import signal
import sys
import threading
from multiprocessing import parent_process
from multiprocessing.connection import Connection, wait

# pandas and plotly look at import time whether a notebook is running, and choose their defaults by it: we say it
# ourselves.
# One thread a kernel: several kernels share the machine, and results must not depend on how many cores it has.
ENVIRONMENT = {
    "PLOTLY_RENDERER": "plotly_mimetype",
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
}


def report(answer: Connection) -> None:
    """Told to the runner by a first child: threads of the server it was forked from, and modules
    that failed to import.
    """
    preload = sys.modules.get("cmkit.books.running.preload")
    failed = ["cmkit.books.running.preload"] if preload is None else preload.FAILED
    answer.send((len(os.listdir(f"/proc/{os.getppid()}/task")), failed))
    answer.close()


def run_kernel(arguments: list[str], environment: dict[str, str], folder: str) -> None:
    """Be a kernel, in a process group of its own, until told to stop or until the runner is gone."""
    os.setsid()
    os.environ.clear()
    os.environ.update(environment)
    # at no cost where the server imported it; another's server (the assessment's processes have one) did not
    importlib.import_module("cmkit.books.running.preload")
    os.chdir(folder)
    random.seed()
    importlib.import_module("numpy").random.seed()
    threading.Thread(target=_die_with_runner, daemon=True).start()
    app = importlib.import_module("ipykernel.kernelapp").IPKernelApp
    # parent_handle=1: no watching of a parent process, which here is the server
    app.launch_instance([*arguments, "--IPKernelApp.parent_handle=1"])


def _die_with_runner() -> None:
    runner = parent_process()
    assert runner is not None
    wait([runner.sentinel])
    os.killpg(0, signal.SIGKILL)
