"""The acts: every order of the month in one line each, by how soon and by kind of work, with its chance, its money and
its day.
"""

import re
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.markup import Html, join, link, nothing, paragraph, safe, state_mark, tag
from cmkit.books.content.sections.owners import closed, owner_brief
from cmkit.books.content.wording import chance, count, money, plain, short_day
from cmkit.judge.faults import GROUPS, fault

STOP = "Stop and check before running on"
BANDS = (
    STOP,
    "Now: the day for it is here or past",
    "Within a week",
    "Later",
    "Bottles to draw again",
    "With the next or a first bottle",
    "Closed by a decision",
)
MOST_LINES = 8  # of one band; the rest stand in the list below
FULL_LINES = 7  # with more orders than these, bottles are named together, so that the first screen holds the acts
_OF_BOTTLES = BANDS[4:6]
_WEEK = pd.Timedelta(days=7)
_PREFIX = re.compile(rf"^{STOP}: ")
_FIRST_PART = re.compile(r"; |\. (?=[A-Z])")


def act_rows(book: Book) -> pd.DataFrame:
    """Orders as they are shown: band (of BANDS), said (its chance or ground in words), state; by band, kind of work and
    money at stake.
    """
    orders, decided = book.tables.orders, closed(book)
    out = orders.assign(
        band=[BANDS[-1] if r.compartment in decided else _band(r, book.as_of) for r in orders.itertuples()],
        said=[said(book, r) for r in orders.itertuples()],
        _kind=orders["group"].map({group: place for place, group in enumerate(GROUPS)}),
        _at=np.nan_to_num(orders["money_at_stake"].to_numpy(float)),
    )
    out["_band"] = out["band"].map({band: place for place, band in enumerate(BANDS)})
    out = out.sort_values(["_band", "_kind", "_at", "compartment"], ascending=[True, True, False, True])
    return out.drop(columns=["_kind", "_at", "_band"]).reset_index(drop=True)


def _band(order: Any, today: pd.Timestamp) -> str:
    """How soon, as a heading."""
    if order.group == "stop and check":
        return BANDS[0]
    if order.group in ("repeat bottle", "next bottle"):
        return BANDS[4 if order.group == "repeat bottle" else 5]
    if pd.isna(order.due_on) or order.due_on > today + _WEEK:
        return BANDS[3]
    return BANDS[1 if order.due_on <= today else 2]


def said(book: Book, order: Any) -> str:
    """`62 % that coolant is getting in`; for a doubtful bottle the chance of that; else what the order rests on."""
    kind = str(book.places.loc[order.compartment, "kind"])
    if pd.notna(order.chance):
        return f"{chance(order.chance)} that {fault(kind, order.cause).said}"
    named = book.of("hypotheses", order.compartment)
    named = named[(named["about"] == "bottle") & (named["hypothesis"] == order.cause)]
    if len(named):
        return f"{chance(named['chance'].iloc[0])} that {fault(kind, order.cause).said}"
    if not order.cause or order.group == "repeat bottle":
        return plain(book.ranked_by_name.loc[order.compartment, "reason"])
    return plain(order.rests_on)


def acts(book: Book, most: int = MOST_LINES) -> Html:
    """The list, a heading a band; `most` lines of each, and bottles named together where there are many orders."""
    rows = act_rows(book)
    if not len(rows):
        return nothing("No order stands: nothing to do but the sampling round.")
    parts: list[Html] = []
    for band, own in rows.groupby("band", sort=False):
        together = band in _OF_BOTTLES and len(own) > 1 and len(rows) > FULL_LINES
        lines = [_together(book, own)] if together else [_line(book, r) for r in own.head(most).itertuples()]
        if len(own) > most and not together:
            lines.append(tag("li", _more(book, own.iloc[most:]), class_="more"))
        head = tag("h3", f"{band} ", tag("span", f"({len(own):,})", class_="small"))
        parts.append(tag("section", head, tag("ul", *lines), class_="band"))
    return join([tag("div", *parts, class_="acts"), _assumed(rows)])


