"""Kernels for books: started the plain way, or forked warm from a process that has imported what books need.

Both are ways of jupyter_client's to provide a kernel, so papermill and nbclient run unchanged. A warm kernel is tried
where it is safe (Linux, the fork server holds no thread that forking could hurt) and the plain way is taken otherwise,
with one line in the log. Classes here derive from Jupyter's because its interfaces are made of classes.
"""

import asyncio
import logging
import multiprocessing
import os
import resource
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from multiprocessing import spawn
from pathlib import Path
from typing import Any

from jupyter_client.connect import KernelConnectionInfo
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning.local_provisioner import LocalProvisioner
from jupyter_core.utils import ensure_event_loop
from nbclient.exceptions import DeadKernelError
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine
from papermill.log import logger as papermill_log
from traitlets import Integer
from traitlets.config import Config

from cmkit.books.running.forked import ENVIRONMENT, report, run_kernel
from cmkit.engine import fork_server
from cmkit.files import scratch_folder

log = logging.getLogger("cmkit.books")

PRELOAD = "cmkit.books.running.preload"
KERNEL_NAME = "cmkit kernel"
MAX_SERVER_THREADS = 2  # the main thread, and the allocator's own one that pyarrow starts (it knows about forking)
PROBE_S = 60


class PlainProvisioner(LocalProvisioner):
    """A kernel as its own fresh process, with a bound on its memory."""

    memory_mb = Integer(0, help="Bound on the kernel's address space in MiB; 0: none.").tag(config=True)

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> KernelConnectionInfo:
        """Start the kernel; the environment is the one warm kernels have, so that both give the same book."""
        kwargs["env"] = {**(kwargs.get("env") or os.environ), **ENVIRONMENT}
        info = await super().launch_kernel(cmd, **kwargs)
        _bound_memory(self.pid, self.memory_mb)
        return info


class WarmProvisioner(PlainProvisioner):
    """A kernel forked from the fork server; the plain way if that is not available."""

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> KernelConnectionInfo:
        """Start the kernel."""
        if why_not_warm():
            return await super().launch_kernel(cmd, **kwargs)
        try:
            kernel = ForkedKernel(cmd, {**(kwargs.get("env") or os.environ), **ENVIRONMENT}, kwargs.get("cwd"))
        except Exception as error:
            log.warning("no warm kernel (%s: %s); a plain one is started instead", type(error).__name__, error)
            return await super().launch_kernel(cmd, **kwargs)
        self.process = kernel  # type: ignore[assignment]  # it has the names that are used of Popen's
        self.pid = self.pgid = kernel.pid
        self.cwd = kwargs.get("cwd") or Path.cwd()
        _bound_memory(self.pid, self.memory_mb)
        return self.connection_info

    async def wait(self) -> int | None:
        """Wait for the end of the process, woken by it instead of looking every 0.1 s."""
        if isinstance(self.process, ForkedKernel):
            await _readable(self.process.sentinel)
        return await super().wait()


class ForkedKernel:
    """A forked kernel's process with the few names of subprocess.Popen that jupyter_client uses."""

    stdin = stdout = stderr = None

    def __init__(self, cmd: list[str], environment: dict[str, str], cwd: Any) -> None:
        arguments = cmd[cmd.index("-f") :]
        args = (arguments, environment, str(cwd or Path.cwd()))
        self._process = _context().Process(target=run_kernel, args=args, name=KERNEL_NAME)
        self._process.start()
        self.pid = self._process.pid
        self.sentinel = self._process.sentinel

    def poll(self) -> int | None:
        """Exit code, or None while it runs."""
        code: int | None = self._process.exitcode
        return code

    def wait(self, timeout: float | None = None) -> int | None:
        """Wait for the end."""
        self._process.join(timeout)
        return self.poll()

    def send_signal(self, number: int) -> None:
        """Send a signal if it still runs."""
        if self.poll() is None and self.pid:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)


async def _readable(descriptor: int) -> None:
    """Until the file descriptor becomes readable (a process sentinel does when its process ends)."""
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[None] = loop.create_future()
    loop.add_reader(descriptor, lambda: None if ended.done() else ended.set_result(None))
    try:
        await ended
    finally:
        loop.remove_reader(descriptor)


def _bound_memory(pid: int | None, megabytes: int) -> None:
    """Linux can bound a running process from outside; elsewhere there is no bound."""
    if pid and megabytes and hasattr(resource, "prlimit"):
        with suppress(ProcessLookupError):
            resource.prlimit(pid, resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))


@cache
def why_not_warm() -> str:
    """Why this process cannot fork warm kernels; '' if it can. Found out once, and said in the log once."""
    reason = _obstacle()
    if reason:
        log.warning("warm kernels are off: %s; books run on plain kernels, slower", reason)
    return reason


def _obstacle() -> str:
    if sys.platform != "linux":
        return f"forking is not safe on {sys.platform}"
    if multiprocessing.current_process().daemon:
        return "this process is a daemon of multiprocessing and may not have children"
    if _context() is None:
        return f"the path of {tempfile.gettempdir()} is too long for the address of a server"
    try:
        threads, failed = _ask_server()
    except Exception as error:
        return f"the fork server did not start ({type(error).__name__}: {error})"
    if failed:
        log.info("not preloaded: %s", ", ".join(failed))
    if threads > MAX_SERVER_THREADS:
        return f"the fork server holds {threads} threads, and forking is safe with at most {MAX_SERVER_THREADS}"
    return ""


