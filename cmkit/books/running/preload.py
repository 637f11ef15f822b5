"""What a forked kernel finds already imported. Only multiprocessing's fork server imports this module.

The server must hold no second Python thread, no socket, no database connection and no event loop when it forks: nothing
imported here may query, draw or connect at import. A kernel starts 1.2 s sooner this way and shares most of its memory
with its sisters.
"""

import gc
import importlib
import os
import pkgutil
import sys

from cmkit.books.running.forked import ENVIRONMENT

WANTED = (
    "ipykernel.kernelapp",
    "ipykernel.ipkernel",
    "ipykernel.debugger",
    "ipykernel.subshell_manager",
    "IPython.core.completer",
    "IPython.core.history",
    "psutil",
    "numpy",
    "pandas",
    "pyarrow.parquet",
    "pandas.io.parquet",
    "pandas.io.formats.html",
    "plotly.graph_objects",
    "plotly.io",
    "plotly.io._renderers",
    "cmkit.by_site",
)
MACHINERY = {
    "run",
    "month",
    "fleet",
    "kernels",
    "forked",
    "preload",
    "export",
    "publish",
    "plain",
    "notebook",
    "progress",
    "download",
}


def prepare() -> list[str]:
    """Import what books need; names of modules that could not be imported (a kernel then meets the error itself)."""
    os.environ.update(ENVIRONMENT)
    sys.modules.setdefault("debugpy", None)  # type: ignore[arg-type]  # 0.2 s a kernel; a book is not debugged
    failed = [name for name in (*WANTED, *_our_modules()) if not _imported(name)]
    # pandas chooses this at import, by whether a notebook is running
    importlib.import_module("pandas").set_option("display.max_columns", 20)
    gc.collect()
    gc.freeze()
    return failed


def _our_modules() -> list[str]:
    """Modules under cmkit.books that notebooks may call: all but the machinery."""
    package = importlib.import_module("cmkit.books")
    found = [m.name for m in pkgutil.walk_packages(package.__path__, "cmkit.books.")]
    return [name for name in found if name.split(".")[2] not in MACHINERY]


def _imported(name: str) -> bool:
    try:
        importlib.import_module(name)
    except Exception:
        return False
    return True


FAILED = prepare()
