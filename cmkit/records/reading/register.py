"""One sheet of equipment into three tables: sites, machines and compartments, each with the row of the file it came
from.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from cmkit.records.reading.clean import normal, text_cells
from cmkit.records.reading.components import component_of, has_corners, usual_fluid
from cmkit.records.reading.layouts import Cells, Source
from cmkit.records.reading.names import squeezed
from cmkit.records.reading.notes import cell_row
from cmkit.tables.records import COMPARTMENTS, MACHINES, SITES

NO_SITE, NO_KIND = "Site", "machine"  # where the file says neither
_SITE_ROW, _MACHINE_ROW = 60001, 60002  # columns no file has: a row's place as a site and as a machine


def register_cells(cells: Cells) -> dict[str, Cells]:
    """Cells of a register (columns of `tables.REGISTER`) as cells of sites, machines and compartments.

    A site or machine comes from the first row that names it; what later rows say of it differently is not used. A row
    that names no component is a machine without compartments.
    """
    texts = {
        name: _texts(cells, name)
        for name in ("machine", "site", "machine_kind", "compartment", "component", "kind", "position")
    }
    texts["site"] = np.where(texts["site"] == "", NO_SITE, texts["site"])
    texts["kind"], texts["position"] = _components(texts)
    whole = Cells(cells.file, cells.rows, cells.columns, cells.words, cells.lost, cells.repairs)
    none = replace(whole, lost=cells.lost.iloc[:0], repairs=cells.repairs.iloc[:0])
    place = np.flatnonzero((texts["kind"] != "") & (texts["machine"] != ""))
    return {
        "sites": _part(none, SITES.names, _first(texts["site"]), {"site": texts["site"]}, _SITE_ROW),
        "machines": _part(
            none,
            MACHINES.names,
            _first(texts["machine"]),
            {"site": texts["site"], "kind": np.where(texts["machine_kind"] == "", NO_KIND, texts["machine_kind"])},
            _MACHINE_ROW,
        ),
        "compartments": _part(whole, COMPARTMENTS.names, place, _named(texts, cells), 0),
    }


def only_new_sites(sites: list[Cells]) -> list[Cells]:
    """Cells of sites without those a register only mentions and that another file lists."""
    listed = {normal(t) for c in sites if not _mentions(c) for t in _texts(c, "site")}
    out = []
    for cells in sites:
        if _mentions(cells):
            names = _texts(cells, "site")
            at = np.flatnonzero([normal(n) not in listed for n in names])
            listed |= {normal(n) for n in names}
            cells = _part(
                replace(cells, rows=cells.rows % cell_row(np.zeros(1), 1)[0]),
                SITES.names,
                at,
                {"site": names},
                _SITE_ROW,
            )
        out.append(cells)
    return out


def _mentions(cells: Cells) -> bool:
    return bool(len(cells.rows)) and bool((cells.rows >= cell_row(np.zeros(1), _SITE_ROW)[0]).all())


def _texts(cells: Cells, name: str) -> np.ndarray:
    found = cells.columns.get(name)
    return text_cells(found[0][0].cells) if found else np.full(len(cells.rows), "", dtype=object)


def _components(texts: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Kind and position of every row, from their own columns or from the component's words."""
    words = [
        " ".join(t for t in row if t) for row in zip(texts["component"], texts["kind"], texts["position"], strict=True)
    ]
    corners = has_corners(list(dict.fromkeys(words)))
    kinds, places = [], []
    for said, kind, position in zip(words, texts["kind"], texts["position"], strict=True):
        means = component_of(said, corners)
        if means.kind:
            rest = " ".join(means.rest)
            kinds.append(means.kind)
            places.append(" ".join(t for t in (means.position, rest) if t))
        else:
            kinds.append(kind.lower() or said.lower())
            places.append(position.lower() if kind else "")
    return np.array(kinds, dtype=object), np.array(places, dtype=object)


def _named(texts: dict[str, np.ndarray], cells: Cells) -> dict[str, np.ndarray]:
    """Names, kinds, sides and (where the file says none) usual fluids of compartments."""
    parts = zip(texts["machine"], texts["kind"], texts["position"], strict=True)
    made = np.array(["/".join(p for p in row if p) for row in parts], dtype=object)
    fluid = _texts(cells, "fluid")
    usual = np.array([usual_fluid(k) for k in texts["kind"]], dtype=object)
    return {
        "compartment": np.where(texts["compartment"] == "", made, texts["compartment"]),
        "kind": texts["kind"],
        "position": texts["position"],
        "fluid": np.where(fluid == "", usual, fluid),
    }


def _first(names: np.ndarray) -> np.ndarray:
    """Places of the first row of each name."""
    frame = pd.Series([squeezed(n) or n for n in names], dtype=object)
    return np.flatnonzero(~frame.duplicated() & (names != ""))


def _part(cells: Cells, names: list[str], at: np.ndarray, own: dict[str, np.ndarray], column: int) -> Cells:
    """Some rows of the register as rows of one table; `own` columns win over the file's."""
    rows = cell_row(cells.rows[at], column) if column else cells.rows[at]
    columns: dict[str, list[tuple[Source, np.ndarray | None]]] = {}
    for name in names:
        if name in own:
            columns[name] = [(Source(own[name][at], rows, name), None)]
        elif name in cells.columns:
            source = cells.columns[name][0][0]
            columns[name] = [(replace(source, cells=source.cells[at], rows=rows), None)]
    return replace(cells, rows=rows, columns=columns)
