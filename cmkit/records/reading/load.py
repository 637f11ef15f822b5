"""A fleet folder into a Fleet: every row is read, and is used or set aside with the reason."""

import shlex
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.errors import MissingTable, UnknownColumn, WrongFile
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet, counted
from cmkit.records.reading.bounds import OWN, SHOWN
from cmkit.records.reading.clean import Words, parse_dates, parse_numbers
from cmkit.records.reading.files import (
    TABLE_FILES,
    file_hash,
    folder_files,
    missing_table,
    read_grid,
    sheet_names,
    table_files,
    unread_entries,
)
from cmkit.records.reading.layouts import (
    Cells,
    Layout,
    known_columns,
    layout_cells,
    layouts_for,
    own_cells,
    read_layouts,
)
from cmkit.records.reading.names import Names, read_names, resolver
from cmkit.records.reading.notes import Notes, finished
from cmkit.records.reading.register import only_new_sites, register_cells
from cmkit.records.reading.repeats import in_order, without_repeats
from cmkit.records.reading.rows import usable_rows
from cmkit.records.reading.setting_names import check_names
from cmkit.records.reading.values import Context
from cmkit.records.settings import Settings, read_settings
from cmkit.tables.column import Table
from cmkit.tables.frames import empty
from cmkit.tables.records import NAMES, REGISTER, TABLES


def load_fleet(path: str | Path, today: date | None = None) -> Fleet:
    """The fleet in the folder `path`: settings, tables, and laboratory files of inbox/ read by their layouts.

    today: dates after it are set aside as future (default: the day of the call). Rows that cannot be used do not raise:
    see `Fleet.set_aside`. Raises MissingTable, WrongFile, UnknownColumn or SettingsError with the file, the row and
    what to do.

    >>> cmkit.load_fleet("sample_data")
    Fleet Demo fleet, all records: 3 sites, 20 machines, 112 compartments, ...
    """
    return load_with_places(path, today)[0]


def load_with_places(
    path: str | Path, today: date | None = None, in_store: Collection[str] | None = None
) -> tuple[Fleet, dict[str, pd.DataFrame]]:
    """:func:`load_fleet`, and its tables with `file` and `row` of every row.

    in_store: bottle numbers a store of this fleet already holds; corrections may refer to them, and the folder need not
    hold samples.
    """
    folder = _fleet_folder(path)
    settings = read_settings(folder / "fleet.toml")
    register = with_own(settings.analytes)
    layouts = read_layouts(folder / "layouts", register)
    notes = Notes()
    given = _inbox(folder, layouts, register, notes)
    for name, table in TABLES.items():
        _note_unread(folder / name, name, notes, links=True)
        given[name] = [_own(p, folder, table, register) for p in table_files(folder, name)] + given.get(name, [])
        if not given[name] and table.required and (name != "samples" or in_store is None):
            raise missing_table(folder, name)
    given["sites"] = only_new_sites(given["sites"])
    reading = Reading(today, in_store, read_names(folder))
    sources = _sources(folder)
    for cells in (c for parts in given.values() for c in parts if c.file not in sources):
        sources[cells.file] = sources[cells.file.rpartition(" [")[0]]  # a sheet is as new as its file
    fleet, tables = fleet_from_cells(settings, given, notes, sources, reading)
    check_names(settings, fleet.compartments, str(folder / "fleet.toml"))
    return fleet, tables


def _fleet_folder(path: str | Path) -> Path:
    folder = Path(path)
    if not folder.is_dir():
        found = "a file, not a folder" if folder.exists() else "no such folder"
        raise MissingTable(f"{folder}: {found}; wanted a fleet folder with a fleet.toml and the fleet's tables.")
    return folder


def load_registers(path: str | Path) -> Fleet:
    """The fleet's sites, machines and compartments alone, those of registers in inbox/ too; its records stay empty."""
    folder = _fleet_folder(path)
    settings = read_settings(folder / "fleet.toml")
    register = with_own(settings.analytes)
    layouts = read_layouts(folder / "layouts", register)
    given = _inbox(folder, [la for la in layouts if la.table in _REGISTERS], register, Notes(), only=True)
    for name in ("sites", "machines", "compartments"):
        files = table_files(folder, name)
        if not files and not given.get(name):
            raise missing_table(folder, name)
        given[name] = [*(_own(p, folder, TABLES[name], register) for p in files), *given.get(name, [])]
    given["sites"] = only_new_sites(given["sites"])
    return fleet_from_cells(settings, given, Notes(), {}, Reading(names=read_names(folder)))[0]


