"""Why should I believe it? One page a compartment that needs a look: the order, what it may be, the newest report,
results, rate, limits passed, what was found before.
"""

import re
from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.compartment_data import BOTTLES, PANELS, result_points, telling, with_hours
from cmkit.books.content.compartment_figures import by_fluid, by_hours, by_rate
from cmkit.books.content.display import Fold, Item, Shown, shown
from cmkit.books.content.markup import Html, bullets, facts, join, link, nothing, paragraph, state_mark, table, tag
from cmkit.books.content.sections.acts import said
from cmkit.books.content.sections.hypotheses import hypotheses
from cmkit.books.content.sections.owners import owner
from cmkit.books.content.sections.record import raised_by
from cmkit.books.content.sections.report import newest_report
from cmkit.books.content.sections.work import act_by, money_words
from cmkit.books.content.wording import (
    chance,
    count,
    family_name,
    hours,
    number,
    plain,
    rule_name,
    sentence,
    short_day,
    unit_name,
)

# past so many pages the next keep their evidence and fewer results, so that a book stays small: pages, panels a
# figure, newest bottles
FULL_PAGES = 12
DEPTHS = ((FULL_PAGES, PANELS, BOTTLES), (24, 2, 12), (np.inf, 1, 8))
EVIDENCE_ROWS = 6
BEFORE_LINES = 8
_FOUND = {"defect": "looked into, defect found", "failed": "failed", "no defect": "looked into, nothing wrong found"}
_EXTRA = re.compile(r"a failure costs \S+ \S+ more than a planned repair")
_DONE = {
    "change": "fluid changed",
    "filter": "filter changed",
    "flush": "flushed",
    "repair": "repaired",
    "replace": "replaced",
}
PRINTED = 12  # pages of the most urgent alarms that print without being opened


def compartment_pages(book: Book) -> Shown:
    """The pages, closed until asked for, in the order of the work list."""
    paged = book.paged
    if not paged:
        return shown(nothing("No compartment is in alarm or alert, and no newest bottle is doubted."))
    lead = paragraph(
        f"{count(len(paged), 'compartment')}, in the order of the work list. Open one for its order, what it may be, "
        f"its newest report and its figures. "
        "The pages of alarms print, and any other left open.",
        class_="note",
    )
    return shown(lead, *(compartment_page(book, c, place) for place, c in enumerate(paged)))


def compartment_page(book: Book, compartment: str, place: int = 0) -> Fold:
    """One compartment's page. place: how many are more urgent; past the first of them a page leaves out the rate and
    the view by fluid hours, and draws fewer results (DEPTHS).
    """
    row = book.ranked_by_name.loc[compartment]
    summary = join(
        [
            state_mark(row["state"]),
            " ",
            tag("b", book.place_name(compartment)),
            tag("span", sentence(plain(row["reason"])), class_="small"),
        ]
    )
    items: list[Item] = [
        _opening(book, row),
        hypotheses(book, compartment),
        newest_report(book, compartment),
        *_figures(book, compartment, place),
        _evidence(book, compartment),
        _before(book, compartment),
        paragraph(link("Back to what to do", "#do-this-month"), class_="back"),
    ]
    prints = row["state"] == "alarm" and place < PRINTED
    return Fold(summary, book.address(compartment), tuple(items), prints=prints, machine=book.machine_of(compartment))


def _opening(book: Book, row: pd.Series) -> Html:
    """The order in full: what, by when, on what grounds, for what money, what to check first, what not to do, and what
    is ignored.
    """
    orders = book.of("orders", row["compartment"])
    pairs: list[tuple[str, object]] = [("Do", plain(row["todo"]) or "nothing"), ("When", act_by(row, book.as_of))]
    if len(orders):
        order = next(orders.itertuples())
        pairs.append(("Because", sentence(said(book, order))))
        texts = {
            "Check first": order.check_first,
            "Confirm by": order.confirm,
            "What not to do": order.not_to_do,
        }
        texts["If ignored"] = "; ".join(t for t in (order.if_ignored, _by_then(book, row)) if t)
        pairs += [(name, sentence(plain(text))) for name, text in texts.items() if text]
        pairs.append(("Money", sentence(_money(book, row))))
    pairs.append(("How sure", sentence(plain(row["how_sure"]))))
    if who := owner(book, row["compartment"]):
        pairs.append(("Owner", who))
    if new := _new_component(book, row["compartment"]):
        pairs.append(("New component", new))
    if row["settled_by"]:
        pairs.append(("Before", sentence(plain(row["settled_by"]))))
    return facts([*pairs, ("Compartment", _compartment(book, row["compartment"]))], "facts page")


