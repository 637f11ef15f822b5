"""What the analyst found or put right, as one row of the fleet's own records: drafted, shown, appended, taken back."""

import csv
import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.analyst.asked import one_of, place_of, rows_of
from cmkit.assessment import Assessment
from cmkit.errors import ParameterError, WriteError, WrongFile
from cmkit.files import one_writer, write_file
from cmkit.practice.decisions import open_work
from cmkit.practice.ledger import from_text
from cmkit.records.reading.files import spreadsheet_text, table_files
from cmkit.records.reading.same_bottle import pairs_words, same_bottles
from cmkit.records.storing.source import open_fleet
from cmkit.tables.records import DECIDED, TABLES

_WAIT_S = 10.0
_SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True)
class Draft:
    """A row that is not written yet. table: findings, corrections or decisions; values: column -> text as it will stand
    there.
    """

    table: str
    values: dict[str, str]

    @property
    def key(self) -> str:
        """The row's own number."""
        return self.values[TABLES[self.table].key[0]]

    def frame(self) -> pd.DataFrame:
        """The row as it will stand, one column a column of the table."""
        return pd.DataFrame([self.values])

    def _repr_html_(self) -> str:
        return str(self.frame().T.rename(columns={0: f"new row of {self.table}"}).to_html(border=0))


def draft_finding(
    a: Assessment,
    compartment: str,
    found_on: str | date,
    outcome: str,
    cause: str = "",
    *,
    meter_h: float | None = None,
    cost: float | None = None,
    downtime_h: float | None = None,
    note: str = "",
    recorded_on: str | date | None = None,
) -> Draft:
    """What a look inside showed, as a row of `findings`. Nothing is written.

    outcome: `defect`, `no defect` or `failed`; meter_h (h), cost (money), downtime_h (h): missing where not known.
    prompted_by is the newest bottle of an alarm that stands. recorded_on: default today. ParameterError for a
    compartment, outcome, day or number that is not allowed.
    """
    place_of(a, compartment)
    one_of("outcome", outcome, TABLES["findings"].column("outcome").one_of)
    found, recorded = _day("found_on", found_on), _day("recorded_on", recorded_on or date.today())
    if recorded < found:
        raise ParameterError(f"recorded_on: found {recorded}, before the look on {found}; wanted that day or later.")
    verdict = a.verdicts[(a.verdicts["compartment"] == compartment) & (a.verdicts["state"] == "alarm")]
    values = {
        "finding": _free_key(f"F-{compartment}-{found:%y%m%d}", a.findings["finding"]),
        "compartment": compartment,
        "found_on": f"{found}",
        "meter_h": _number("meter_h", meter_h),
        "outcome": outcome,
        "cause": cause,
        "prompted_by": str(verdict["sample"].iloc[0]) if len(verdict) else "",
        "cost": _number("cost", cost),
        "downtime_h": _number("downtime_h", downtime_h),
        "recorded_on": f"{recorded}",
        "note": note,
    }
    return Draft("findings", _safe(values))


def draft_correction(
    a: Assessment,
    sample: str,
    field: str,
    value: object,
    reason: str,
    *,
    decided_by: str,
    decided_on: str | date | None = None,
) -> Draft:
    """One value of a bottle put right, as a row of `corrections`. Nothing is written; the laboratory's file stays as it
    is.

    field: compartment, meter_h, fluid_h, makeup_l, drawn_on, or sample for a bottle that has another number too.
    ParameterError for a bottle, field or value that is not allowed, or without a reason or a name.
    """
    one_of("sample", sample, a.samples["sample"])
    one_of("field", field, TABLES["corrections"].column("field").one_of)
    if not reason.strip() or not decided_by.strip():
        raise ParameterError("reason, decided_by: found nothing; wanted why, and who decided.")
    if field == "compartment":
        text = one_of("value", value, a.compartments["compartment"])
    elif field == "sample":
        text = str(value).strip()
        if text in ("", sample):
            raise ParameterError(f"value: found {value!r}, wanted the other number of this bottle.")
    else:
        text = f"{_day('value', str(value))}" if field == "drawn_on" else _number("value", float(str(value)))
    values = {
        "correction": _free_key(f"K-{sample}", a.corrections["correction"]),
        "sample": sample,
        "field": field,
        "value": text,
        "decided_on": f"{_day('decided_on', decided_on or date.today())}",
        "decided_by": decided_by,
        "reason": reason,
    }
    return Draft("corrections", _safe(values))


