"""How was this made? Methods in plain words, limits used, what was not judged, cautions, provenance."""

from typing import Any

import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.compartment_data import FIXED, setting
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Column, Html, bullets, facts, folded, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import (
    analyte_name,
    analyte_unit,
    chance,
    count,
    day,
    family_name,
    hours,
    listed,
    number,
    plain,
    quantity,
    short_day,
)

CAUTIONS = (
    "Hot fluid burns: let nothing open or loosen that is hot or under pressure, and use the valve as its maker says.",
    "A warm compartment is under pressure; open caps slowly, a cooling system's only when cool.",
    "Isolate power by the site's own procedure, park level, and keep clear of moving machinery.",
    "Mind slips on steps and decks; wear gloves and eye protection; used fluid harms skin. Take waste fluid to where "
    "it belongs.",
    "The machine maker's manual, local rules and licensed practice come first. This book advises; a competent person "
    "decides.",
)
METHODS = (
    (
        "Wear rate",
        "Each result is set against the one before, with fluid changes, what stays behind after them, "
        "top-ups and hours allowed for. What is left is the rate at which metal comes off, in ppm per 1,000 h at full "
        "charge, with an interval that holds the true rate 9 times in 10.",
    ),
    (
        "Chances",
        "Every result of every bottle is held against what the compartment's own past led to expect. Each fault of its "
        "kind, an unnamed change, and what can be odd about a bottle have a pattern; from bottle to bottle the chance "
        "of each is carried on. A chance says how often such compartments have the fault; it is a reason to look, not "
        "a finding.",
    ),
    (
        "Alarm and alert",
        "An alarm: the chance of a fault that needs work is {alarm} or more, or a result is past an alarm limit of the "
        "maker, the site or practice. It stands until somebody has looked or enough good bottles speak against it. An "
        "alert: {alert} or more, or a limit's first step. What to do follows from the fault, how far it is, and the "
        "money.",
    ),
    (
        "Not known",
        "No usable bottle, the newest is too old or more likely odd than good, or nothing since a repair. "
        "Not known is never counted as clear.",
    ),
    (
        "Family limits",
        "Compartments of one kind of machine, size, place and fluid are compared. The alert limit is "
        "what 1 in 10 of them exceed, the alarm limit 1 in 40; small families lean on larger ones. They stand beside "
        "the chances and make no alarm by themselves.",
    ),
    (
        "Doubted bottles",
        "Each bottle is compared with its own past, with its neighbours and with the fluid it should "
        "hold. A doubt never hides coolant, fuel, water or soot; it asks for a repeat bottle.",
    ),
    (
        "Fluids",
        "What ages a fluid is carried on in a straight line to the fixed limit it has; lines differ between machines "
        "and between fillings, so the hours left have an interval. A longer interval is named only where 1 filling in "
        "20 at most would pass its limit.",
    ),
    (
        "Left and right",
        "How far a bottle lies above its forecast is compared with how far the twin's bottle of the same day does, "
        "which shares load and dust; a difference that adds up from bottle to bottle is called.",
    ),
    (
        "Money",
        "At stake is the chance that a fault is there and fails before the next result, times what a failure "
        "costs more than a planned repair. Beside it stands what the work costs. Assumed: by cmkit's starting costs.",
    ),
    (
        "As of a date",
        "Everything here uses only what had reached the office by the date at the top. Results that came "
        "later, or were issued again later, do not count.",
    ),
)
COST_ROWS = ("planned_cost", "failure_cost", "planned_downtime_h", "failure_downtime_h", "delay_mean_h")


def how_made(book: Book) -> Shown:
    """Everything a reader needs to check or doubt this book."""
    parts = [
        tag("h3", "Cautions"),
        bullets(CAUTIONS, class_="cautions"),
        tag("h3", "Methods in plain words"),
        facts(_methods(book), "facts methods"),
        tag("h3", "What was not judged"),
        not_judged(book),
        tag("h3", "Decided by an analyst"),
        decided(book),
        tag("h3", "Limits and assumptions used"),
        _limits(book),
        _assumptions(book),
        _silent(book),
        tag("h3", "Where it comes from"),
        _provenance(book),
    ]
    return shown(join(parts))


