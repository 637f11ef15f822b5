"""The programme around the bottles: what is under way or lost, what the tests watch, why failures were missed, and its
yearly measures.
"""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.figures.months import months_lines
from cmkit.books.content.markup import (
    Column,
    Html,
    bullets,
    facts,
    folded,
    join,
    long_table,
    nothing,
    paragraph,
    table,
    tag,
)
from cmkit.books.content.sections.laboratories import laboratories
from cmkit.books.content.sections.load import by_load
from cmkit.books.content.sections.record import share_with_interval
from cmkit.books.content.wording import chance, count, hours, listed, money, number, plain, sentence, short_day
from cmkit.tables.practice import STAGES

MOST_ROWS = 25
MONTHS = 12
_YEAR = 365  # days


def programme(book: Book) -> Shown:
    """Measures of the last twelve months first, then lost bottles, missed failures and what no test watches."""
    rest = join(
        [
            _turnaround(book),
            _not_drawn(book),
            _lost(book),
            laboratories(book),
            by_load(book),
            _missed(book),
            _unwatched(book),
        ]
    )
    months = programme_months(book)
    if not months["bottles"].sum():
        return shown(_measures(book), rest)
    return shown(_measures(book), months_lines(months), _by_month(book, months), rest)


def programme_months(book: Book) -> pd.DataFrame:
    """The last twelve months of the book's sites together: month, name, bottles, kept, believed (shares, by bottle),
    days (middle, drawn to reported), alarms, per_100, looked, confirmed, failures, warned, cost, each."""
    rows = book.tables.programme
    sums = ["bottles", "compartments", "alarms", "looked", "confirmed", "failures", "warned", "cost"]
    planned = rows["bottles"].where(rows["kept"].notna(), 0)
    rows = rows.assign(
        planned=planned, _kept=(rows["kept"] * planned).fillna(0), _good=(rows["believed"] * rows["bottles"]).fillna(0)
    )
    out = rows.groupby("month")[[*sums, "planned", "_kept", "_good"]].sum().tail(MONTHS)
    samples = book.tables.samples
    days = (
        (samples["reported_on"] - samples["drawn_on"])
        .dt.days.groupby(samples["drawn_on"].dt.strftime("%Y-%m"))
        .median()
    )
    out = out.assign(
        kept=out["_kept"] / out["planned"].where(out["planned"] > 0),
        believed=out["_good"] / out["bottles"].where(out["bottles"] > 0),
        per_100=100 * out["alarms"] / out["compartments"].where(out["compartments"] > 0),
        each=out["cost"] / out["bottles"].where(out["bottles"] > 0),
        days=days.reindex(out.index),
        name=[f"{pd.Timestamp(m + '-01'):%b %Y}" for m in out.index],
    )
    return out.drop(columns=["_kept", "_good"]).reset_index()


def _by_month(book: Book, months: pd.DataFrame) -> Html:
    """The same as a table, newest first, closed until asked for."""
    cells = [
        [
            r.name_,
            f"{r.bottles:,}",
            chance(r.kept),
            chance(r.believed),
            _days(r.days),
            f"{r.alarms:,}",
            number(r.per_100, 2),
            f"{r.confirmed:,} of {r.looked:,}" if r.looked else "-",
            f"{r.warned:,} of {r.failures:,}" if r.failures else "-",
            money(r.each, book.currency),
        ]
        for r in months.iloc[::-1].rename(columns={"name": "name_"}).itertuples()
    ]
    titles = (
        "Bottles",
        "Plan kept",
        "Believed",
        "Days to result",
        "New alarms",
        "Per 100 compartments",
        "Confirmed, of looks",
        "Failures warned of",
        "Cost a bottle",
    )
    made = table(
        ["Month", *(Column(t, True) for t in titles)],
        cells,
        "The programme by month",
        class_="blocks narrow",
        hide_caption=True,
    )
    return folded("By month, in numbers", made)


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
        (
            "Alarms",
            f"{alarms:,}, "
            f"{f'{looked:,} looked into, {confirmed:,} of them confirmed' if looked else 'none looked into yet'}",
        ),
        ("Failures with an alarm before", share_with_interval(warned, failures)),
        ("From alarm to finding", lead),
        ("Spent", f"{money(float(rows['cost'].sum()), book.currency)} on bottles and on looks that found nothing"),
    ]
    return join([paragraph("The last twelve months."), facts(pairs)])