def draft_join(
    sample: str, bottle: str, taken: pd.Series, *, decided_by: str, decided_on: str | date | None = None
) -> Draft:
    """A correction that says that two numbers are one bottle, from `records.reading.same_bottle`. taken: keys of
    corrections there already.
    """
    if not decided_by.strip():
        raise ParameterError("decided_by: found nothing; wanted who decided.")
    values = {
        "correction": _free_key(f"K-{sample}", taken),
        "sample": sample,
        "field": "sample",
        "value": bottle,
        "decided_on": f"{_day('decided_on', decided_on or date.today())}",
        "decided_by": decided_by,
        "reason": "same compartment, day and hours as the field sheet's bottle",
    }
    return Draft("corrections", _safe(values))


def draft_decision(
    a: Assessment,
    compartment: str,
    decided: str,
    owner: str,
    why: str,
    *,
    decided_on: str | date | None = None,
    due_on: str | date | None = None,
) -> Draft:
    """Who sees to what stands at a compartment and what was decided, as a row of `decisions`. Nothing is written.

    decided: `accepted`, `deferred`, `done` or `overruled`; decided_on: default the assessment's day, or today where
    that is later than today;
    due_on: day by which it is to be done, missing for none. It names the alarm that stands there; an order needs none.
    A decision closes an order, never an alarm or a finding. ParameterError where nothing stands, without an owner or a
    reason, and for a word or day that cannot be.
    """
    place_of(a, compartment)
    one_of("decided", decided, DECIDED)
    for name, text in (("owner", owner), ("why", why)):
        if not text.strip():
            raise ParameterError(
                f"{name}: found nothing; wanted {'who sees to it' if name == 'owner' else 'the reason'}."
            )
    stands = rows_of(a.open_work, compartment)
    if stands.empty:
        raise ParameterError(
            f"compartment {compartment!r}: no alarm and no order stands there on {a.about['as_of']}; nothing to decide."
        )
    alarm, known = stands["alarm_on"].max(), stands["known_on"].max()
    day = _day("decided_on", decided_on or min(a.as_of.date(), date.today()))
    if pd.Timestamp(day) < known:
        raise ParameterError(
            f"decided_on: found {day}, before the result was known on {known:%Y-%m-%d}; wanted that day or later."
        )
    due = "" if due_on is None else f"{_day('due_on', due_on, ahead=True)}"
    if due and due < f"{day}":
        raise ParameterError(f"due_on: found {due}, before the decision on {day}; wanted that day or later.")
    values = {
        "decision": _free_key(f"D-{compartment}-{day:%y%m%d}", a.decisions["decision"]),
        "compartment": compartment,
        "alarm_on": f"{alarm:%Y-%m-%d}" if pd.notna(alarm) else "",
        "owner": owner,
        "decided_on": f"{day}",
        "decided": decided,
        "why": why,
        "due_on": due,
    }
    return Draft("decisions", _safe(values))


def after_decision(a: Assessment, draft: Draft) -> Assessment:
    """The assessment with one more decision: who owns what changes, and no verdict does. Nothing is written."""
    decisions = pd.concat([a.decisions, from_text(draft.frame(), "decisions")], ignore_index=True)
    day = max(a.as_of, decisions["decided_on"].iloc[-1])
    return replace(a, decisions=decisions, open_work=open_work(a.record, a.orders, a.verdicts, decisions, day))


def _day(name: str, given: str | date, *, ahead: bool = False) -> date:
    try:
        day = date.fromisoformat(given) if isinstance(given, str) else given
    except ValueError:
        raise ParameterError(f"{name}: found {given!r}, wanted a day such as 2026-06-30.") from None
    if day > date.today() and not ahead:
        raise ParameterError(f"{name}: found {day}, which is still to come.")
    return day