def _methods(book: Book) -> list[tuple[str, str]]:
    """The methods, with the chances in force from which a compartment is in alarm or alert."""
    numbers = {name: chance(setting(book, "judge", name)) for name in ("alarm", "alert")}
    return [(name, words.format(**numbers)) for name, words in METHODS]


def not_judged(book: Book) -> Html:
    """Compartments without a verdict, bottles that could not be placed, rows set aside; each with its reason."""
    unknown = book.tables.verdicts[book.tables.verdicts["state"] == "not known"]
    unusable = book.tables.hours[~book.tables.hours["usable"].astype(bool)]
    out: list[Html] = []
    if len(unknown):
        cells = [[book.place_name(r.compartment), plain(r.reason), r.todo or "-"] for r in unknown.itertuples()]
        out.append(
            folded(
                f"{count(len(unknown), 'compartment')} without a verdict",
                table(["Compartment", "Why", "What to do"], cells, "Not known", class_="text", hide_caption=True),
            )
        )
    if len(unusable):
        reasons = unusable["reason"].value_counts()
        out.append(
            folded(
                f"{count(len(unusable), 'bottle')} without usable hours",
                bullets([f"{count(int(n), 'bottle')}: {r}" for r, n in reasons.items()]),
            )
        )
    out += _aside(book)
    return join(out) if out else nothing("Everything that was read was judged.")


def _aside(book: Book) -> list[Html]:
    """Rows and values set aside anywhere in the fleet, by reason."""
    aside = book.tables.set_aside
    if not len(aside):
        return []
    named = aside.assign(reason=aside["reason"].astype("str"))
    groups = named.groupby(["table", "reason"]).size().sort_values(ascending=False, kind="stable")
    rows = [[str(reason), str(name), f"{n:,}"] for (name, reason), n in groups.head(15).items()]
    much = count(len(aside), "row or value", "rows or values")
    words = join(
        [
            f"{much} set aside in the whole fleet's records; ",
            tag("code", "cmkit check"),
            " lists each with file and row",
        ]
    )
    heads = ["Reason", "Table", Column("Rows", True)]
    return [folded(words, table(heads, rows, "Set aside, by reason", class_="text", hide_caption=True))]


_FIELDS = {
    "compartment": "compartment",
    "meter_h": "meter hours",
    "fluid_h": "hours on the fluid",
    "makeup_l": "litres added",
    "drawn_on": "day drawn",
    "sample": "the number",
}
_MOST_CORRECTIONS = 40


def decided(book: Book) -> Html:
    """Every use of what an analyst decided: corrections, accepted intervals, frozen family numbers and limits, limits
    of the fleet's own.
    """
    parts = [*_corrections(book), *_accepted(book), *_frozen(book), *_own_limits(book)]
    return (
        join(parts)
        if parts
        else nothing(
            "Nothing: no correction, accepted interval, frozen number or limit of the fleet's own is in force."
        )
    )


def _corrections(book: Book) -> list[Html]:
    """Corrections that changed a bottle shown here, newest first; in a fleet book also how many have no bottle to
    change.
    """
    rows, here = book.tables.corrections, set(book.tables.samples["sample"])
    if not len(rows):
        return []
    number = rows["sample"].where(rows["field"] != "sample", rows["value"])
    applied = rows[number.isin(here)].sort_values("decided_on", ascending=False, kind="stable")
    out: list[Html] = []
    if len(applied):
        cells = [
            [
                r.sample,
                _FIELDS.get(r.field, r.field),
                plain(r.value),
                r.decided_by or "-",
                short_day(r.decided_on),
                plain(r.reason) or "-",
            ]
            for r in applied.head(_MOST_CORRECTIONS).itertuples()
        ]
        heads = ["Bottle", "What", "Now taken as", "By", "On", "Why"]
        more = f", the newest {_MOST_CORRECTIONS} shown" if len(applied) > _MOST_CORRECTIONS else ""
        made = table(heads, cells, "Corrections applied", class_="text", hide_caption=True)
        out.append(folded(f"{count(len(applied), 'correction')} applied{more}", made))
    idle = len(rows) - len(applied)
    if idle and not book.site:
        out.append(
            paragraph(f"{count(idle, 'correction')} of bottles without a result change nothing yet.", class_="note")
        )
    return out


