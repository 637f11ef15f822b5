"""A notebook before and after its run: its parameters, what it must not do, the mark at its end, and what is kept of
it.
"""

import ast
import difflib
import json
from pathlib import Path
from typing import Any

import nbformat
from nbformat import NotebookNode

from cmkit.books.content.mime import END
from cmkit.errors import BookError, ParameterError

PARAMETERS_TAG = "parameters"
_END_SOURCE = "from cmkit.books.content.mime import end_of_book\n\nend_of_book()"


def read_notebook(path: str | Path) -> NotebookNode:
    """A notebook file as nbformat's node, version 4. Raises BookError when it is missing or no notebook."""
    try:
        nb: NotebookNode = nbformat.read(str(path), as_version=4)
        return nb
    except (OSError, ValueError, nbformat.reader.NotJSONError) as error:
        raise BookError(f"{path}: cannot be read as a notebook ({type(error).__name__}: {error})") from error


def notebook_parameters(nb: NotebookNode) -> list[str]:
    """Names assigned in the cell tagged `parameters`, in order; read from the syntax tree, so a `=` inside a default
    does not confuse.
    """
    source = "\n".join(c.source for c in _code(nb) if PARAMETERS_TAG in c.metadata.get("tags", []))
    names = []
    for node in ast.parse(source).body:
        targets = (
            node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        )
        names += [t.id for t in targets if isinstance(t, ast.Name)]
    return names


def check_parameters(nb: NotebookNode, parameters: dict[str, Any], name: str) -> None:
    """Raises ParameterError for a parameter the notebook does not have (papermill would warn and run with its default)
    or of odd type.

    Names are pasted into code by papermill, so only names the notebook itself has get through; values are quoted.
    """
    known = notebook_parameters(nb)
    for given, value in parameters.items():
        if given not in known:
            near = difflib.get_close_matches(given, known, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise ParameterError(f"{name}: has no parameter {given!r}; it has {', '.join(known) or 'none'}{hint}")
        if not isinstance(value, (str, bool, int, float)):
            raise ParameterError(
                f"{name}: parameter {given!r} is a {type(value).__name__}; wanted text (a day as ISO text) or a number"
            )


def check_cells(nb: NotebookNode, name: str) -> None:
    """Raises BookError when a cell calls exit() or quit(): the kernel would end with success and
    the rest run half-way.
    """
    for number, cell in enumerate(_code(nb), start=1):
        try:
            calls = [n.func for n in ast.walk(ast.parse(cell.source)) if isinstance(n, ast.Call)]
        except SyntaxError:  # a magic; a real slip shows when it runs
            continue
        found = [f.id for f in calls if isinstance(f, ast.Name) and f.id in ("exit", "quit")]
        if found:
            raise BookError(f"{name}: code cell {number} calls {found[0]}(); raise an error instead")


def with_end_mark(nb: NotebookNode) -> NotebookNode:
    """The notebook with a last cell that says it is whole, unless its last cell says so already."""
    code = _code(nb)
    if not code or "end_of_book()" not in code[-1].source:
        nb.cells.append(nbformat.v4.new_code_cell(_END_SOURCE, id="end-of-book"))
    return nb


def check_whole(nb: NotebookNode) -> None:
    """Raises BookError when the run did not reach the end, whatever it says of itself (`sys.exit(0)` ends it without an
    error).
    """
    if not any(END in output.get("data", {}) for output in _code(nb)[-1].outputs):
        raise BookError("the notebook stopped before its end without an error; did a cell call sys.exit()?")


def cell_seconds(nb: NotebookNode) -> float:
    """Sum of the cells' run times as papermill noted them."""
    return sum(c.metadata.get("papermill", {}).get("duration") or 0.0 for c in nb.cells)


def without_times(nb: NotebookNode) -> NotebookNode:
    """The executed notebook without papermill's times and paths, so that the same inputs give the same bytes."""
    parameters = nb.metadata.get("papermill", {}).get("parameters", {})
    nb.metadata["papermill"] = {"parameters": parameters}
    for cell in nb.cells:
        cell.metadata.pop("papermill", None)
        if "outputs" in cell:
            cell["outputs"] = merged_streams(cell["outputs"])
        for output in cell.get("outputs", []):
            output.get("metadata", {}).pop("papermill", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell["id"] = "injected-parameters"
        cell.metadata.pop("execution", None)
    return nb


def notebook_text(nb: NotebookNode) -> str:
    """A notebook as its file's text, a line a cell: nbformat's own indented form takes ten times as long for a book's
    outputs.
    """
    nbformat.validate(nb)
    cells = ",\n".join(json.dumps(cell, ensure_ascii=False, sort_keys=True) for cell in nb.cells)
    rest = json.dumps({k: v for k, v in nb.items() if k != "cells"}, ensure_ascii=False, sort_keys=True)
    return f'{{"cells": [\n{cells}\n],\n{rest[1:]}\n'


def merged_streams(outputs: list[NotebookNode]) -> list[NotebookNode]:
    """Outputs with text that came in several pieces as one (how it is cut depends on the moment)."""
    merged: list[NotebookNode] = []
    for output in outputs:
        last = merged[-1] if merged else None
        if last is not None and output.output_type == "stream" == last.output_type and output.name == last.name:
            last["text"] += output.text
        else:
            merged.append(output)
    return merged


def _code(nb: NotebookNode) -> list[NotebookNode]:
    return [c for c in nb.cells if c.cell_type == "code"]
