"""Why should I believe it? One page a compartment that needs a look: results, rate, forecast, evidence, causes, what was found before."""

from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.compartment_data import BOTTLES, PANELS, family_limits_of, result_points, telling, with_hours
from cmkit.books.content.display import Fold, Item, Shown, shown
from cmkit.books.content.figures.results import results_over_fluid, results_over_hours
from cmkit.books.content.figures.wear_rate import forecast_fan, rate_over_time
from cmkit.books.content.markup import Html, bullets, facts, join, link, nothing, paragraph, state_mark, table, tag
from cmkit.books.content.sections.work import by_when
from cmkit.books.content.wording import (
    analyte_name,
    chance,
    count,
    hours,
    money,
    number,
    plain,
    rule_name,
    sentence,
    short_day,
    unit_name,
)

# past so many pages the next keep their evidence and fewer results, so that a book stays small: pages, panels a figure, newest bottles
FULL_PAGES = 12
DEPTHS = ((FULL_PAGES, PANELS, BOTTLES), (40, 2, 12), (np.inf, 1, 12))
EVIDENCE_ROWS = 6
LEAST_CHANCE = 0.01


def compartment_pages(book: Book) -> Shown:
    """The pages, closed until asked for, in the order of the work list."""
    paged = book.paged
    if not paged:
        return shown(nothing("No compartment is in alarm or alert."))
    lead = paragraph(
        f"{count(len(paged), 'compartment')}, in the order of the work list. Open one for its results, its rate and what speaks for and against; those left open are printed.",
        class_="note",
    )
    return shown(lead, *(compartment_page(book, c, place) for place, c in enumerate(paged)))


def compartment_page(book: Book, compartment: str, place: int = 0) -> Fold:
    """One compartment's page. place: how many are more urgent; past the first of them a page leaves out the rate, the forecast and the
    view by fluid hours, and draws fewer results (DEPTHS).
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
        *_figures(book, compartment, place),
        _evidence(book, compartment),
        _causes(book, compartment),
        _before(book, compartment),
        paragraph(link("Back to what to do", "#do-this-month"), class_="back"),
    ]
    return Fold(summary, book.address(compartment), tuple(items))


def _opening(book: Book, row: pd.Series) -> Html:
    place = book.places.loc[row["compartment"]]
    pairs: list[tuple[str, object]] = [("Do", plain(row["todo"]) or "nothing"), ("When", by_when(row["due_meter_h"], row["due_on"], row["overdue"])),
             ("How sure", sentence(plain(row["how_sure"])))]  # fmt: skip
    waiting = book.of("waiting", row["compartment"])
    if len(waiting):
        pairs.append(
            (
                "Cost of waiting",
                f"about {money(waiting['cost_of_waiting'].iloc[0], book.currency)}: {plain(waiting['words'].iloc[0])}",
            )
        )
    if row["believed"] < 0.5:
        doubts = book.of("doubts", row["compartment"])
        words = doubts.loc[doubts["sample"] == row["sample"], "reason"]
        pairs.append(("Newest bottle", f"doubted: {'; '.join(words) or 'see below'}"))
    charge = [
        f"{place['fluid']} {place['grade']}".strip(),
        f"{number(place['capacity_l'])} l" if pd.notna(place["capacity_l"]) else "",
    ]
    pairs.append(
        (
            "Compartment",
            f"{place['compartment']}: {', '.join(c for c in charge if c)}; compared with its family, {place['family']}",
        )
    )
    return facts(pairs, "facts page")


def _figures(book: Book, compartment: str, place: int) -> list[Item]:
    panels, bottles = next((panels, bottles) for until, panels, bottles in DEPTHS if place < until)
    points = result_points(book, compartment, telling(book, compartment, panels), bottles)
    if not len(points):
        return [nothing("No result to draw.")]
    where = book.place_name(compartment)
    levels = family_limits_of(book, compartment, "level")
    out: list[Item] = [results_over_hours(points, levels, where)]
    if place < FULL_PAGES:
        out += [
            results_over_fluid(points, levels, where),
            *_rate_and_fan(book, compartment, list(dict.fromkeys(points["analyte"])), where),
        ]
    return out


def _rate_and_fan(book: Book, compartment: str, analytes: list[str], where: str) -> list[Item]:
    """Rate over time and forecast of the same metals, as far as the assessment has them."""
    own = book.of("history", compartment)
    own = with_hours(book, own[own["analyte"].isin(analytes)], compartment)
    ahead = book.of("forecast", compartment)
    ahead = ahead[
        ahead["analyte"].isin(own["analyte"]) & ahead["limit"].notna() & (ahead["hours_ahead"] > 0)
    ].sort_values("chance", ascending=False)
    out: list[Item] = []
    rated = own[own["order"] >= 1]
    if len(rated):
        rated = (
            rated.assign(analyte=pd.Categorical(rated["analyte"], analytes))
            .sort_values(["analyte", "hours"])
            .astype({"analyte": "str"})
        )
        out.append(rate_over_time(rated, family_limits_of(book, compartment, "rate"), where))
    if len(ahead):
        likely = ahead[ahead["chance"] >= LEAST_CHANCE]
        out.append(forecast_fan(own, likely.head(2) if len(likely) else ahead.head(1), where))
    return out


def _evidence(book: Book, compartment: str) -> Html:
    """What fired, newest first: each row a rule, its value and the bound it passed."""
    rows = book.of("evidence", compartment)
    if not len(rows):
        return tag("div", tag("h3", "Evidence"), nothing("No rule has fired on any bottle; see the reason above."))
    rows = rows.sort_values(["drawn_on", "state", "analyte"], ascending=[False, True, True], kind="stable")
    cells = [
        [short_day(r.drawn_on), state_mark(r.state), sentence(plain(r.words)), rule_name(r.rule), _bound(r)] for r in rows.head(EVIDENCE_ROWS).itertuples()
    ]  # fmt: skip
    more = f", the newest {EVIDENCE_ROWS} of {len(rows)}" if len(rows) > EVIDENCE_ROWS else ""
    return join(
        [
            tag("h3", "Evidence"),
            table(
                ["Bottle of", "State", "What was seen", "Rule", "Value and bound"],
                cells,
                f"Rules that fired{more}",
                class_="text",
            ),
        ]
    )


def _bound(row: Any) -> str:
    """`42 ppm against 36 ppm`; what a bound of a rule means is said by the rule's name."""
    if pd.isna(row.value):
        return "-"
    if row.unit == "chance":
        return f"{chance(row.value)} against {chance(row.threshold)}"
    scale = 1000 if row.unit == "ppm/h" else 1
    units = {
        "ppm/h": "ppm per 1,000 h",
        "sd": "times the usual scatter",
        "likelihood ratio": "on the scale of lasting rises",
    }
    unit = units.get(row.unit, unit_name(row.unit))
    return f"{number(scale * row.value)} against {number(scale * row.threshold)} {unit}".strip()