def _accepted(book: Book) -> list[Html]:
    """Accepted sampling intervals of what is in this book."""
    places = book.tables.compartments
    named = {str(x) for key in ("compartment", "family", "kind") if key in places for x in places[key]}
    intervals = {k: v for k, v in book.tables.about.get("accepted_intervals", {}).items() if k in named}
    if not intervals:
        return []
    cells = [[book.place_name(name), hours(every)] for name, every in sorted(intervals.items())]
    made = table(
        ["Compartment, family or kind", Column("Sampled every", True)], cells, "Accepted intervals", hide_caption=True
    )
    return [folded(f"{count(len(cells), 'sampling interval')} accepted", made)]


def _frozen(book: Book) -> list[Html]:
    """On which days the family numbers and limits in use were frozen."""
    out: list[Html] = []
    for what, rows in (("Family numbers", book.tables.numbers), ("Limits", book.tables.limits)):
        days = rows["frozen_on"].dropna() if "frozen_on" in rows else pd.Series(dtype="datetime64[us]")
        if len(days):
            when = listed([day(d) for d in sorted(days.unique())])
            out.append(
                paragraph(
                    f"{what} frozen on {when}: {len(days):,} of {len(rows):,}; the rest is estimated from what is "
                    f"known, or set."
                )
            )
    return out


def _own_limits(book: Book) -> list[Html]:
    """Limits set in the fleet's settings for a family or kind in this book."""
    places = book.tables.compartments
    named = {str(x) for key in ("family", "kind") if key in places for x in places[key]}
    fixed = [x for x in book.tables.about.get("fixed_limits", []) if x["where"] in named]
    if not fixed:
        return []
    cells = [
        [
            x["where"],
            analyte_name(x["analyte"]),
            f"{number(x['alert'])} / {number(x['alarm'])} {analyte_unit(x['analyte'])}".strip(),
            "from above" if x["direction"] == "down" else "from below",
        ]
        for x in fixed
    ]
    made = table(["For", "Result", "Alert / alarm", "Passed"], cells, "Limits set", class_="text", hide_caption=True)
    return [folded(f"{count(len(cells), 'limit')} set by the maker or the site", made)]


def _limits(book: Book) -> Html:
    """The limits that were in force for the families seen here: level and rate of a result side by side."""
    limits = book.tables.limits
    if not len(limits):
        return nothing("No family has enough bottles for limits of its own yet, and none are set.")
    heads = ["Result", "Level, alert / alarm", "Wear rate, alert / alarm, ppm per 1,000 h", Column("Bottles", True)]
    # plain loops: there are hundreds of small groups
    found: dict[str, dict[str, list[Any]]] = {}
    for r in limits.itertuples():
        found.setdefault(r.family, {}).setdefault(r.analyte, []).append(r)
    inner = []
    for family, results in sorted(found.items()):
        cells = [_limit(analyte, rows) for analyte, rows in results.items()]
        name = family_name(family)
        inner.append(folded(name, table(heads, cells, f"Limits of {name}", hide_caption=True)))
    note = paragraph(
        "A family's limit of level counts as passed only from the far end of its 90 % interval on, which is the number "
        "that a compartment's page shows. The intervals, and how each limit was made, are in the table `limits`.",
        class_="note",
    )
    return folded(f"Limits of {count(len(inner), 'family', 'families')}", *inner, note)


