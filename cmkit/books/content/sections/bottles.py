"""Can the bottles be believed? What was doubted and why, what to draw again, and compartments found low."""

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Column, Html, join, long_table, nothing, paragraph, table, tag
from cmkit.books.content.wording import chance, count, plain, sentence, short_day

RECENT_DAYS = 92
MOST_ROWS = 20
DOUBTS = {
    "hours": "meter hours missing or impossible",
    "exchange": "label may be exchanged with another compartment",
    "fluid": "wrong or mixed fluid",
    "not representative": "does not represent the charge (drain stream, cold, or unmixed)",
    "dirt in the sample": "dirt or sediment in the bottle",
    "stale": "sent or analysed too late",
    "laboratory": "differs with the laboratory",
    "units": "a unit or decimal mark looks wrong",
    "method": "drawn by a method that does not suit",
}


def believed_bottles(book: Book) -> Shown:
    """Share believed, doubts by kind, the recent doubted bottles, and fluid levels found low."""
    tables = book.tables
    if not len(tables.trust):
        return shown(nothing("No bottle has been screened yet."))
    drawn = tables.samples.set_index("sample")["drawn_on"]
    recent = tables.trust[tables.trust["sample"].map(drawn) > book.as_of - pd.Timedelta(days=RECENT_DAYS)]
    doubted = recent[recent["believed"] < 0.5]
    lead = "No bottle was drawn in the last three months."
    if len(recent):
        share = (
            f"{len(doubted):,} ({chance(len(doubted) / len(recent))}) {'is' if len(doubted) == 1 else 'are'}"
            if len(doubted)
            else "none is"
        )
        lead = f"Of {count(len(recent), 'bottle')} drawn in the last three months, {share} doubted."
    keep = (
        " A doubt never hides an alarm; it asks for a repeat bottle first. Nothing is dropped: doubted bottles "
        "stay in the tables, marked."
    )
    doubts = tables.doubts.assign(drawn_on=tables.doubts["sample"].map(drawn)) if len(tables.doubts) else tables.doubts
    new = doubts[doubts["sample"].isin(recent["sample"])] if len(doubts) else doubts
    parts = [
        paragraph(lead + keep),
        _kinds(new),
        _bottles(book, new, set(doubted["sample"])),
        _low(book),
        _technique(book),
    ]
    return shown(join(parts))


def _kinds(doubts: pd.DataFrame) -> Html:
    if not len(doubts):
        return nothing("No doubt was raised about any of them.")
    rows = [
        [DOUBTS.get(str(kind), str(kind)), f"{len(own):,}", f"{own['compartment'].nunique():,}"]
        for kind, own in doubts.groupby("doubt")
    ]
    rows.sort(key=lambda r: -int(r[1].replace(",", "")))
    return table(
        ["Doubt", Column("Bottles", True), Column("Compartments", True)],
        rows,
        "Doubts raised in the last three months, by kind",
    )


def _bottles(book: Book, doubts: pd.DataFrame, doubted: set[str]) -> Html:
    own = doubts[doubts["sample"].isin(doubted)] if len(doubts) else doubts
    if not len(own):
        return Html("")
    own = own.sort_values(["drawn_on", "sample"], ascending=[False, True], kind="stable")
    bottles = [rows for _, rows in own.groupby("sample", sort=False)]
    cells = [
        [
            rows["sample"].iloc[0],
            short_day(rows["drawn_on"].iloc[0]),
            book.linked(rows["compartment"].iloc[0]),
            _together(rows["reason"]),
            _together(rows["todo"]),
        ]
        for rows in bottles[:MOST_ROWS]
    ]
    more = f", the newest {MOST_ROWS} of {len(bottles)}" if len(bottles) > MOST_ROWS else ""
    machines = book.machines_of(rows["compartment"].iloc[0] for rows in bottles[:MOST_ROWS])
    heads = ["Bottle", "Drawn", "Compartment", "Why it is doubted", "What to do"]
    return long_table(heads, cells, f"Doubted bottles{more}", "text", machines=machines)


def _together(texts: pd.Series) -> str:
    """Several sentences as one text, none of them twice."""
    return " ".join(dict.fromkeys(sentence(plain(text)) for text in texts))


def _low(book: Book) -> Html:
    """Sealed compartments in which a leak is suspected at the newest bottle: found low then, or before and not noted
    since.
    """
    newest = book.tables.samples.sort_values("drawn_on").groupby("compartment")["sample"].last()
    evidence = book.tables.evidence
    low = evidence[(evidence["rule"] == "low level") & evidence["sample"].isin(newest)]
    head = tag("h3", "Fluid levels")
    if not len(low):
        return join([head, nothing("No leak is suspected: no sealed compartment stands as found low.")])
    rows = [[book.linked(r.compartment), short_day(r.drawn_on), plain(r.words)] for r in low.itertuples()]
    words = "A sealed compartment found low has lost fluid: suspect a leak, find it, and top up before it runs on."
    heads = ["Compartment", "Newest bottle", "Level"]
    made = long_table(
        heads, rows, "Sealed compartments found low", "text", machines=book.machines_of(low["compartment"])
    )
    return join([head, paragraph(words), made])


def _technique(book: Book) -> Html:
    """Samplers whose bottles stand out from their colleagues' of the same site and kind; to help, not to blame."""
    own = book.tables.technique
    judged = own[own["q"].notna()]
    head = tag("h3", "How the bottles are drawn")
    if not len(judged):
        return join([head, nothing("Too few bottles by named samplers to compare how they are drawn.")])
    named = judged[judged["flagged"].astype(bool)]
    if not len(named):
        return join(
            [head, nothing(f"No sampler's bottles stand out; {judged['sampler'].nunique():,} could be compared.")]
        )
    rows = [
        [r.sampler, r.measure, f"{r.n:,}", f"{r.value:.2f} ({r.low:.2f} to {r.high:.2f})", sentence(plain(r.words))]
        for r in named.itertuples()
    ]
    words = (
        "Worth a look at the technique, together and without blame: warm and mixed fluid, mid-depth, clean pump "
        "and new tube. One in ten named here is named by chance."
    )
    columns = ["Sampler", "Measure", Column("Bottles", True), "Against colleagues (90 % interval)", "In words"]
    return join([head, paragraph(words), table(columns, rows, "Samplers whose bottles stand out", class_="text")])
