"""Where do I go with the bottles? What is due, by machine in walking order, how each is drawn, what to bring."""

import pandas as pd

from cmkit.books.book import Book
from cmkit.books.markup import Column, Html, facts, grouped_table, join, nothing, paragraph, state_mark, tag
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
        sorted(out.index, key=lambda i: (natural_key(out.loc[i, "machine"]), natural_key(out.loc[i, "compartment"])))
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
    return shown(totals, how, _list(book, rows))


def _list(book: Book, rows: pd.DataFrame) -> Html:
    """One table, a group of rows a machine."""
    columns = [
        "Compartment", "State", "Draw by", Column("Due at meter", True), "Due on", Column("Past due", True), "Why",
    ]  # fmt: skip
    groups = []
    for machine in dict.fromkeys(rows["machine"]):
        own = rows[rows["machine"] == machine]
        title = join([machine, tag("span", f" {count(len(own), 'bottle')}", class_="small")])
        groups.append((title, [_bottle(book, r) for r in own.rename(columns={"name": "name_"}).itertuples()]))
    return grouped_table(
        columns,
        groups,
        "Bottles in walking order, machine by machine; hours are what the machine's meter will show",
        "cards",
    )


def _bottle(book: Book, row) -> list[object]:
    """Cells of one bottle's row."""
    past = hours(row.overdue_h) if row.overdue and row.overdue_h > 0 else "-"
    when = "now" if row.overdue else short_day(row.due_on)
    return [
        book.linked(row.compartment, row.name_),
        state_mark(row.state),
        _draw(row),
        hours(row.due_meter_h),
        when,
        past,
        row.why,
    ]


def _draw(row) -> str:
    where = f" at the {row.access}" if row.access else ""
    if row.method == "probe":
        return f"probe{where}"
    return f"pump{where}" + (f", {row.tube_mm:,.0f} mm of tube" if pd.notna(row.tube_mm) else "")