_BEFORE_POST = {"plan_days": "Planned to drawn", "kept_days": "Drawn to sent"}  # where field sheets say so


def _turnaround(book: Book) -> Html:
    rows = book.tables.turnaround
    if not len(rows):
        return nothing("No result has come back in the last year, so no turnaround is known.")
    kept = [name for name in _BEFORE_POST if rows[name].notna().any()]
    cells = [
        [
            _laboratory(book, r),
            f"{r.n:,}",
            _days(r.days),
            _days(r.slow_days),
            *(_days(getattr(r, name)) for name in kept),
            _days(r.post_days),
            _days(r.lab_days),
            _days(r.bound_days),
            "measured" if r.measured else f"setting, {_days(r.used_days)} days",
        ]
        for r in rows.itertuples()
    ]
    heads = [
        "Laboratory",
        Column("Bottles", True),
        *(
            Column(f"{t}, days", True)
            for t in (
                "Half within",
                "Nine in ten within",
                *(_BEFORE_POST[name] for name in kept),
                "Drawn to received",
                "At the laboratory",
                "Lost after",
            )
        ),
        "Used in costs",
    ]
    return table(heads, cells, "Days from drawing to a result, last year", class_="text narrow")


def _laboratory(book: Book, row: Any) -> str:
    """Its name; in a fleet book with the site whose bottles it had."""
    name = row.lab or "not named"
    return name if book.site else f"{name}, bottles of {book.site_names.get(row.site, row.site)}"


def _days(value: float) -> str:
    return "-" if pd.isna(value) else f"{value:.0f}"


def _not_drawn(book: Book) -> Html:
    """Bottles of a round whose row came back empty and whose compartment nobody has drawn one from since."""
    rows = book.tables.chain
    rows = rows[rows["stage"] == "not drawn"]
    left = rows[rows["replaced_by"] == ""].sort_values("planned_on", kind="stable")
    if not len(rows):
        return Html("")
    since = len(rows) - len(left)
    lead = f"{count(len(rows), 'bottle')} of the last year's rounds came back as not drawn"
    lead += f"; for {since:,} of them another one has been drawn since" if since else ""
    if not len(left):
        return paragraph(f"{lead}.")
    cells = [
        [
            book.linked(r.compartment),
            short_day(r.planned_on),
            f"{r.waited_days:,.0f}",
            r.sample,
            sentence(plain(r.words)),
        ]
        for r in left.head(MOST_ROWS).itertuples()
    ]
    heads = ["Compartment", "Planned", Column("Days ago", True), "Bottle", "What is known, and what to do"]
    more = f", the oldest {MOST_ROWS} of {len(left)}" if len(left) > MOST_ROWS else ""
    machines = book.machines_of(left["compartment"].head(MOST_ROWS))
    made = long_table(heads, cells, f"Planned and never drawn{more}", "text", machines=machines)
    return join([paragraph(f"{lead}."), made])


def _lost(book: Book) -> Html:
    rows = book.tables.chain
    lost = rows[rows["stage"] == "lost"].sort_values("drawn_on", ascending=False)
    where = [f"{n:,} {stage}" for stage in STAGES[1:-1] if (n := int((rows["stage"] == stage).sum()))]
    lead = paragraph(sentence(f"Bottles without a result yet: {listed(where) or 'none'}"))
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
    rows, head = book.tables.missed, tag("h3", "Why was a failure missed?")
    if not len(rows):
        return join([head, nothing("No failure without a useful warning is on record.")])
    cells = [
        [
            book.linked(r.compartment),
            short_day(r.found_on),
            r.cause or "not recorded",
            r.reason,
            sentence(plain(r.words)),
            sentence(r.then),
        ]
        for r in rows.head(MOST_ROWS).itertuples()
    ]
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
    made = long_table(heads, cells, f"Failures without a useful warning{more}", "text", machines=machines)
    return join([head, made])


