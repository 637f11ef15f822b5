"""The fleet book: sites side by side, what to do first anywhere, causes that come back, families, savings, crews."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.figures.curves import sites_side_by_side
from cmkit.books.content.markup import Column, Html, link, long_table, nothing, paragraph, table, tag
from cmkit.books.content.sections.headline import LATE, NEVER, REPEAT
from cmkit.books.content.sections.work import job
from cmkit.books.content.wording import GLYPHS, NBSP, STATES, analyte_name, chance, family_name, listed, money, number
from cmkit.judge.hypotheses import patterns_of
from cmkit.records.analytes import analyte_register

FIRST = 12
_MONTHS = 6
MOST_BARS = 40  # sites drawn, highest cost of waiting first; the table has all


def site_rows(book: Book) -> pd.DataFrame:
    """One row a site: site, name, machines, compartments, counts by state, late (routine bottles), asked (for sooner or
    again), never (sampled), believed (share, last 12 months), waiting (money), unowned (open alarms nobody has taken
    on), alarm_age (days since the result of the middle open alarm was known), oldest (days), days_to_report (middle,
    drawn to reported, last 12 months), slow (9 in 10 within so many days).
    """
    tables = book.tables
    of = book.places["site"]
    states = pd.crosstab(tables.verdicts["site"], tables.verdicts["state"]).reindex(columns=STATES, fill_value=0)
    sites = tables.sites[["site"]].assign(name=tables.sites["site"].map(book.site_names)).set_index("site")
    recent = tables.samples[tables.samples["drawn_on"] > book.as_of - pd.Timedelta(days=365)]
    trust = tables.trust[tables.trust["sample"].isin(recent["sample"])]
    out = sites.join(states).fillna(dict.fromkeys(STATES, 0))
    out["machines"] = tables.machines.groupby("site").size()
    due = tables.due.assign(sooner=tables.due["why"].str.startswith("sooner"))
    wanted = {
        "late": (due["due_as"] == LATE) & ~due["sooner"],
        "asked": (due["due_as"] == REPEAT) | ((due["due_as"] == LATE) & due["sooner"]),
        "never": due["due_as"] == NEVER,
    }
    out = out.assign(**{name: rows.groupby(due["site"]).sum() for name, rows in wanted.items()})
    out["believed"] = (trust["believed"] >= 0.5).groupby(trust["compartment"].map(of)).mean()
    alarms = tables.open_work[tables.open_work["about"] == "alarm"]
    out["unowned"] = (alarms["owner"] == "").groupby(alarms["compartment"].map(of)).sum()
    out["waiting"] = tables.waiting["cost_of_waiting"].groupby(tables.waiting["compartment"].map(of)).sum()
    open_days = (book.as_of - open_alarms(book).set_index("compartment")["known_on"]).dt.days
    ages = open_days.groupby(open_days.index.map(of))
    days = (recent["reported_on"] - recent["drawn_on"]).dt.days.groupby(recent["compartment"].map(of))
    out["alarm_age"], out["oldest"] = ages.median(), ages.max()
    out["days_to_report"], out["slow"] = days.median(), days.quantile(0.9)
    out["compartments"] = out[list(STATES)].sum(axis=1)
    counts = [*STATES, "machines", *wanted, "compartments", "unowned"]
    out = out.fillna({**dict.fromkeys(counts, 0), "waiting": 0.0})
    return (
        out.astype(dict.fromkeys(counts, int))
        .rename_axis("site")
        .reset_index()
        .sort_values(["waiting", "site"], ascending=[False, True])
        .reset_index(drop=True)
    )


def sites_beside(book: Book) -> Shown:
    """The sites, highest cost of waiting first, each with a link to its own book."""
    rows = site_rows(book)
    if not len(rows):
        return shown(nothing("No site is on record."))
    cells = [
        [
            link(r.name_, book.site_pages[r.site]),
            f"{r.alarm:,}",
            f"{r.alert:,}",
            f"{r.not_known:,}",
            f"{r.clear:,}",
            f"{r.late:,}",
            f"{r.asked:,}",
            f"{r.never:,}",
            chance(r.believed),
            money(r.waiting, book.currency),
        ]
        for r in rows.rename(columns={"name": "name_", "not known": "not_known"}).itertuples()
    ]
    heads = [
        "Site",
        *(
            Column(t, True)
            for t in (
                *(f"{GLYPHS[s]}{NBSP}{s}" for s in STATES),
                "Routine late",
                "Asked for, due",
                "Never sampled",
                "Bottles believed",
                "Cost of waiting",
            )
        ),
    ]
    return shown(
        table(heads, cells, "Sites, by what waiting is expected to cost; counts of compartments", class_="blocks"),
        _rates(rows),
        _by_month(book, rows["site"]),
        sites_side_by_side(rows.head(MOST_BARS)),
    )


def open_alarms(book: Book) -> pd.DataFrame:
    """Rows of the record whose alarm stands: nobody has looked, and its compartment is in alarm."""
    record, states = book.tables.record, book.tables.verdicts.set_index("compartment")["state"]
    waiting = record[record["outcome"] == "waiting"]
    return waiting[waiting["compartment"].map(states) == "alarm"]


def _rates(rows: pd.DataFrame) -> Html:
    """The same per 100 compartments, with how long alarms stand and how long a bottle takes to be reported."""
    cells = [
        [
            r.name_,
            *(_per_hundred(n, r.compartments) for n in (r.alarm, r.alert, r.not_known, r.late)),
            *map(_days, (r.alarm_age, r.oldest, r.days_to_report, r.slow)),
        ]
        for r in rows.rename(columns={"name": "name_", "not known": "not_known"}).itertuples()
    ]
    heads = [
        "Site",
        *(
            Column(t, True)
            for t in (
                "In alarm",
                "In alert",
                "Not known",
                "Routine late",
                "Alarms open, days, middle",
                "Oldest alarm, days",
                "Drawn to reported, days, middle",
                "9 in 10 within, days",
            )
        ),
    ]
    return table(
        heads,
        cells,
        "States and late bottles per 100 compartments; how long alarms have stood, and how long a bottle takes to be "
        "reported (last 12 months)",
        class_="blocks narrow",
    )


def _per_hundred(n: int, of: int) -> str:
    return number(100 * n / of, 2) if of else "-"


def _days(value: float) -> str:
    return "-" if pd.isna(value) else f"{value:,.0f}"


def _by_month(book: Book, order: pd.Series) -> Html:
    """Alarms by the month in which they were known, per 100 compartments of each site, by today's numbers."""
    record = book.tables.record
    raised = record[record["known_on"].notna()]
    months = pd.period_range(end=book.as_of.to_period("M"), periods=_MONTHS, freq="M")
    sites = book.tables.verdicts.groupby("site").size()
    if not len(raised) or not len(sites):
        return nothing("No alarm is on record yet.")
    counted = pd.crosstab(raised["compartment"].map(book.places["site"]), raised["known_on"].dt.to_period("M"))
    counted = counted.reindex(index=sites.index, columns=months, fill_value=0)
    cells = [
        [book.site_names.get(site, site), *(_per_hundred(int(n), int(sites[site])) for n in counted.loc[site])]
        for site in order[order.isin(sites.index)]
    ]
    heads = ["Site", *(Column(f"{m:%b %Y}", True) for m in months)]
    return table(
        heads,
        cells,
        "New alarms per 100 compartments, by the month their result was known, by today's numbers",
        class_="blocks",
    )