def _number(name: str, value: float | None) -> str:
    if value is None or pd.isna(value):
        return ""
    if not 0 <= value < float("inf"):
        raise ParameterError(f"{name}: found {value!r}, wanted a number, 0 or more.")
    return f"{value:.10g}"


def _free_key(wanted: str, taken: pd.Series) -> str:
    known = set(taken.astype(str))
    return next(k for k in (wanted, *(f"{wanted}-{n}" for n in range(2, len(known) + 3))) if k not in known)


def _safe(values: dict[str, str]) -> dict[str, str]:
    """Text of one line each that no spreadsheet takes for a formula."""
    return {name: str(spreadsheet_text(" ".join(str(v).split()))) for name, v in values.items()}


def write_back(folder: str | Path, draft: Draft) -> Path:
    """Append a draft to the fleet's own table, in one step under the lock of its records; the file written.

    The file is the old one or the new one, whole, whatever stops the writing; every other byte of it stays. Raises
    WriteError where another is writing or the row is there already; WrongFile where the table is not a CSV file with
    these headings.
    """
    place = Path(folder)
    with _records_lock(place):
        path = _table_file(place, draft.table)
        old = path.read_bytes() if path.exists() else _heading(draft.table)
        head, separator = _headings(path, old)
        if missing := [c for c in draft.values if c not in head and draft.values[c]]:
            raise WrongFile(f"{path}: has no column {', '.join(missing)}; add it to the headings. Nothing was written.")
        if _rows_with(old, head, separator, draft):
            raise WriteError(f"{path}: the row {draft.key} is there already. Nothing was written.")
        end = b"" if old.endswith((b"\n", b"\r")) else _line_end(old)
        write_file(path, old + end + _line(draft, head, separator, old))
    return path


def undo(folder: str | Path, draft: Draft) -> Path:
    """Take a row written by :func:`write_back` out again, if it stands there as it was written. WriteError where it
    does not.
    """
    place = Path(folder)
    with _records_lock(place):
        path = _table_file(place, draft.table)
        old = path.read_bytes() if path.exists() else b""
        head, separator = _headings(path, old or _heading(draft.table))
        line = _line(draft, head, separator, old)
        if line not in old:
            raise WriteError(f"{path}: no longer holds the row {draft.key} as it was written; change it by hand.")
        before, _, after = old.rpartition(line)
        write_file(path, before + after)
    return path


def join_pairs(folder: Path, decided_by: str | None) -> str:
    """Bottles of a fleet under two numbers, in lines; with a name they are recorded as corrections, one by one, each in
    one step.

    Raises ParameterError for an empty name, WriteError and WrongFile as :func:`write_back`.
    """
    fleet = open_fleet(folder)
    pairs = same_bottles(fleet)
    if pairs.empty:
        return "No bottle stands under two numbers."
    if decided_by is None:
        return (
            f"{pairs_words(pairs)}\nNothing was written. Where all are right: cmkit join-bottles {folder} --accept "
            f"--by NAME; else put single ones into corrections."
        )
    taken = fleet.corrections["correction"]
    for row in pairs.itertuples():
        path = write_back(folder, draft_join(row.sample, row.bottle, taken, decided_by=decided_by))
    return f"{pairs_words(pairs)}\nRecorded in {path}; to undo, take these rows out again."


@contextmanager
def _records_lock(place: Path) -> Iterator[None]:
    """Alone with the fleet's records: the store's lock where there is a store, one of the folder's own where there is
    none.
    """
    if not (place / "fleet.toml").is_file():
        raise ParameterError(f"folder: found {str(place)!r}, wanted the fleet's folder, with its fleet.toml.")
    lock = place / "store" / "LOCK" if (place / "store").is_dir() else place / ".records.lock"
    busy = WriteError(
        f"{place}: another command is writing its records; nothing was written. Try again when it has ended."
    )
    with one_writer(lock, busy, _WAIT_S):
        yield