def _more(book: Book, rest: pd.DataFrame) -> Html:
    """What a band leaves out."""
    words = f"{count(len(rest), 'more order')}, at stake {money(float(rest['money_at_stake'].sum()), book.currency)}"
    return join([words, ": ", link("do this month", "#do-this-month") if book.site else "see each site's book"])


def _together(book: Book, own: pd.DataFrame) -> Html:
    """Bottles of one band in one line: which, the chance that each was badly drawn or the grounds, the first day, the
    money of all.
    """
    named = [
        join([book.linked(r.compartment), tag("span", f" ({r.said.rstrip('.')})", class_="small")])
        for r in own.head(MOST_LINES).itertuples()
    ]
    if len(own) > MOST_LINES:
        named.append(safe(f"{len(own) - MOST_LINES:,} more"))
    first = own.sort_values("due_on", na_position="last").iloc[0]
    total = SimpleNamespace(
        money_at_stake=own["money_at_stake"].sum(),
        cost_of_act=own["cost_of_act"].sum(min_count=1),
        assumed=bool(own["assumed"].any()),
    )
    cost = [tag("span", when(first, book.as_of), class_="day"), tag("span", at_stake(book, total), class_="small")]
    return tag(
        "li",
        tag("span", tag("b", f"{len(own)} bottles"), class_="at"),
        tag("span", join(named, "; "), class_="what together"),
        tag("span", join(cost, " · "), class_="cost"),
    )


def _line(book: Book, order: Any) -> Html:
    """One order in one line: where, what, why it is thought so, by when and for how much."""
    where = tag(
        "span",
        state_mark(order.state, word=False),
        " ",
        tag("b", book.linked(order.compartment)),
        _site(book, order),
        class_="at",
    )
    why = tag("span", sentence_of(order.said), class_="small")
    what = tag("span", short_work(order.work), " ", why, class_="what")
    return tag(
        "li",
        where,
        what,
        tag(
            "span",
            tag("span", when(order, book.as_of), class_="day"),
            " · ",
            tag("span", at_stake(book, order), class_="small"),
            " · ",
            tag("span", owner_brief(book, order.compartment), class_="small"),
            class_="cost",
        ),
        data_machine=book.machine_of(order.compartment) or None,
    )


def _site(book: Book, order: Any) -> str:
    return "" if book.site else f", {book.site_names[book.places.loc[order.compartment, 'site']]}"


def sentence_of(text: str) -> str:
    """First letter large, a full stop at the end."""
    return text[:1].upper() + text[1:].rstrip(".") + "." if text else ""


def short_work(work: str) -> str:
    """The order without what its heading already says; of other work its first part, the whole of it stands below and
    on its page.
    """
    text = plain(work)
    if _PREFIX.match(text):
        rest = _PREFIX.sub("", text)
        return rest[:1].upper() + rest[1:]
    return _FIRST_PART.split(text)[0].rstrip(".") + "."


def when(order: Any, today: pd.Timestamp) -> str:
    """`by 4 Jul 2026`, `since 16 May 2026`; of a bottle as it falls due `with the next bottle`."""
    if pd.isna(order.due_on):
        return "with the next bottle"
    if order.due_on < today:
        return f"due since {short_day(order.due_on)}"
    return "today" if order.due_on == today else f"by {short_day(order.due_on)}"


def at_stake(book: Book, order: Any) -> str:
    """`6,800 EUR at stake, 300 EUR to act (assumed)`."""
    words = [
        f"{money(order.money_at_stake, book.currency)} at stake" if order.money_at_stake >= 1 else "",
        f"{money(order.cost_of_act, book.currency)} to act" if pd.notna(order.cost_of_act) else "",
    ]
    return ", ".join(w for w in words if w) + (" (assumed)" if order.assumed else "")


def _assumed(rows: pd.DataFrame) -> Html:
    """What the money of the list means."""
    words = (
        "At stake: what waiting for the next result is expected to cost, the chance of a failure before it times "
        "what a failure costs more than a planned repair."
    )
    if rows["assumed"].astype(bool).any():
        words += " Assumed: by cmkit's starting costs; give the fleet's own in fleet.toml."
    return paragraph(words, class_="note")
