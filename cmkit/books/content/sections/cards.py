"""The round sheet a technician carries: what to bring, the rules of a good bottle, and one card a bottle with its
label.
"""

import base64
from io import BytesIO
from typing import Any

import pandas as pd
import segno

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Html, bullets, facts, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import compartment_name, count, hours, natural_key, number, short_day, weekday
from cmkit.practice.card_texts import STEPS, STOP, card_words
from cmkit.practice.drawing import NO_DRAWING
from cmkit.practice.rounds import what_to_bring
from cmkit.tables.practice import DUPLICATE

# one box a column of the field sheet, in its order, but for the day of sending: that is known where bottles are packed
BOXES = {
    "drawn_on": "Date",
    "meter_h": "Meter hours",
    "fluid_h": "Fluid hours",
    "makeup_l": "Added, litres",
    "method": "Pump/probe/other",
    "fluid_level": "Level: full / low / over",
    "sampler": "Name",
    "seal_inspected": "Seal: yes / no",
    "plug_torqued": "Torque: yes / no",
    "note": "Note / why not",
}


def to_bring(book: Book) -> Shown:
    """Totals to bring, and what is due but past the crew's capacity."""
    cards = book.tables.cards
    if not len(cards):
        return shown(nothing("No bottle falls due within a month."))
    now = cards[~cards["later"]]
    rows = [[r.item, f"{r.number:g}{' ' + r.unit if r.unit else ''}", r.why] for r in what_to_bring(now).itertuples()]
    drawn = now[now["method"] != NO_DRAWING]
    head = facts(
        [
            ("Bottles", f"{len(drawn)}"),
            ("Machines", f"{drawn['machine'].nunique()}"),
            ("Days", f"{drawn['plan_on'].nunique()}"),
        ]
    )
    left = int(cards["later"].sum())
    words = (
        [
            paragraph(
                f"{count(left, 'more bottle')} would be due but do not fit what the crew can draw; they stay on the "
                f"list."
            )
        ]
        if left
        else []
    )
    return shown(
        head, table(["Item", "How many", "Why"], rows, "What to bring", class_="text", hide_caption=True), *words
    )


def good_bottle() -> Shown:
    """The rules of a good bottle and the cautions, short. Common practice; the maker's manual and local rules come
    first.
    """
    rules = bullets(
        [
            "Right compartment and right side: left and right are as seen from the operator's seat, facing forward. "
            "Check before you open anything.",
            "Fluid warm and mixed: within half an hour of working, machine parked level. Coolant: never from a hot "
            "system, except at a valve made and rated for it.",
            "Probe: only at a valve made for it. In hydraulics only where the point is recorded as low-pressure: oil "
            "under pressure goes through gloves and skin.",
            "Pump: tube half way between the fluid's surface and the bottom, never to the bottom. Open a warm "
            "compartment slowly and never lean over it.",
            "Never from the drain stream. New tube for every bottle; a pump or probe of its own for each fluid, and "
            "never one of coolant for oil.",
            "Read the meter, note what was topped up and the level before topping up. A sealed compartment found low "
            "has a leak: look for it.",
            "Close, clean and check for drips; torque the plug to the maker's figure; label the bottle before you "
            "walk away.",
        ]
    )
    caution = paragraph(
        tag("strong", "Take care: "),
        "hot fluid, pressure in a warm compartment, moving machinery, slippery ground, skin contact and waste fluid. "
        "Isolate by the site's "
        "own procedure. The machine maker's manual, local rules and licensed practice come first.",
        class_="caution",
    )
    return shown(caution, rules)


def points_to_name(book: Book) -> Shown:
    """Compartments that are due and have no card: the register names no sampling point at which a probe is safe."""
    cards = book.tables.cards
    rows = cards[cards["method"] == NO_DRAWING]
    if not len(rows):
        return shown(nothing("Every compartment that is due has a sampling point that is recorded as safe."))
    words = card_words(NO_DRAWING, "", coolant=False, values={})[0][2]
    names = [f"{r.machine}: {compartment_name(r.kind, r.position)}" for r in rows.itertuples()]
    return shown(paragraph(tag("strong", "No card for these. "), words, class_="caution"), bullets(names))


def bottle_cards(book: Book) -> Shown:
    """One card a bottle, day by day and machine by machine, the cleanest system of a machine first."""
    cards = book.tables.cards
    cards = cards[~cards["later"] & (cards["method"] != NO_DRAWING)]
    if not len(cards):
        return shown(nothing("No cards: nothing is due."))
    parts = []
    for day in sorted(cards["plan_on"].unique()):
        today = cards[cards["plan_on"] == day]
        for machine in sorted(today["machine"].unique(), key=natural_key):
            own = today[today["machine"] == machine]
            parts.append(tag("h3", f"{weekday(pd.Timestamp(day))}: {machine}, {count(len(own), 'bottle')}"))
            parts.append(tag("div", *[_card(r) for r in own.itertuples()], class_="cards"))
    return shown(join(parts))


