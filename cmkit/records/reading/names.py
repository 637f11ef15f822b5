"""What files call a machine, a compartment, a component or a site: `names.csv` of the fleet, one table of names for all
its layouts.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from cmkit.errors import WrongFile
from cmkit.records.reading.clean import match_words, normal, text_cells
from cmkit.records.reading.components import Component, component_of
from cmkit.records.reading.files import read_grid, table_files
from cmkit.tables.records import NAMES

SEPARATED = re.compile(r"\s*(?:/|\||:|;|_|,|\s|-)\s*")  # what may stand between a machine and its component


@dataclass(frozen=True)
class Names:
    """A fleet's `names.csv`: what the file says (without case and spacing) -> the name here, by what it means."""

    site: dict[str, str] = field(default_factory=dict)
    machine: dict[str, str] = field(default_factory=dict)
    compartment: dict[str, str] = field(default_factory=dict)
    component: dict[str, str] = field(default_factory=dict)


def read_names(folder: Path) -> Names:
    """`names.csv` (or .xlsx, .parquet) of a fleet folder; empty where there is none. Raises WrongFile with the row and
    what is wanted.
    """
    found: dict[str, dict[str, str]] = {what: {} for what in NAMES.column("means").one_of}
    for path in table_files(folder, "names"):
        grid = read_grid(path, path.relative_to(folder).as_posix(), sheet_wanted="names", known=tuple(NAMES.names))
        missing = [c.name for c in NAMES.columns if c.required and c.name not in grid.headings]
        if missing:
            raise WrongFile(f"{grid.file}: row 1: no column {missing[0]!r}; wanted {', '.join(NAMES.names)}.")
        cells = [text_cells(grid.columns[n]) for n in ("said", "means", "name")]
        means = match_words(cells[1], NAMES.column("means").one_of, "means").value
        for row, said, raw, what, name in zip(grid.rows, cells[0], cells[1], means, cells[2], strict=True):
            if said and name:
                _take(found, (said, raw, what, name), f"{grid.file}: row {row}")
    return Names(**found)


def _take(found: dict[str, dict[str, str]], line: tuple[str, str, str, str], where: str) -> None:
    said, raw, what, name = line
    if not what:
        raise WrongFile(f"{where}: means {raw!r}; wanted one of {', '.join(found)}.")
    held = found[what].setdefault(normal(said), name)
    if held != name:
        raise WrongFile(f"{where}: {said!r} is {held!r} in a row above and {name!r} here. Keep one of them.")


@dataclass(frozen=True)
class Found:
    """A name of the fleet for what a file says, and how it was found; '' and why not."""

    name: str = ""
    why: str = ""


@dataclass(frozen=True)
class Resolver:
    """Looks up what files say among a fleet's names, by names.csv first, then by spelling, then by the words for
    components.

    places: machine -> Component of each of its compartments -> the compartment.
    """

    names: Names
    sites: dict[str, str] = field(default_factory=dict)
    machines: dict[str, str] = field(default_factory=dict)
    compartments: dict[str, str] = field(default_factory=dict)
    places: dict[str, dict[tuple[str, str], str]] = field(default_factory=dict)

    def find(self, table: str, said: str) -> Found:
        """The site, machine or compartment meant; nothing where none or more than one may be."""
        if table == "compartments":
            return self._compartment(said)
        known = {"sites": (self.names.site, self.sites), "machines": (self.names.machine, self.machines)}.get(table)
        return _one(said, *known) if known else Found()

    def machine(self, said: str) -> str:
        """The machine meant; '' where none is."""
        return _one(said, self.names.machine, self.machines).name

    def _compartment(self, said: str) -> Found:
        if name := self.names.compartment.get(normal(said)):
            return Found(name, "by names.csv")
        if name := self.compartments.get(squeezed(said)):
            return Found(name, "spelling of the name in compartments")
        found: dict[str, Found] = {}
        for mark in SEPARATED.finditer(said):
            machine = self.machine(said[: mark.start()])
            if machine and (hit := self._component(machine, said[mark.end() :])).name:
                found.setdefault(hit.name, hit)
        return next(iter(found.values())) if len(found) == 1 else Found()

    def _component(self, machine: str, said: str) -> Found:
        """A compartment of one machine by what is said of the component."""
        places = self.places.get(machine, {})
        given = self.names.component.get(normal(said))
        corners = any(position in ("front left", "rear left", "rear right") for _, position in places)
        means = component_of(given or said, corners)
        key = (given, "") if given and not means.plain else (means.kind, means.position)
        for (kind, position), name in places.items():
            if given and normal(given) == normal(f"{kind}/{position}" if position else kind):
                return Found(name, "by names.csv")
        if not given and not means.plain:
            return Found()
        hits = [n for (kind, position), n in places.items() if kind == key[0] and position == key[1]]
        if not hits and not means.position:  # one only, whatever its side is called
            hits = [n for (kind, _), n in places.items() if kind == means.kind]
        words = "by names.csv" if given else f"by the words for components: {means.name}"
        return Found(hits[0], words) if len(hits) == 1 else Found()


def _one(said: str, aliases: Mapping[str, str], known: Mapping[str, str]) -> Found:
    if name := aliases.get(normal(said)):
        return Found(name, "by names.csv")
    name = known.get(squeezed(said), "")
    return Found(name, "spelling of the name" if name else "")


def squeezed(text: str) -> str:
    """A name without case, spacing, marks and leading zeros: `HT-07`, `ht 7` and `HT7` are one."""
    return "".join(t.lstrip("0") or t for t in re.findall(r"[^\W\d_]+|\d+", text.casefold()))


def _unique(names: Iterable[str]) -> dict[str, str]:
    """squeezed -> name, without those that two names share."""
    out: dict[str, str] = {}
    shared: set[str] = set()
    for name in names:
        key = squeezed(name)
        if out.setdefault(key, name) != name:
            shared.add(key)
    return {k: n for k, n in out.items() if k and k not in shared}


def resolver(names: Names, tables: Mapping[str, pd.DataFrame]) -> Resolver:
    """The resolver of a fleet whose registers are (as far as they are read) `tables`."""
    known = {
        t: _unique(tables[t][key]) if t in tables else {}
        for t, key in (("sites", "site"), ("machines", "machine"), ("compartments", "compartment"))
    }
    places: dict[str, dict[tuple[str, str], str]] = {}
    if "compartments" in tables:
        frame = tables["compartments"][["compartment", "machine", "kind", "position"]].fillna("")
        for name, machine, kind, position in frame.itertuples(index=False):
            means = component_of(f"{kind} {position}")
            held = Component(means.kind if means.plain else kind, means.position if means.plain else position)
            places.setdefault(machine, {})[held.kind, held.position] = name
    return Resolver(names, **known, places=places)
