"""The round sheet a technician carries: what to bring, the rules of a good bottle, and one card a bottle with its label."""

import base64
from io import BytesIO
from typing import Any

import pandas as pd
import segno

from cmkit.books.content.book import Book
from cmkit.books.content.display import Shown, shown
from cmkit.books.content.markup import Html, bullets, facts, join, nothing, paragraph, table, tag
from cmkit.books.content.wording import compartment_name, count, hours, natural_key, short_day
from cmkit.practice.rounds import what_to_bring

_BOXES = ("Date", "Meter hours", "Fluid hours", "Topped up, litres", "Level: full / low / over", "Drawn by", "Seal looked at", "Plug closed to the maker's figure")  # fmt: skip


def to_bring(book: Book) -> Shown:
    """Totals to bring, and what is due but past the crew's capacity."""
    cards = book.tables.cards
    if not len(cards):
        return shown(nothing("No bottle falls due within a month."))
    now = cards[~cards["later"]]
    rows = [[r.item, f"{r.number:g}{' ' + r.unit if r.unit else ''}"] for r in what_to_bring(now).itertuples()]
    left = int(cards["later"].sum())
    words = (
        f"{count(left, 'bottle')} more would be due but do not fit what the crew can draw; they stay on the list."
        if left
        else ""
    )
    head = facts(
        [
            ("Bottles", f"{len(now)}"),
            ("Machines", f"{now['machine'].nunique()}"),
        ]
    )
    return shown(
        head,
        table(["Item", "How many"], rows, "What to bring", hide_caption=True),
        *([paragraph(words)] if words else []),
    )


def good_bottle() -> Shown:
    """The rules of a good bottle and the cautions, short. Common practice; the maker's manual and local rules come first."""
    rules = bullets(
        [
            "Right compartment and right side: left and right are as seen from the operator's seat, facing forward. Check before you open anything.",
            "Fluid warm and mixed: within half an hour of working, machine parked level. Coolant: never from a hot system, except at a valve made and rated for it.",
            "Probe: only at a valve made for it. In hydraulics only where the point is recorded as low-pressure: oil under pressure goes through gloves and skin.",
            "Pump: tube half way between the fluid's surface and the bottom, never to the bottom. Open a warm compartment slowly and never lean over it.",
            "Never from the drain stream. New tube for every bottle; a pump or probe of its own for each fluid, and never one of coolant for oil.",
            "Read the meter, note what was topped up and the level before topping up. A sealed compartment found low has a leak: look for it.",
            "Close, clean and check for drips; torque the plug to the maker's figure; label the bottle before you walk away.",
        ]
    )
    caution = paragraph(
        tag("strong", "Take care: "),
        "hot fluid, pressure in a warm compartment, moving machinery, slippery ground, skin contact and waste fluid. Isolate by the site's "
        "own procedure. The machine maker's manual, local rules and licensed practice come first.",
        class_="caution",
    )
    return shown(caution, rules)


def bottle_cards(book: Book) -> Shown:
    """One card a bottle, machine by machine in walking order."""
    cards = book.tables.cards
    cards = cards[~cards["later"]]
    if not len(cards):
        return shown(nothing("No cards: nothing is due."))
    parts = []
    for machine in sorted(cards["machine"].unique(), key=natural_key):
        own = cards[cards["machine"] == machine]
        parts.append(tag("h3", machine))
        parts.append(tag("div", *[_card(r) for r in own.itertuples()], class_="cards"))
    return shown(join(parts))


def _card(card: Any) -> Html:
    lines = facts(
        [
            ("Draw by", card.tool),
            ("Tube", card.tube_words),
            ("Fluid", ", ".join(x for x in (card.fluid, card.grade) if isinstance(x, str) and x)),
            (
                "Due",
                f"{f'at {hours(card.due_meter_h)} on the meter, ' if pd.notna(card.due_meter_h) else ''}{short_day(card.due_on)} ({card.why})",
            ),
            ("Ready it", card.ready),
            ("Level", card.level_words),
        ]
    )
    boxes = tag("ul", *[tag("li", tag("span", box)) for box in _BOXES], class_="boxes")
    title = tag("h4", f"{card.machine}: {compartment_name(card.kind, card.position)}")
    side = paragraph(tag("strong", card.side)) if card.side else Html("")
    return tag("article", tag("div", title, side, lines, class_="card-words"), _label(card), boxes, class_="card")


def _label(card: Any) -> Html:
    """The bottle's label: number, whose it is, and both as a QR code."""
    side = f" {card.position}" if isinstance(card.position, str) and card.position else ""
    store = BytesIO()
    segno.make(label_text(card.bottle, card.compartment), error="m", micro=False).save(
        store, kind="png", scale=4, border=2
    )
    picture = "data:image/png;base64," + base64.b64encode(store.getvalue()).decode("ascii")
    code = tag("img", src=picture, alt=f"QR code of bottle {card.bottle}", width="132", height="132")
    return tag(
        "div",
        code,
        paragraph(tag("strong", card.bottle)),
        paragraph(f"{card.machine}, {card.kind}{side}", class_="small"),
        class_="label",
    )


def label_text(bottle: str, compartment: str) -> str:
    """What a label's QR code says: number and compartment on two lines, so that a reader without our tools can use it too."""
    return f"{bottle}\n{compartment}"