def _ask_server() -> tuple[int, list[str]]:
    """Threads of the fork server after its imports, and what it failed to import; starts it if need be."""
    ours, theirs = multiprocessing.Pipe(duplex=False)
    probe = _context().Process(target=report, args=(theirs,), name=KERNEL_NAME)
    probe.start()
    theirs.close()
    if not ours.poll(PROBE_S):
        probe.kill()
        raise TimeoutError(f"no answer within {PROBE_S} s")
    answer: tuple[int, list[str]] = ours.recv()
    probe.join()
    return answer


def start_server() -> None:
    """Start the fork server of warm kernels, which then imports what they need beside whatever is done meanwhile."""
    if sys.platform == "linux":
        _context()


@cache
def _context() -> Any:
    spawn.get_preparation_data = _without_main
    return fork_server(PRELOAD)


_preparation_data = spawn.get_preparation_data


def _without_main(name: str) -> dict[str, Any]:
    """What multiprocessing tells a child, without the running script where the child is ours.

    Else each kernel would import that script first: slow at best, and a script without a `__main__` guard would run
    again in each.
    """
    data = _preparation_data(name)
    if name == KERNEL_NAME:
        data.pop("init_main_from_name", None)
        data.pop("init_main_from_path", None)
    return data


class BookEngine(NBClientEngine):
    """papermill's engine of books (`papermill --engine cmkit`): own sockets for each kernel, one save at the end,
    bounds kept.

    Takes beside papermill's own: warm (bool), memory_mb, book_timeout (seconds for the whole book; the kernel is then
    killed), cwd_of_kernel (papermill's own `cwd` moves the whole process), keep (a list that receives the notebook, run
    or half-run).
    """

    @classmethod
    def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **kwargs: Any) -> None:
        """Run the notebook; saved once at the end, also when it fails."""
        path, nb_man.output_path = nb_man.output_path, None
        kwargs.pop("keep", []).append(nb_man.nb)
        try:
            with own_folder() as folder, closed_loop():
                _run_cells(nb_man, kernel_name, folder, **kwargs)
        finally:
            nb_man.output_path = path


def _run_cells(
    nb_man: Any,
    kernel_name: str,
    folder: Path,
    *,
    warm: bool = True,
    memory_mb: int = 0,
    book_timeout: float | None = None,
    execution_timeout: int | None = None,
    start_timeout: int = 60,
    cwd_of_kernel: str | None = None,
    **_unused: Any,
) -> None:
    manager = _manager(kernel_name, folder, warm, memory_mb)
    client = PapermillNotebookClient(
        nb_man,
        km=manager,
        log=papermill_log,
        timeout=execution_timeout,
        startup_timeout=start_timeout,
        store_widget_state=False,
        shutdown_kernel="immediate",
        resources={"metadata": {"path": cwd_of_kernel}} if cwd_of_kernel else {},
    )
    with time_limit(manager, book_timeout) as limit:
        try:
            client.execute(cleanup_kc=True)
        except DeadKernelError as error:
            if limit.is_set():
                raise TimeoutError(f"the book took longer than {book_timeout:g} s and its kernel was ended") from error
            raise


def _manager(kernel_name: str, folder: Path, warm: bool, memory_mb: int) -> AsyncKernelManager:
    """A manager whose kernel talks through sockets in a folder of its own (shared prefixes and ports were seen to
    collide).
    """
    settings: dict[str, Any] = {"PlainProvisioner": {"memory_mb": memory_mb}}
    if os.name == "posix":
        settings["KernelManager"] = {"transport": "ipc", "ip": str(folder / "k")}
    manager = AsyncKernelManager(
        kernel_name=kernel_name, config=Config(settings), connection_file=str(folder / "kernel.json")
    )
    name = "cmkit-warm" if warm else "cmkit-plain"
    assert manager.kernel_spec is not None
    manager.kernel_spec.metadata["kernel_provisioner"] = {"provisioner_name": name, "config": {}}
    return manager


@contextmanager
def closed_loop() -> Iterator[None]:
    """Close the event loop jupyter_client works in: it makes one for each thread and leaves it
    open, four files each.
    """
    loop = ensure_event_loop()
    try:
        yield
    finally:
        if not loop.is_running():
            loop.close()


@contextmanager
def own_folder() -> Iterator[Path]:
    """A fresh folder only we may enter (sockets and the signing key live in it), with a short path: sockets allow 107
    bytes.
    """
    base = tempfile.gettempdir()
    with scratch_folder(base if len(base) < 60 else "/tmp") as folder:
        yield folder


@contextmanager
def time_limit(manager: AsyncKernelManager, seconds: float | None) -> Iterator[threading.Event]:
    """Kill the manager's kernel, and whatever it started, after so many seconds; the event says
    whether that was done.
    """
    passed = threading.Event()

    def end() -> None:
        passed.set()
        group = getattr(manager.provisioner, "pgid", None)
        if group and group != os.getpgid(0):
            with suppress(ProcessLookupError):
                os.killpg(group, signal.SIGKILL)

    timer = threading.Timer(seconds, end) if seconds else None
    if timer:
        timer.daemon = True
        timer.start()
    try:
        yield passed
    finally:
        if timer:
            timer.cancel()