def _causes(book: Book, compartment: str) -> Html:
    rows = book.of("causes", compartment)
    if not len(rows):
        return tag(
            "div", tag("h3", "Likely causes"), nothing("The results fit no known pattern well enough to name a cause.")
        )
    rows = rows.sort_values("score", ascending=False).head(3)
    cells = [
        [r.cause, _strength(r.score), plain(r.evidence_for) or "-", plain(r.evidence_against) or "-", r.look_at or "-"]
        for r in rows.itertuples()
    ]
    caption = "Patterns that fit, best first; a pattern is a hint where to look, not a diagnosis"
    return join(
        [
            tag("h3", "Likely causes"),
            table(["Cause", "Fit", "For", "Against", "Look at"], cells, caption, class_="text"),
        ]
    )


def _strength(score: float) -> str:
    return f"{'strong' if score >= 0.66 else 'fair' if score >= 0.33 else 'weak'} ({number(score, 2)})"


def _before(book: Book, compartment: str) -> Html:
    """Findings, past alarms, and the services that explain a change of level."""
    lines: list[tuple[pd.Timestamp, str]] = []
    for f in book.of("findings", compartment).itertuples():
        words = {
            "defect": "looked into, defect found",
            "failed": "failed",
            "no defect": "looked into, nothing wrong found",
        }[f.outcome]
        cause, note = (text if pd.notna(text) else "" for text in (f.cause, f.note))
        lines.append((f.found_on, f"{words}{f': {cause}' if cause else ''}{f' ({note})' if note else ''}"))
    record, services = book.of("record", compartment), book.of("services", compartment)
    for r in record[record["alarm_on"].notna()].itertuples():
        lead = f", {hours(r.lead_h)} before it was looked into" if pd.notna(r.lead_h) else ""
        named = ", ".join(analyte_name(a) for a in r.analytes.split(", ") if a) or "fluid level"
        lines.append((r.alarm_on, f"alarm ({named}): {r.words}{lead}"))
    done = services[services["kind"] != "top-up"].sort_values("done_on").tail(3)
    lines += [
        (s.done_on, f"{s.kind}{f', {number(s.volume_l)} l' if pd.notna(s.volume_l) else ''}") for s in done.itertuples()
    ]
    if not lines:
        return tag("div", tag("h3", "Found before"), nothing("Nothing on record for this compartment."))
    lines.sort(key=lambda line: line[0], reverse=True)
    return tag("div", tag("h3", "Found before"), bullets([f"{short_day(on)}: {words}" for on, words in lines]))
