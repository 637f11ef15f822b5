"""The programme around the bottles: what is under way or lost, what the tests watch, why failures were missed, and its yearly measures."""

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Column, Html, bullets, facts, join, long_table, nothing, paragraph, table
from cmkit.books.content.sections.record import share_with_interval
from cmkit.books.content.wording import chance, count, hours, money, sentence, short_day

MOST_ROWS = 25
MONTHS = 12


def programme(book: Book) -> Shown:
    """Measures of the last twelve months first, then lost bottles, missed failures and what no test watches."""
    return shown(join([_measures(book), _turnaround(book), _lost(book), _missed(book), _unwatched(book)]))


def _measures(book: Book) -> Html:
    rows = book.tables.programme
    rows = rows[rows["month"].isin(sorted(set(rows["month"]))[-MONTHS:])]
    bottles = int(rows["bottles"].sum())
    if not bottles:
        return nothing("No bottle was drawn in the last twelve months.")
    weights = rows["bottles"].where(rows["kept"].notna(), 0)
    kept = (rows["kept"] * weights).sum() / weights.sum() if weights.sum() else float("nan")
    believed = (rows["believed"] * rows["bottles"]).sum() / bottles
    alarms, looked, confirmed, failures, warned = (
        int(rows[c].sum()) for c in ("alarms", "looked", "confirmed", "failures", "warned")
    )
    lead = f"{hours(rows['lead_h'].median())} in the middle month" if rows["lead_h"].notna().any() else "none yet"
    pairs = [
        ("Bottles", f"{bottles:,}, {chance(believed)} believed"),
        ("Plan kept", chance(kept) if pd.notna(kept) else "nothing to count"),
        ("Alarms", f"{alarms:,}, {f'{looked:,} looked into, {confirmed:,} of them confirmed' if looked else 'none looked into yet'}"),
        ("Failures with an alarm before", share_with_interval(warned, failures)),
        ("From alarm to finding", lead),
        ("Spent", f"{money(float(rows['cost'].sum()), book.currency)} on bottles and on looks that found nothing"),
    ]  # fmt: skip
    return join([paragraph("The last twelve months."), facts(pairs)])


def _turnaround(book: Book) -> Html:
    rows = book.tables.turnaround
    if not len(rows):
        return nothing("No result has come back in the last year, so no turnaround is known.")
    cells = [
        [r.lab or "not named", f"{r.n:,}", _days(r.days), _days(r.slow_days), _days(r.post_days), _days(r.lab_days), _days(r.bound_days),
         "measured" if r.measured else f"setting, {_days(r.used_days)}"]
        for r in rows.itertuples()
    ]  # fmt: skip
    heads = ["Laboratory", Column("Bottles", True), Column("Days, half", True), Column("Nine in ten", True), Column("Post", True),
             Column("Laboratory's own", True), Column("Lost after", True), "Used in costs"]  # fmt: skip
    return table(heads, cells, "Days from drawing to a result, last year", class_="text")


def _days(value: float) -> str:
    return "-" if pd.isna(value) else f"{value:.0f}"


def _lost(book: Book) -> Html:
    rows = book.tables.chain
    lost = rows[rows["stage"] == "lost"].sort_values("drawn_on", ascending=False)
    way = len(rows) - len(lost)
    lead = paragraph(sentence(f"{count(way, 'bottle')} {'is' if way == 1 else 'are'} on the way or at the laboratory"))
    if not len(lost):
        return join([lead, nothing("No bottle is lost.")])
    cells = [
        [r.sample, book.linked(r.compartment), short_day(r.drawn_on), r.sampler or "-", r.lab or "-", sentence(r.words)]
        for r in lost.head(MOST_ROWS).itertuples()
    ]
    heads = ["Bottle", "Compartment", "Drawn", "By", "Laboratory", "What to do"]
    more = f", the newest {MOST_ROWS} of {len(lost)}" if len(lost) > MOST_ROWS else ""
    machines = book.machines_of(lost["compartment"].head(MOST_ROWS))
    return join([lead, long_table(heads, cells, f"Lost bottles{more}", "text", machines=machines)])


def _missed(book: Book) -> Html:
    rows = book.tables.missed
    if not len(rows):
        return nothing("No failure without a useful warning is on record.")
    cells = [
        [book.linked(r.compartment), short_day(r.found_on), r.cause or "not recorded", r.reason, sentence(r.words), sentence(r.then)]
        for r in rows.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    more = f", the newest {MOST_ROWS} of {len(rows)}" if len(rows) > MOST_ROWS else ""
    heads = [
        "Compartment",
        "Failed",
        "Cause",
        "Why no warning helped",
        "Why we say so",
        "What keeps it from being missed again",
    ]
    machines = book.machines_of(rows["compartment"].head(MOST_ROWS))
    return long_table(heads, cells, f"Failures without a useful warning{more}", "text", machines=machines)


def _unwatched(book: Book) -> Html:
    rows = book.tables.coverage
    seen = rows[rows["watched"].isin(["watched", "shown a little"])]
    blind = rows[~rows["compartment"].isin(seen["compartment"])].drop_duplicates("compartment")
    open_ = rows[
        rows["watched"].isin(["not watched", "shown a little"]) & rows["compartment"].isin(seen["compartment"])
    ]
    note = paragraph("Clear means clear of what the tests watch. A part that cracks or bursts without wearing leaves nothing in the fluid.", class_="note")  # fmt: skip
    if not len(open_) and not len(blind):
        return join([note, nothing("Every failure mode that a fluid can show is watched in every compartment.")])
    of = open_.groupby(["kind", "mode", "watched", "ask"], sort=True)["compartment"].nunique().reset_index(name="n")
    items = [
        f"{book.place_name(r.compartment)}: no bottle in the last year, so nothing of it is watched; draw one"
        for r in blind.itertuples()
    ]
    items += [f"{r.kind}, {r.mode}: {r.watched} in {count(r.n, 'compartment')}; add {r.ask}" for r in of.itertuples()]
    return join([note, bullets(items[:MOST_ROWS])])
