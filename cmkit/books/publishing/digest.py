"""The month in a few lines, for a mail or a wall: the alarms that stand, then what is new at each site. `digest.json`
for programs, `digest.html` for people.
"""

import json
from pathlib import Path
from typing import Any

from cmkit.assessment import Assessment
from cmkit.books.content.book import Book
from cmkit.books.content.sections.acts import act_rows
from cmkit.books.content.sections.headline import due_counts, headline_words, state_counts
from cmkit.books.content.sections.since import TITLES, changes
from cmkit.books.content.wording import month_name, plain, sentence
from cmkit.books.publishing.static_page import link, plain_page
from cmkit.files import write_file

_NEW = ("raised", "worse", "confirmed", "unfounded", "cleared")
_RAISED = ("raised", "worse")
_SHORT = {"confirmed": "Looked into", "unfounded": "Looked into"}  # what was found stands beside it


def digest(whole: Assessment, month: str) -> dict[str, Any]:
    """fleet, month, as_of, headline, and per site: counts by state, bottles wanted, cost of waiting, alarms that stand
    and what is new (each compartment, place, what, words, todo)."""
    sites = [_site(Book(whole.for_site(site), month, site), site) for site in whole.sites["site"]]
    return {
        "fleet": whole.about["fleet"],
        "month": month,
        "as_of": f"{whole.as_of:%Y-%m-%d}",
        "currency": whole.about["currency"],
        "headline": headline_words(Book(whole, month)),
        "sites": sites,
    }


def _site(book: Book, site: str) -> dict[str, Any]:
    changed = changes(book)
    verdicts = book.tables.verdicts.set_index("compartment")
    todo, reason = verdicts["todo"], verdicts["reason"]
    new = changed[changed["what"].isin(_NEW)]
    return {
        "site": site,
        "name": book.site_names.get(site, site),
        "states": state_counts(book),
        "bottles_wanted": due_counts(book),
        "cost_of_waiting": round(float(book.tables.waiting["cost_of_waiting"].sum()), 2),
        "alarms": [
            {
                "compartment": r.compartment,
                "place": book.place_name(r.compartment),
                "what": "Alarm",
                "words": plain(r.reason),
                "todo": plain(r.todo),
            }
            for r in book.ranked[book.ranked["state"] == "alarm"].itertuples()
        ],
        "new": [
            {
                "compartment": r.compartment,
                "place": book.place_name(r.compartment),
                "what": _SHORT.get(r.what, TITLES[r.what]),
                "words": f"{plain(reason[r.compartment])}; {r.words}" if r.what in _RAISED else r.words,
                "todo": plain(todo.get(r.compartment, "")),
            }
            for r in new.itertuples()
        ],
    }


def write_digest(whole: Assessment, month: str, folder: Path, pages: dict[str, str]) -> None:
    """digest.json and digest.html in `folder`, in the page the alarms in the order of the acts; pages: site -> its
    book's address from there.
    """
    found = digest(whole, month)
    write_file(folder / "digest.json", json.dumps(found, indent=1, ensure_ascii=False) + "\n")
    lines = [
        (part, line, site)
        for part in ("alarms", "new")
        for site in found["sites"]
        for line in site[part]
        if part == "alarms" or line["compartment"] not in {a["compartment"] for a in site["alarms"]}
    ]
    urgent = {c: place for place, c in enumerate(act_rows(Book(whole, month))["compartment"])}
    lines.sort(key=lambda x: (x[0] != "alarms", urgent.get(x[1]["compartment"], len(urgent))))
    rows = [
        [link(line["place"], pages[site["site"]]), site["name"], line["what"], line["todo"], sentence(line["words"])]
        for _, line, site in lines
    ]
    words = [found["headline"]] + ([] if rows else ["No alarm stands, and nothing is new since last month."])
    heads = ["Compartment", "Site", "What", "What to do", "Why"] if rows else []
    page = plain_page(
        f"{found['fleet']}: what is new in {month_name(month)}",
        words,
        heads=heads,
        rows=rows,
        links=[link("All sites", "index.html")],
        long_cells=True,
    )
    write_file(folder / "digest.html", page)