def unwatched_rows(book: Book) -> pd.DataFrame:
    """Failure modes that no test done watches, or that show a little only, of compartments with a bottle in the last
    year: kind, mode, watched, ask, n (compartments), a_year (money: the added test on all their bottles of the last
    year; missing where it has no price)."""
    rows = book.tables.coverage
    drawn = book.tables.samples["drawn_on"] > book.as_of - pd.Timedelta(days=_YEAR)
    bottles = book.tables.samples.loc[drawn, "compartment"].value_counts()
    open_ = rows[rows["watched"].isin(["not watched", "shown a little"]) & ~rows["compartment"].isin(_blind(book))]
    cost = open_["price"] * open_["compartment"].map(bottles).astype(float)
    keys = ["kind", "mode", "watched", "ask"]
    grouped = open_.assign(cost=cost).groupby(keys, sort=True)
    return grouped.agg(n=("compartment", "nunique"), a_year=("cost", lambda c: c.sum(min_count=1))).reset_index()


def _blind(book: Book) -> list[str]:
    """Compartments of which nothing is watched: no bottle in the last year."""
    rows = book.tables.coverage
    seen = rows.loc[rows["watched"].isin(["watched", "shown a little"]), "compartment"]
    return sorted(set(rows["compartment"]) - set(seen))


def _unwatched(book: Book) -> Html:
    """What `clear` is clear of: how much is watched, what is not with the price of the missing test, and what stays
    unseen all the same.
    """
    rows = book.tables.coverage
    if not len(rows):
        return nothing("No failure mode is on record for these compartments.")
    fluid = rows[rows["watched"] != "not in the fluid"]
    watched = int((fluid["watched"] == "watched").sum())
    lead = (
        f"Clear means clear of what the tests watch: {watched:,} of {len(fluid):,} failure modes that a fluid can "
        f"show, counted over {count(fluid['compartment'].nunique(), 'compartment')}."
    )
    parts = [tag("h3", "Clear of what?"), paragraph(lead)]
    if blind := _blind(book):
        names = listed([book.place_name(c) for c in blind], MOST_ROWS)
        parts.append(
            paragraph(
                f"Nothing is watched in {count(len(blind), 'compartment')} without a bottle in the "
                f"last year: {names}. Draw one."
            )
        )
    missing = unwatched_rows(book)
    if len(missing):
        cells = [
            [
                r.mode,
                r.kind,
                f"{r.n:,}",
                r.watched,
                r.ask or "-",
                money(r.a_year, book.currency) if pd.notna(r.a_year) else "-",
            ]
            for r in missing.itertuples()
        ]
        heads = ["Failure mode", "In", Column("Compartments", True), "How", "Test to add", Column("Cost a year", True)]
        caption = (
            "Failure modes not watched or shown a little only; cost of the added test on every bottle of last "
            "year's number, by starting prices (assumed)"
        )
        parts.append(long_table(heads, cells, caption, "text"))
    elif not blind:
        parts.append(nothing("Every failure mode that a fluid can show is watched in every compartment."))
    return join([*parts, _never_seen(rows)])


def _never_seen(rows: pd.DataFrame) -> Html:
    """What no fluid test shows, and what stays unseen of modes that are watched."""
    hidden = rows[rows["not_seen"] != ""].drop_duplicates(["kind", "mode"])
    items = [
        f"{mode}: {words} ({listed(sorted(own['kind']), 9)})"
        for (mode, words), own in hidden.groupby(["mode", "not_seen"])
    ]
    return folded(f"What stays unseen all the same: {len(items):,}", bullets(items)) if items else Html("")