_RUNS_IN = 1.1  # own choice: factor from which the running-in of a new component is worth a line


def _new_component(book: Book, compartment: str) -> str:
    """How its newest bottle was judged where its component is new; empty where it is not."""
    newest = book.of("exposure", compartment).tail(1)
    if not len(newest) or not newest["running_in"].iloc[0] >= _RUNS_IN:
        return ""
    times, age = float(newest["running_in"].iloc[0]), float(newest["age_h"].iloc[0])
    return (
        f"{hours(age)} of work at its newest bottle. New components of its kind give off more metal while they run in: "
        f"{times:.1f} times the steady rate is usual before this bottle, and it is judged by that."
    )


def _by_then(book: Book, row: pd.Series) -> str:
    """`19 % that it fails within 94 h of work, about 8 Jul 2026`; empty where no fault is suspected, without a day
    while the machine is idle.
    """
    waiting = book.of("waiting", row["compartment"])
    if not len(waiting):
        return ""
    ahead = float(waiting["hours_ahead"].iloc[0])
    use = book.tables.use.set_index("machine")["h_per_day"]
    pace = float(use.get(book.places.loc[row["compartment"], "machine"], 0.0))
    day = f", about {short_day(book.as_of + pd.Timedelta(days=round(ahead / pace)))}," if pace > 0 else ","
    return (
        f"{chance(float(waiting['chance'].iloc[0]))} that it fails within {hours(ahead)} of work{day} before the "
        f"next result can be acted on"
    )


def _money(book: Book, row: pd.Series) -> str:
    waiting = book.of("waiting", row["compartment"])
    extra = _EXTRA.search(waiting["words"].iloc[0]) if len(waiting) else None
    return money_words(book, row) + (f"; {plain(extra[0])}" if extra else "")


def _compartment(book: Book, compartment: str) -> str:
    place = book.places.loc[compartment]
    charge = [
        f"{place['fluid']} {place['grade']}".strip(),
        f"{number(place['capacity_l'])} l"
        if pd.notna(place["capacity_l"])
        else "volume not on record, so a top-up is taken as the usual share of a charge",
    ]
    return (
        f"{compartment}: {', '.join(c for c in charge if c)}; compared with its family, {family_name(place['family'])}"
    )


def _figures(book: Book, compartment: str, place: int) -> list[Item]:
    panels, bottles = next((panels, bottles) for until, panels, bottles in DEPTHS if place < until)
    points = result_points(book, compartment, telling(book, compartment, panels), bottles)
    if not len(points):
        return [nothing("No result to draw.")]
    out: list[Item] = [by_hours(book, compartment, points)]
    if place < FULL_PAGES:
        out += [by_fluid(book, compartment, points), *_rates(book, compartment, points)]
    return out


def _rates(book: Book, compartment: str, points: pd.DataFrame) -> list[Item]:
    """Wear rate over time of the same metals, as far as the assessment has it."""
    analytes = list(dict.fromkeys(points["analyte"]))
    own = book.of("history", compartment)
    own = with_hours(book, own[own["analyte"].isin(analytes)], compartment)
    rated = own[own["order"] >= 1]
    if not len(rated):
        return []
    rated = (
        rated.assign(analyte=pd.Categorical(rated["analyte"], analytes))
        .sort_values(["analyte", "hours"])
        .astype({"analyte": "str"})
    )
    return [by_rate(book, compartment, rated, points), *_make_up(book, compartment), *_work(book, compartment)]


_MAKE_UP = {
    "half": "Top-ups are seldom on record here: half of the usual make-up is assumed, and the rates have wider "
    "intervals.",
    "none": "No top-up is on record here: the rates are not corrected for make-up. If fluid was added, true wear is "
    "faster.",
}


def _make_up(book: Book, compartment: str) -> list[Item]:
    """What the rates assume of fluid added, where the record does not say it."""
    last = book.of("exposure", compartment).tail(1)["makeup_basis"]
    return [paragraph(_MAKE_UP[basis]) for basis in last if basis in _MAKE_UP]