def first_anywhere(book: Book) -> Shown:
    """The entries of all sites' work lists that save most, each with a link to its page in its site's book."""
    rows = book.ranked[book.ranked["state"].isin(["alarm", "alert"])]
    if not len(rows):
        return shown(nothing("No compartment of the fleet is in alarm or alert."))
    items = [job(book, r, book.site_names.get(r.site, r.site)) for r in rows.head(FIRST).itertuples()]
    more = f"{len(rows) - FIRST} more stand in the sites' books." if len(rows) > FIRST else ""
    note = paragraph(
        f"In order of what acting now is expected to save: the cost of waiting for the next result, less the cost of "
        f"the work. {more}",
        class_="note",
    )
    return shown(note, tag("ol", *items, class_="jobs"))


def _known_as(book: Book, compartment: str, cause: str) -> str:
    """A cause as the judgement names it: a finding's own word for it means the same (hypotheses.csv, also_called)."""
    if compartment not in book.places.index:
        return cause
    own = patterns_of(str(book.places.loc[compartment, "kind"]))
    return next((p.cause for p in own if cause == p.cause or cause in p.also), cause)


def repeat_causes(book: Book) -> Shown:
    """Causes that stand or were found in more than one compartment, across sites."""
    found = book.tables.findings[book.tables.findings["outcome"].isin(["defect", "failed"])][
        ["compartment", "cause"]
    ].assign(how="found")
    raised = book.tables.orders[book.tables.orders["state"].isin(["alert", "alarm"])]
    likely = raised.loc[(raised["cause"] != "") & raised["chance"].notna(), ["compartment", "cause"]].assign(
        how="likely"
    )
    both = pd.concat([found[found["cause"] != ""], likely], ignore_index=True)
    both["cause"] = [_known_as(book, c, cause) for c, cause in zip(both["compartment"], both["cause"], strict=True)]
    rows: list[list[Any]] = []
    for cause, own in both.groupby("cause"):
        if len(set(own["compartment"])) > 1:
            kinds = sorted({book.places.loc[c, "kind"] for c in own["compartment"] if c in book.places.index})
            sites = sorted(
                {
                    book.site_names.get(book.places.loc[c, "site"], "")
                    for c in own["compartment"]
                    if c in book.places.index
                }
            )
            rows.append(
                [
                    str(cause),
                    int((own["how"] == "found").sum()),
                    int((own["how"] == "likely").sum()),
                    listed(kinds),
                    listed(sites),
                ]
            )
    if not rows:
        return shown(nothing("No cause has come up in more than one compartment."))
    rows.sort(key=lambda r: (-r[1] - r[2], r[0]))
    return shown(
        table(
            ["Cause", Column("Times found", True), Column("Likely now", True), "In", "At"],
            rows,
            "Causes in more than one compartment: found before, and likely now",
            class_="blocks text",
        )
    )


