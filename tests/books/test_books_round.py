"""The round sheet: every due bottle has a card, its QR code says number and compartment to a reader that is not ours (zxing), and the
rules of a good bottle are on it (common practice, no source)."""

import base64
import re
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO

import zxingcpp
from PIL import Image

from cmkit.assessment import Assessment
from cmkit.books.content.book import open_book
from cmkit.books.content.sections.cards import bottle_cards, good_bottle, label_text, to_bring

PICTURE = re.compile(r"data:image/png;base64,([A-Za-z0-9+/=]+)")


def read_codes(html: str) -> list[str]:
    """What a general reader finds in each label."""
    pictures = [Image.open(BytesIO(base64.b64decode(data))).convert("RGB") for data in PICTURE.findall(html)]
    return [zxingcpp.read_barcodes(picture)[0].text for picture in pictures]


def test_every_label_can_be_read_and_belongs_to_its_card(made: Callable[..., Assessment]) -> None:
    book = open_book(made(), made().sites["site"].iloc[0])
    cards = book.tables.cards[~book.tables.cards["later"]]
    found = read_codes(bottle_cards(book).text)
    assert len(found) == len(cards) > 3
    assert sorted(found) == sorted(label_text(r.bottle, r.compartment) for r in cards.itertuples())


def test_hostile_names_stay_text_and_in_the_code(made: Callable[..., Assessment]) -> None:
    bad = made("<script>alert(1)</script>")
    book = open_book(bad, bad.sites["site"].iloc[0])
    text = bottle_cards(book).text + to_bring(book).text
    assert "<script" not in text
    assert len(read_codes(text)) == int((~book.tables.cards["later"]).sum())


def test_the_rules_of_a_good_bottle_and_the_cautions() -> None:
    text = good_bottle().text
    for words in ("operator's seat", "within half an hour of working", "half way between the fluid's surface and the bottom, never to the bottom", "never from a hot system", "only where the point is recorded as low-pressure", "Never from the drain stream",
                  "a pump or probe of its own for each fluid, and never one of coolant for oil", "sealed compartment found low has a leak", "manual, local rules and licensed practice come first"):  # fmt: skip
        assert words.lower() in text.replace("&#x27;", "'").lower()


def test_nothing_due_says_so(made: Callable[..., Assessment]) -> None:
    whole = made()
    book = open_book(replace(whole, cards=whole.cards.iloc[:0]), whole.sites["site"].iloc[0])
    assert "nothing is due" in bottle_cards(book).text
    assert "No bottle falls due" in to_bring(book).text