def _card(card: Any) -> Html:
    steps = pd.DataFrame(card_words(card.method, card.kind, bool(card.coolant), _values(card)), columns=STEPS)
    phases = [_phase(name, own) for name, own in steps[steps["phase"] != STOP].groupby("phase", sort=False)]
    stop = " ".join(steps.loc[steps["phase"] == STOP, "words"])
    boxes = [
        tag("li", tag("span", words), class_="wide-box" if name == "note" else None) for name, words in BOXES.items()
    ]
    parts = [
        _head(card),
        _label(card),
        tag("div", *phases, class_="steps"),
        paragraph(tag("strong", "STOP. "), stop, class_="stop"),
        tag("ul", *boxes, class_="boxes"),
    ]
    return tag("article", *parts, class_="card again" if _again(card) else "card")


def _values(card: Any) -> dict[str, object]:
    """What the steps of `reference/cards.csv` name."""
    return {
        "where": f"At the {card.where}" if card.access or card.coolant else card.where,
        "tool": card.tool,
        "tube": card.tube_words,
        "purge_ml": number(card.dead_ml * card.purge_times),
        "times": number(card.purge_times),
        "dead_ml": f"{number(card.dead_ml)} ml{', the usual of its kind: not on record' if card.dead_assumed else ''}",
    }


def _again(card: Any) -> str:
    """Why this bottle is a repeat; empty for a routine one."""
    return str(card.why) if str(card.why).startswith("repeat") else ""


def _phase(name: str, steps: pd.DataFrame) -> Html:
    """Numbered steps under their heading, counted on from the phase before; what can hurt stands in bold."""
    items = [
        tag("li", tag("strong", r.words) if r.point in ("where", "pressure") else r.words) for r in steps.itertuples()
    ]
    return tag("section", tag("h5", name), tag("ol", *items, start=str(steps.index[0] + 1)))


_DUPLICATE = "a second bottle, right after the first; the laboratory sees its number only, the office keeps the pair"


def _head(card: Any) -> Html:
    again = [paragraph(tag("strong", f"REPEAT: {_again(card)}"), class_="repeat")] if _again(card) else []
    title = tag("h4", f"{card.machine}: {compartment_name(card.kind, card.position)}")
    side = [paragraph(tag("strong", card.side), class_="side")] if card.side != card.position else []
    visit = f"Bottle {card.visit} of this compartment in this round" if card.visit > 1 else ""
    visit = _DUPLICATE if card.why == DUPLICATE else visit
    lines = [
        ("Draw", f"{weekday(card.plan_on)}, with the {card.tool}"),
        ("Due", _due(card)),
        ("Fluid", ", ".join(x for x in (card.fluid, card.grade, visit) if isinstance(x, str) and x) or "not recorded"),
    ]
    return tag("div", *again, title, *side, facts(lines), class_="card-words")


def _due(card: Any) -> str:
    """When it is due; a repeat that is asked for at once has no meter hours to wait for."""
    if _again(card) and card.due_on < card.plan_on:
        return "as soon as it can be drawn"
    meter = f"{hours(card.due_meter_h)} on the meter, " if pd.notna(card.due_meter_h) else ""
    return f"{meter}{short_day(card.due_on)} ({card.why})"


def _label(card: Any) -> Html:
    """The bottle's label: number, whose it is, and both as a QR code with its four modules of white on every side."""
    store = BytesIO()
    code = segno.make(label_text(card.bottle, card.compartment), error="m", micro=False)
    code.save(store, kind="png", scale=4, border=4)
    picture = "data:image/png;base64," + base64.b64encode(store.getvalue()).decode("ascii")
    image = tag("img", src=picture, alt=f"QR code of bottle {card.bottle}", width="132", height="132")
    words = [
        paragraph(tag("strong", card.bottle)),
        paragraph(f"{card.machine}, {compartment_name(card.kind, card.position)}"),
        paragraph("Cut on the line", class_="small"),
    ]
    return tag("div", image, tag("div", *words), class_="label")


def label_text(bottle: str, compartment: str) -> str:
    """What a label's QR code says: number and compartment on two lines, so that a reader without our tools can use it
    too.
    """
    return f"{bottle}\n{compartment}"