def _table_file(place: Path, name: str) -> Path:
    found = table_files(place, name)
    if not found:
        return place / f"{name}.csv"
    if found[0].suffix != ".csv" or found[0].parent != place:
        raise WrongFile(
            f"{found[0]}: the table '{name}' is not the one file {name}.csv; add the row there by hand. Nothing was "
            f"written."
        )
    return found[0]


def _heading(name: str) -> bytes:
    return (",".join(TABLES[name].names) + "\n").encode()


def _headings(path: Path, raw: bytes) -> tuple[list[str], str]:
    """The headings of a CSV file and what stands between them."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise WrongFile(f"{path}: not UTF-8 text; save it as UTF-8 CSV first. Nothing was written.") from None
    first = text.partition("\n")[0].strip()
    separator = max(_SEPARATORS, key=first.count)
    return [h.strip().strip('"') for h in first.split(separator)], separator


def _rows_with(raw: bytes, head: list[str], separator: str, draft: Draft) -> bool:
    key = TABLES[draft.table].key[0]
    if key not in head:
        raise WrongFile(
            f"the table '{draft.table}': found no heading {key}; wanted the names cmkit uses. Nothing was written."
        )
    rows = csv.reader(io.StringIO(raw.decode("utf-8-sig")), delimiter=separator)
    return any(len(r) > head.index(key) and r[head.index(key)] == draft.key for r in rows)


def _line(draft: Draft, head: list[str], separator: str, raw: bytes) -> bytes:
    out = io.StringIO()
    end = _line_end(raw).decode()
    csv.writer(out, delimiter=separator, lineterminator=end).writerow([draft.values.get(c, "") for c in head])
    return out.getvalue().encode()


def _line_end(raw: bytes) -> bytes:
    return b"\r\n" if b"\r\n" in raw else b"\n"


def what_changed(before: Assessment, after: Assessment) -> pd.DataFrame:
    """What two assessments say differently: one row a compartment and thing (compartment, what, before, after), records
    of alarms included.
    """
    rows: list[dict[str, Any]] = []
    for what in ("state", "cause", "todo"):
        one, other = (x.verdicts.set_index("compartment")[what].fillna("") for x in (before, after))
        both = one.index.intersection(other.index)
        changed = both[(one[both] != other[both]).to_numpy()]
        rows += [{"compartment": c, "what": what, "before": one[c], "after": other[c]} for c in changed]
    key = ["compartment", "alarm_on", "found_on"]
    owned = [x.open_work.set_index(["compartment", "about"])["words"] for x in (before, after)]
    both = owned[0].index.intersection(owned[1].index)
    changed = both[(owned[0][both] != owned[1][both]).to_numpy()]
    rows += [
        {"compartment": c[0], "what": f"who sees to the {c[1]}", "before": owned[0][c], "after": owned[1][c]}
        for c in changed
    ]
    seen = before.record.merge(after.record, on=key, how="outer", suffixes=("_a", "_b"), indicator=True)
    other = seen[seen["_merge"] != "both"]
    rows += [
        {
            "compartment": r.compartment,
            "what": "our record",
            "before": "" if pd.isna(r.words_a) else r.words_a,
            "after": "" if pd.isna(r.words_b) else r.words_b,
        }
        for r in other.itertuples()
    ]
    return pd.DataFrame(rows, columns=["compartment", "what", "before", "after"]).astype("str")


def written_row(folder: str | Path, name: str, key: str) -> Draft:
    """A row that stands in the fleet's own table, by its number, as :func:`undo` takes it out. ParameterError where
    there is none.
    """
    path = _table_file(Path(folder), name)
    raw = path.read_bytes() if path.exists() else _heading(name)
    head, separator = _headings(path, raw)
    own = TABLES[name].key[0]
    for row in csv.DictReader(io.StringIO(raw.decode("utf-8-sig")), head, delimiter=separator):
        if row.get(own) == key:
            return Draft(name, {c: row[c] or "" for c in head if c in row})
    raise ParameterError(f"{path}: no row {key!r}; nothing was changed.")


__all__ = [
    "Draft",
    "after_decision",
    "draft_correction",
    "draft_decision",
    "draft_finding",
    "draft_join",
    "join_pairs",
    "undo",
    "what_changed",
    "write_back",
    "written_row",
]