def _limit(analyte: str, rows: list[Any]) -> list[object]:
    """Cells of one result's limits in one family."""
    levels = [r for r in rows if r.measure == "level"]
    level = _pairs(levels, 1.0, analyte_unit(analyte)) + _passed_from(levels, analyte)
    rate = _pairs([r for r in rows if r.measure == "rate"], 1000.0, "")
    bottles = max((r.n for r in rows if pd.notna(r.n)), default=None)
    return [analyte_name(analyte), level, rate, "-" if bottles is None else f"{bottles:,.0f}"]


def _passed_from(rows: list[Any], analyte: str) -> str:
    """`, passed from 97.6 ppm`: a family's limit of level acts at the far end of its interval; empty for others."""
    own = [r for r in rows if r.method not in FIXED]
    far = [r.alarm_high if r.direction == "up" else r.alarm_low for r in own]
    return "".join(f", passed from {quantity(x, analyte_unit(analyte))}" for x in far if pd.notna(x))


def _pairs(rows: list[Any], scale: float, unit: str) -> str:
    """`80 / 112 ppm`, marked where the bad direction is down; a dash where no limit is set."""
    words = [
        f"{number(scale * r.alert)} / {number(scale * r.alarm)}{' (low)' if r.direction == 'down' else ''}"
        for r in rows
        if pd.notna(r.alert) or pd.notna(r.alarm)
    ]
    return f"{'; '.join(words)} {unit}".strip() if words else "-"


def _assumptions(book: Book) -> Html:
    """What a failure, a repair and the time between are taken to be, by kind of compartment."""
    kinds = sorted(set(book.tables.compartments["kind"]))
    cells = [
        [
            k,
            *(number(setting(book, "kinds", k, name), 4) for name in COST_ROWS),
            setting(book, "kinds", k, "basis", default="own choice"),
        ]
        for k in kinds
    ]
    heads = [
        "Kind",
        *(
            Column(t, True)
            for t in (
                f"Planned repair, {book.currency}",
                f"Failure, {book.currency}",
                "Planned, h lost",
                "Failure, h lost",
                "Defect to failure, h",
            )
        ),
        "Basis",
    ]
    return folded(
        "Costs and delays assumed",
        table(heads, cells, "Costs and delays assumed by kind of compartment", hide_caption=True),
        paragraph("Starting values until the fleet's own are set in fleet.toml.", class_="note"),
    )


def _silent(book: Book) -> Html:
    """What the register does not say, and what is taken instead."""
    places = book.tables.compartments
    pumped = ~places["pressurised"].eq(True).fillna(False).astype(bool)
    gaps = (
        ("the charge's volume", places["capacity_l"].isna(), "a top-up is taken as the usual share of a charge"),
        ("the depth below the access", places["depth_mm"].isna() & pumped, "cards say to measure it"),
        ("the dead volume of the valve", places["dead_volume_ml"].isna() & ~pumped, "cards give the usual of the kind"),
        ("the fluid", places["fluid"].fillna("").eq(""), "another fluid put in cannot be found"),
        ("the interval between fluid changes", places["change_every_h"].isna(), "its kind's is used"),
    )
    lines = [
        f"{what} of {int(gap.sum()):,} of {count(len(places), 'compartment')}: {then}"
        for what, gap, then in gaps
        if gap.any()
    ]
    if not lines:
        return Html("")
    return folded("Not in the register, so assumed", bullets([line[:1].upper() + line[1:] for line in lines]))


def _provenance(book: Book) -> Html:
    about = book.tables.about
    sources = about.get("sources", {})
    listing = bullets([f"{name}: SHA-256 {digest[:16]}…" for name, digest in sorted(sources.items())], class_="hashes")
    pairs = [
        ("Fleet", book.fleet_name),
        ("Known as of", day(book.as_of)),
        ("Made with", f"cmkit {about.get('cmkit', '')}"),
        (
            "Bottles in this book",
            f"{len(book.tables.samples):,}, from "
            f"{listed(sorted({str(x) for x in book.tables.samples['lab']} - {''})) or 'no named laboratory'}",
        ),
    ]
    return join(
        [
            facts(pairs),
            folded(f"{count(len(sources), 'source file')}, with the hash of each", listing) if sources else Html(""),
        ]
    )
