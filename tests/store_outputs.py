"""Run the notebooks on the demo fleet and keep the outputs of the cells nbval compares (marked NBVAL_CHECK_OUTPUT), and
of the guides the pictures, so that they are seen before anything is run; no others.

python tests/store_outputs.py        after a change that is meant to change what those cells say; look at the difference
"""

import os
from pathlib import Path

import nbformat
from nbclient import NotebookClient

from cmkit.books.running.notebook import merged_streams

MARK = "NBVAL_CHECK_OUTPUT"


def pictures(cell: nbformat.NotebookNode) -> list[nbformat.NotebookNode]:
    """What a cell drew, as still pictures with their words."""
    kept = []
    for output in cell.outputs:
        data = output.get("data", {})
        if "image/svg+xml" in data or "<svg" in data.get("text/html", ""):
            still = {kind: data[kind] for kind in ("image/svg+xml", "text/html", "text/plain") if kind in data}
            kept.append(nbformat.v4.new_output("display_data", still))
    return kept


def store(path: Path) -> None:
    """One notebook, run in its own folder and written back."""
    nb = nbformat.read(path, as_version=4)
    NotebookClient(nb, timeout=300, resources={"metadata": {"path": str(path.parent)}}).execute()
    for cell in nb.cells:
        if cell.cell_type == "code":
            cell.metadata.pop("execution", None)
            cell.outputs = merged_streams(cell.outputs)  # how a kernel's words are cut is chance
            if MARK not in cell.source:
                cell.outputs = pictures(cell) if path.stem.startswith("guide_") else []
                cell.execution_count = cell.execution_count if cell.outputs else None  # nbval wants it beside outputs
    nb.metadata = {k: nb.metadata[k] for k in ("kernelspec",) if k in nb.metadata} | {
        "language_info": {"name": "python"}
    }
    path.write_text(nbformat.writes(nb) + "\n", encoding="utf-8")


if __name__ == "__main__":
    os.environ["PLOTLY_RENDERER"] = "plotly_mimetype"
    for notebook in sorted(Path(__file__).parent.parent.glob("notebooks/*.ipynb")):
        store(notebook)
        print(notebook.name)