@dataclass(frozen=True)
class Reading:
    """How rows are read: dates after `today` (default: the day of the call) lie in the future; `in_store`: bottle
    numbers a store holds;
    names: what files call the fleet's things."""

    today: date | None = None
    in_store: Collection[str] | None = None
    names: Names = field(default_factory=Names)


_NOW = Reading()


def fleet_from_cells(
    settings: Settings, given: dict[str, list[Cells]], notes: Notes, sources: dict[str, str], reading: Reading = _NOW
) -> tuple[Fleet, dict[str, pd.DataFrame]]:
    """The fleet, and its tables with the place of every row, from cells already under our names
    (table -> its files).
    """
    context = Context(with_own(settings.analytes), {}, pd.Timestamp(reading.today or date.today()), notes)
    tables: dict[str, pd.DataFrame] = {}
    for name, table in TABLES.items():
        if name in ("sites", "machines", "compartments", "samples"):
            context = replace(context, resolver=resolver(reading.names, tables))
        tables[name] = _one_table(given.get(name, []), table, context)
        if table.key[0] in ("site", "machine", "compartment", "sample"):
            context.names[name] = pd.Index(tables[name][table.key[0]].unique())
        if name == "samples":
            context.names[name] = context.names[name].union(list(reading.in_store or []))
    sites = tables["sites"]
    tables["sites"] = sites.assign(name=sites["name"].where(sites["name"].fillna("") != "", sites["site"]))
    tables["compartments"] = with_families(tables["compartments"], tables["machines"])
    tables["corrections"] = _checked_corrections(tables["corrections"], context, tables["samples"])
    tables["decisions"] = _checked_decisions(tables["decisions"], context)
    tables["machines"] = _first_days(tables, notes)
    return _bundle(settings, tables, notes, sources), tables


def _sources(folder: Path) -> dict[str, str]:
    """SHA-256 of every file that is read."""
    files = [
        folder / "fleet.toml",
        *(folder / "layouts").glob("*.toml"),
        *(p for n in (*TABLES, NAMES.name) for p in table_files(folder, n)),
    ]
    files += folder_files(folder / "inbox") if (folder / "inbox").is_dir() else []
    return {p.relative_to(folder).as_posix(): file_hash(p) for p in sorted(files)}


def _own(path: Path, folder: Path, table: Table, register: pd.DataFrame) -> Cells:
    known = tuple(known_columns(table, register))
    return own_cells(
        read_grid(path, path.relative_to(folder).as_posix(), sheet_wanted=table.name, known=known, bounds=OWN),
        table,
        register,
    )


_REGISTERS = ("sites", "machines", "compartments", REGISTER.name)


def _inbox(
    folder: Path, layouts: list[Layout], register: pd.DataFrame, notes: Notes, only: bool = False
) -> dict[str, list[Cells]]:
    """Files of the inbox by the table they belong to. A file that is no table, or cannot be read, is noted and stops no
    other.

    only: files that fit no layout are left alone.
    """
    out: dict[str, list[Cells]] = {}
    if not (folder / "inbox").is_dir():
        return out
    unread = _note_unread(folder / "inbox", "samples", notes, links=False)
    for path in folder_files(folder / "inbox"):
        if path.name in unread:
            continue
        file = f"inbox/{path.name}"
        if path.suffix.lower() not in TABLE_FILES:
            notes.set_aside(
                file,
                [0],
                "",
                [path.name],
                "not a table file: wanted " + ", ".join(TABLE_FILES),
                table="samples",
                what="file",
            )
            continue
        fit = layouts_for(path.name, layouts)
        if only and not fit:
            continue
        try:
            for name, cells in _by_layouts(path, file, fit, register) if fit else [_own_form(path, file, register)]:
                out.setdefault(name, []).append(cells)
        except (WrongFile, UnknownColumn) as error:
            table = fit[0].table if fit else "samples"
            notes.set_aside(file, [0], "", [path.name], str(error).removeprefix(f"{file}: "), table=table, what="file")
    return out


def _by_layouts(path: Path, file: str, layouts: list[Layout], register: pd.DataFrame) -> list[tuple[str, Cells]]:
    """(table, cells) of a file of the inbox, sheet by sheet where a layout reads several."""
    out = []
    for layout in layouts:
        sheets = sheet_names(path, file) if layout.every_sheet else [layout.form.sheet]
        for sheet in sheets:
            label = f"{file} [{sheet}]" if len(sheets) > 1 or len(layouts) > 1 else file
            grid = read_grid(path, label, replace(layout.form, sheet=sheet), known=tuple(layout.columns))
            cells = layout_cells(grid, layout, register)
            out += list(register_cells(cells).items()) if layout.table == REGISTER.name else [(layout.table, cells)]
    return out


