"""Where do I go with the bottles? What is due, by machine in walking order, how each is drawn, what to bring."""

import pandas as pd

from cmkit.books.book import Book
from cmkit.books.markup import Column, Html, facts, join, nothing, paragraph, state_mark, table
from cmkit.books.matter import setting
from cmkit.books.show import Shown, shown
from cmkit.books.wording import count, hours, natural_key, short_day

AHEAD_DAYS = 31
BEYOND_MID_DEPTH_MM = 150.0  # common practice: what goes into the pump, where the settings are silent


def due_rows(book: Book) -> pd.DataFrame:
    """What is overdue or falls due within a month, in walking order: due's columns plus name, method, tube_mm, state."""
    due = book.tables.due
    soon = due[due["overdue"] | (due["due_on"] <= book.as_of + pd.Timedelta(days=AHEAD_DAYS))]
    places = book.places[["compartment", "name", "pressurised", "access", "depth_mm"]].reset_index(drop=True)
    out = soon.merge(places, on="compartment").merge(
        book.tables.verdicts[["compartment", "state"]], on="compartment", how="left"
    )
    probe = [_probe(book, kind, flag) for kind, flag in zip(out["kind"], out["pressurised"], strict=True)]
    extra = pd.Series(
        [setting(book, "kinds", k, "tube_extra_mm", default=BEYOND_MID_DEPTH_MM) for k in out["kind"]],
        index=out.index,
        dtype=float,
    )
    out = out.assign(
        method=["probe" if p else "pump" for p in probe],
        tube_mm=(out["depth_mm"] / 2 + extra).mask(pd.Series(probe, index=out.index, dtype=bool)),
    )
    return out.loc[
        sorted(out.index, key=lambda i: (natural_key(out.at[i, "machine"]), natural_key(out.at[i, "compartment"])))
    ].reset_index(drop=True)


def _probe(book: Book, kind: str, pressurised: object) -> bool:
    """Whether it is drawn by a probe at a valve; the kind's usual way where the record is silent."""
    return (
        bool(setting(book, "kinds", kind, "pressurised", default=False)) if pd.isna(pressurised) else bool(pressurised)
    )


def next_round(book: Book) -> Shown:
    """The due list and the totals to bring."""
    rows = due_rows(book)
    if not len(rows):
        return shown(nothing(f"Nothing falls due within {AHEAD_DAYS} days."))
    pumped = rows[rows["method"] == "pump"]
    unknown = int(pumped["tube_mm"].isna().sum())
    tube = f"{pumped['tube_mm'].sum() / 1000:,.1f} m" + (
        f", and {count(unknown, 'piece')} to measure on site" if unknown else ""
    )
    totals = facts(
        [
            ("Bottles", f"{len(rows):,}, of which {int(rows['overdue'].sum()):,} overdue"),
            ("By probe at a valve", f"{int((rows['method'] == 'probe').sum()):,}"),
            ("By hand pump", f"{len(pumped):,}"),
            ("New tube", tube if len(pumped) else "none"),
        ]
    )  # fmt: skip
    how = paragraph("Probe: while the system runs under its working pressure, after the valve's dead volume has run off. Pump: fluid warm and mixed, tube to half depth, never to the bottom and never from the drain stream. One pump for oil, another for coolant. Left and right are told from the operator's seat, facing forward.", class_="note")  # fmt: skip
    return shown(
        totals,
        how,
        _list(book, rows),
        paragraph(
            "Bottles in walking order, machine by machine. Hours are what the machine's meter will show.", class_="note"
        ),
    )


def _list(book: Book, rows: pd.DataFrame) -> Html:
    parts = []
    columns = [
        "Compartment",
        "State",
        "Draw by",
        Column("Due at meter", True),
        "Due on",
        Column("Past due", True),
        "Why",
    ]
    for machine in dict.fromkeys(rows["machine"]):
        own = rows[rows["machine"] == machine]
        cells = [[book.linked(r.compartment, r.name_), state_mark(r.state), _draw(r), hours(r.due_meter_h), "now" if r.overdue else short_day(r.due_on),
                  hours(r.overdue_h) if r.overdue and r.overdue_h > 0 else "-", r.why] for r in own.rename(columns={"name": "name_"}).itertuples()]  # fmt: skip
        parts.append(table(columns, cells, f"{machine}: {count(len(own), 'bottle')}", class_="cards"))
    return join(parts)


def _draw(row) -> str:
    where = f" at the {row.access}" if row.access else ""
    if row.method == "probe":
        return f"probe{where}"
    return f"pump{where}" + (f", {row.tube_mm:,.0f} mm of tube" if pd.notna(row.tube_mm) else "")