_COUNTED = {"fuel_l": ("the fuel burnt", "l"), "moved_t": ("the tonnes moved", "t")}


def _work(book: Book, compartment: str) -> list[Item]:
    """What the wear goes with where it is not the hours alone, and iron per 1,000 of it."""
    rows = book.of("work", compartment)
    if rows.empty:
        return []
    row, wear = rows.iloc[0], book.of("wear", compartment)
    what, unit = _COUNTED[row["measure"]]
    words = (
        f"Wear of this kind goes with {what}: {chance(row['share'])} of it ({chance(row['share_low'])} to "
        f"{chance(row['share_high'])}), the rest with the hours. Rates are per hour at this machine's usual "
        f"{row['pace']:,.3g} {unit}/h"
    )
    iron = wear.loc[wear["analyte"] == "Fe_ppm", "rate"]
    more = f"; iron {1000 * iron.iloc[0] / row['pace']:.2g} ppm per 1,000 {unit}." if len(iron) else "."
    return [paragraph(words + more, class_="note")]


def _evidence(book: Book, compartment: str) -> Html:
    """Limits passed, newest first: each row a rule, its value and the bound it passed."""
    head = tag("h3", "Limits passed")
    rows = book.of("evidence", compartment)
    if not len(rows):
        return join([head, nothing("No result has passed a limit on any bottle.")])
    rows = rows.sort_values(["drawn_on", "state", "analyte"], ascending=[False, True, True], kind="stable")
    cells = [
        [short_day(r.drawn_on), sentence(plain(r.words)), rule_name(r.rule), _bound(r)]
        for r in rows.head(EVIDENCE_ROWS).itertuples()
    ]
    more = f", the newest {EVIDENCE_ROWS} of {len(rows)}" if len(rows) > EVIDENCE_ROWS else ""
    heads = ["Bottle of", "What was seen", "Limit", "Value and bound"]
    return join([head, table(heads, cells, f"Limits passed{more}", class_="text", hide_caption=not more)])


def _bound(row: Any) -> str:
    """`42 against 36 ppm`; what a bound of a rule means is said by the rule's name."""
    if pd.isna(row.value):
        return "-"
    scale = 1000 if row.unit == "ppm/h" else 1
    unit = "ppm per 1,000 h" if row.unit == "ppm/h" else unit_name(row.unit)
    return f"{number(scale * row.value)} against {number(scale * row.threshold)} {unit}".strip()


def _before(book: Book, compartment: str) -> Html:
    """Findings, past alarms, what was decided, and the services that explain a change of level."""
    lines: list[tuple[pd.Timestamp, str]] = []
    for f in book.of("findings", compartment).itertuples():
        cause, note = (text if pd.notna(text) else "" for text in (f.cause, f.note))
        lines.append((f.found_on, f"{_FOUND[f.outcome]}{f': {cause}' if cause else ''}{f' ({note})' if note else ''}"))
    record, services = book.of("record", compartment), book.of("services", compartment)
    for r in record[record["alarm_on"].notna()].itertuples():
        lead = f", {hours(r.lead_h)} after the warning" if pd.notna(r.lead_h) else ""
        lines.append((r.alarm_on, f"bottle of an alarm ({raised_by(book, r)}): {plain(r.words)}{lead}"))
    for d in book.of("decided", compartment).itertuples():
        due = f", due on {short_day(d.due_on)}" if pd.notna(d.due_on) else ""
        lines.append((d.decided_on, f"{d.decided} by {plain(d.owner)}{due}: {plain(d.why)}"))
    done = services[services["kind"] != "top-up"].sort_values("done_on").tail(3)
    lines += [
        (s.done_on, f"{_DONE.get(s.kind, s.kind)}{f', {number(s.volume_l)} l' if pd.notna(s.volume_l) else ''}")
        for s in done.itertuples()
    ]
    head = tag("h3", "Found and decided before")
    if not lines:
        return tag("div", head, nothing("Nothing on record for this compartment."))
    lines.sort(key=lambda line: line[0], reverse=True)
    items = [f"{short_day(on)}: {words}" for on, words in lines[:BEFORE_LINES]]
    items += (
        [f"and {count(len(lines) - BEFORE_LINES, 'earlier entry', 'earlier entries')}"]
        if len(lines) > BEFORE_LINES
        else []
    )
    return tag("div", head, bullets(items))