def _note_unread(folder: Path, table: str, notes: Notes, links: bool) -> set[str]:
    """Names of what lies in a folder and is not read; each is noted."""
    unread = unread_entries(folder, links)
    for name, why in unread.items():
        notes.set_aside(f"{folder.name}/{name}", [0], "", [name], why, table=table, what="file")
    return set(unread)


def _own_form(path: Path, file: str, register: pd.DataFrame) -> tuple[str, Cells]:
    """A file of the inbox that no layout fits: right only if its headings are ours, of bottles drawn or not drawn."""
    table = TABLES["samples"]
    known = tuple(known_columns(table, register))
    grid = read_grid(path, file, sheet_wanted=table.name, known=known)
    folder = shlex.quote(str(path.parent.parent))
    if set(grid.headings) == set(TABLES["not_drawn"].names):
        return "not_drawn", own_cells(grid, TABLES["not_drawn"], register)
    if not {"sample", "compartment", "drawn_on"} <= set(grid.headings):
        raise WrongFile(
            f"{file}: no layout in layouts/ fits this name, and the headings are not ours "
            f"({', '.join(h[:SHOWN] for h in grid.headings[:8])}). "
            f"Make one with `cmkit match {shlex.quote(str(path))} --fleet {folder} --out {folder}/layouts/NAME.toml`, "
            "or widen the `files` pattern of one that is there."
        )
    return table.name, own_cells(grid, table, register)


def _one_table(given: list[Cells], table: Table, context: Context) -> pd.DataFrame:
    """Usable rows of all files of one table, without repeats, in order of key."""
    parts = [usable_rows(c, table, context) for c in given]
    filled = [p for p in parts if len(p)] or [_no_rows(table, context)]
    frame = pd.concat(filled, ignore_index=True)
    frame = in_order(frame, table)
    kept, lost = without_repeats(frame, table)
    for file, part in lost.groupby("file"):
        name = table.key[0]
        context.notes.set_aside(
            file, part["row"], name, part[name], part["reason"].to_numpy(), table=table.name, what="row"
        )
    return kept.reset_index(drop=True)


def _no_rows(table: Table, context: Context) -> pd.DataFrame:
    """No row of a table; of one that a fleet need not have, without a column for every result."""
    if table.results and not table.required:
        return empty(table.name).assign(file=pd.Series(dtype="str"), row=pd.Series(dtype="int64"))
    none = pd.DataFrame(columns=["row", "column", "value", "reason"])
    nothing = Cells("", np.array([], dtype=np.int64), {}, words=Words(), lost=none, repairs=none.assign(used=""))
    return usable_rows(
        nothing,
        table,
        Context(context.register, context.names | dict.fromkeys(TABLES, pd.Index([])), context.today, Notes()),
    )


def with_families(compartments: pd.DataFrame, machines: pd.DataFrame) -> pd.DataFrame:
    """Compartments with an empty `family` given the default: machine kind, size class, compartment kind and fluid,
    lower case.
    """
    of = machines.set_index("machine")
    parts = [
        _looked_up(of["kind"], compartments["machine"]),
        _looked_up(of["size_class"], compartments["machine"]),
        compartments["kind"],
        compartments["fluid"],
    ]
    joined = pd.Series("", index=compartments.index, dtype="str")
    for part in parts:
        joined = joined + " " + part.astype("str").fillna("")
    default = joined.str.lower().str.split().str.join(" ").astype("str")
    return compartments.assign(family=compartments["family"].fillna(default).astype("str"))


def _looked_up(values: pd.Series, names: pd.Series) -> pd.Series:
    """values by name, in the dtype of `values` even where there are none (map would lose it)."""
    return values.reindex(names).set_axis(names.index)


def _checked_corrections(corrections: pd.DataFrame, context: Context, samples: pd.DataFrame) -> pd.DataFrame:
    """Corrections whose value fits the field it is for; the others are set aside."""
    fields, values = corrections["field"], corrections["value"]
    cells = values.to_numpy(dtype=object)
    numbers, days = parse_numbers(cells).value, parse_dates(cells).value
    kinds = [fields == "compartment", fields == "drawn_on", fields == "sample"]
    allowed = [values.isin(context.names["compartments"]), ~np.isnat(days), _same_place(corrections, context, samples)]
    fits = np.select(kinds, allowed, numbers >= 0).astype(bool)
    day_texts = np.datetime_as_string(days, unit="D").astype(object)
    plain = np.select(kinds, [cells, day_texts, cells], [f"{v:.12g}" for v in numbers])
    wanted = fields.map(_WANTED).fillna("a number of 0 or more")
    for file, part in corrections[~fits].groupby("file"):
        reasons = ("wanted " + wanted[part.index] + " for " + part["field"]).to_numpy()
        context.notes.set_aside(file, part["row"], "value", part["value"], reasons, table="corrections", what="row")
    return corrections.assign(value=pd.Series(plain, index=corrections.index, dtype="str"))[fits].reset_index(drop=True)