def families(book: Book) -> Shown:
    """Families compared with one another, the bottles their limits rest on, and the limits of their first metals."""
    limits = book.tables.limits
    rates = limits[limits["measure"] == "rate"]
    if not len(rates):
        return shown(nothing("No family has limits of its own yet."))
    sizes = book.tables.compartments.groupby("family").size()
    order = {analyte: at for at, analyte in enumerate(analyte_register()["analyte"])}
    rows = []
    for family, own in rates.groupby("family", sort=True):
        known = own[own["alarm"].notna()].assign(_at=lambda rows: rows["analyte"].map(order))
        top = known.sort_values(["n", "_at"], ascending=[False, True]).head(3)
        words = "; ".join(
            f"{analyte_name(r.analyte)} {number(1000 * r.alert)} / {number(1000 * r.alarm)}" for r in top.itertuples()
        )
        rows.append([family_name(family), f"{int(sizes.get(family, 0)):,}", f"{own['n'].max():,.0f}", words])
    heads = [
        "Family",
        Column("Compartments", True),
        Column("Bottles", True),
        "Wear rate limits, alert / alarm, ppm per 1,000 h",
    ]
    return shown(long_table(heads, rows, "Families and the limits of their best-known metals", "text"))


def crews(book: Book) -> Shown:
    """Where sampling technique is worth a look, site by site; names stay in the sites' own books."""
    own = book.tables.technique
    judged = own[own["q"].notna()]
    if not len(judged):
        return shown(nothing("Too few bottles by named samplers to compare how they are drawn."))
    flagged = judged[judged["flagged"].astype(bool)].groupby("site")["sampler"].nunique()
    compared = judged.groupby("site")["sampler"].nunique()
    rows = [
        [
            link(book.site_names.get(site, site), book.site_pages.get(site, "")),
            f"{n:,}",
            f"{int(flagged.get(site, 0)):,}",
        ]
        for site, n in compared.items()
    ]
    words = (
        "Shown to help and not to blame: where bottles stand out from others of the same site and kind. Who drew "
        "them stands in the site's own book."
    )
    columns = ["Site", Column("Samplers compared", True), Column("Worth a look", True)]
    return shown(paragraph(words, class_="note"), table(columns, rows, "Sampling technique by site"))