_WANTED = {
    "compartment": "the name of a compartment",
    "drawn_on": "a date such as 2026-06-30",
    "sample": "the number of another bottle of this compartment and day",
}


def _same_place(corrections: pd.DataFrame, context: Context, samples: pd.DataFrame) -> pd.Series:
    """Whether the value is another bottle's number, of the same compartment and day as far as both are in these
    samples.
    """
    heads = samples.drop_duplicates("sample").set_index("sample")[["compartment", "drawn_on"]]
    one, other = (heads.reindex(corrections[c]).reset_index(drop=True) for c in ("sample", "value"))
    apart = ((one != other) & one.notna() & other.notna()).any(axis=1).set_axis(corrections.index)
    known = corrections["value"].isin(context.names["samples"]) & (corrections["value"] != corrections["sample"])
    return known & ~apart


def _checked_decisions(decisions: pd.DataFrame, context: Context) -> pd.DataFrame:
    """Decisions without those on an alarm of a later day; a day of work before the decision is taken out."""
    early = (decisions["alarm_on"] > decisions["decided_on"]).to_numpy()
    past = (decisions["due_on"] < decisions["decided_on"]).to_numpy() & ~early
    for name, bad, what, reason in (
        ("alarm_on", early, "row", "the alarm is younger than the decision"),
        ("due_on", past, "value", "to be done before it was decided"),
    ):
        for file, part in decisions[bad].groupby("file"):
            said = part[name].dt.strftime("%Y-%m-%d")
            context.notes.set_aside(file, part["row"], name, said, reason, table="decisions", what=what)
    return decisions.assign(due_on=decisions["due_on"].mask(past))[~early].reset_index(drop=True)


def _first_days(tables: dict[str, pd.DataFrame], notes: Notes) -> pd.DataFrame:
    """Machines without a first day of work that lies after one of their own bottles, services or readings."""
    machines = tables["machines"]
    of = tables["compartments"].set_index("compartment")["machine"]
    seen = [tables["meters"][["machine", "read_on"]].set_axis(["machine", "day"], axis=1)]
    for name, day in (("samples", "drawn_on"), ("services", "done_on"), ("findings", "found_on")):
        seen.append(pd.DataFrame({"machine": _looked_up(of, tables[name]["compartment"]), "day": tables[name][day]}))
    first = pd.concat(seen).groupby("machine")["day"].min()
    bad = (machines["in_service_on"] > _looked_up(first, machines["machine"])).to_numpy()
    for file, part in machines[bad].groupby("file"):
        said = part["in_service_on"].dt.strftime("%Y-%m-%d")
        notes.set_aside(
            file,
            part["row"],
            "in_service_on",
            said,
            "a record of this machine is older",
            table="machines",
            what="value",
        )
    return machines.assign(in_service_on=machines["in_service_on"].mask(bad))


def _bundle(settings: Settings, tables: dict[str, pd.DataFrame], notes: Notes, sources: dict[str, str]) -> Fleet:
    aside, repairs, arrivals = finished(notes)
    counts = counted(arrivals)
    _assert_counts(tables, counts, notes)
    frames = {n: t if n == "samples" else t.drop(columns=["file", "row"]) for n, t in tables.items()}
    return Fleet(
        settings=settings, **frames, set_aside=aside, repairs=repairs, counts=counts, arrivals=arrivals, sources=sources
    )


def _assert_counts(tables: dict[str, pd.DataFrame], counts: pd.DataFrame, notes: Notes) -> None:
    """Rows read = rows in the tables + rows set aside, for every file; counted from the tables themselves."""
    used: dict[tuple[str, str], int] = {}
    for name, frame in tables.items():
        for file, row in zip(frame["file"], frame["row"], strict=True):
            used[file, name] = used.get((file, name), 0) + len(notes.members.get(file, {}).get(row, (row,)))
    for line in counts.itertuples():
        assert line.read == used.get((line.file, line.table), 0) + line.set_aside, (
            f"{line.file}: rows lost without a reason (a fault of cmkit)"
        )
