"""The round sheet: every due bottle has a card, its QR code says number and compartment to a reader that is not ours
(zxing), and the rules of a good bottle are on it (common practice, no source)."""

import base64
import re
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image, ImageOps
from playwright.sync_api import Browser
from pypdf import PdfReader

from cmkit.assessment import Assessment
from cmkit.books.content.book import open_book
from cmkit.books.content.sections.cards import (
    BOXES,
    bottle_cards,
    good_bottle,
    label_text,
    points_to_name,
    to_bring,
)
from cmkit.books.running.run import run_book
from cmkit.practice.sheets import FILLED
from tests.books.conftest import HOSTILE
from tests.lengths import some_or_all

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
    bad = made(HOSTILE)
    book = open_book(bad, bad.sites["site"].iloc[0])
    text = bottle_cards(book).text + to_bring(book).text
    assert "<script" not in text
    assert len(read_codes(text)) == int((~book.tables.cards["later"]).sum())


def test_the_rules_of_a_good_bottle_and_the_cautions() -> None:
    text = good_bottle().text
    for words in ("operator's seat", "within half an hour of working", "half way between the fluid's surface and the "
    "bottom, never to the bottom", "never from a hot system", "only where the point is recorded as low-pressure",
    "Never from the drain stream",
                  "a pump or probe of its own for each fluid, and never one of coolant for oil", "sealed compartment "
                  "found low has a leak", "manual, local rules and licensed practice come first"):  # fmt: skip
        assert words.lower() in text.replace("&#39;", "'").lower()


def with_cards(whole: Assessment, **changed: object) -> Assessment:
    """The assessment with columns of its first card changed."""
    cards = whole.cards.copy()
    for name, value in changed.items():
        cards.loc[cards.index[0], name] = value
    return replace(whole, cards=cards)


def test_the_quiet_zone_of_a_code_is_four_modules(made: Callable[..., Assessment]) -> None:
    """ISO/IEC 18004 asks for four modules of white on every side of a QR code, from memory; a cut along the line leaves
    them.
    """
    book = open_book(made(), made().sites["site"].iloc[0])
    picture = Image.open(BytesIO(base64.b64decode(PICTURE.findall(bottle_cards(book).text)[0]))).convert("L")
    left, top, right, bottom = ImageOps.invert(picture).getbbox()
    assert {left, top, picture.width - right, picture.height - bottom} == {4 * 4}


def test_boxes_are_the_columns_of_the_field_sheet() -> None:
    """What is written on the card is typed into the sheet, box by box; the day of sending is known only when bottles
    are packed.
    """
    assert list(BOXES) == [name for name in FILLED if name != "sent_on"]


def test_a_repeat_is_marked_and_a_further_bottle_of_a_compartment_counted(made: Callable[..., Assessment]) -> None:
    whole = made()
    site = whole.cards["site"].iloc[0]
    text = bottle_cards(open_book(with_cards(whole, why="repeat after alarm", visit=2, later=False), site)).text
    assert "REPEAT: repeat after alarm" in text
    assert "Bottle 2 of this compartment in this round" in text
    assert text.count('class="card again"') == text.count("REPEAT: ")


def test_a_compartment_without_a_safe_point_has_no_card_but_a_request(made: Callable[..., Assessment]) -> None:
    whole = made()
    site, name = whole.cards[["site", "machine"]].iloc[0]
    before = open_book(whole, site)
    after = open_book(with_cards(whole, method="none", tool="", plan_on=None, later=False), site)
    assert bottle_cards(after).text.count("<article") == bottle_cards(before).text.count("<article") - 1
    request = points_to_name(after).text
    assert "Do not draw" in request
    assert f"<li>{name}: " in request
    assert "recorded as safe" in points_to_name(before).text


def test_spare_bottles_are_explained(made: Callable[..., Assessment]) -> None:
    whole = made()
    text = to_bring(open_book(whole, whole.sites["site"].iloc[0])).text
    assert re.search(r"\d+ to draw and \d+ spare, for one dropped, dirtied or overfilled", text)


@pytest.fixture(scope="module")
def sheet(made: Callable[..., Assessment], root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made round sheet."""
    folder = tmp_path_factory.mktemp("round")
    made().save(folder / "data")
    parameters = {"assessment": "data", "month": "2026-06", "site": "north pit"}
    page = {"kind": "round", "title": "Round", "as_of": "2026-06-30"}
    result = run_book(root / "notebooks" / "round_sheet.ipynb", parameters, folder, name="round", page=page)
    assert result.made, result.error
    return folder / "round.html"


SMALLEST = (
    "[...document.querySelectorAll('.boxes li')].map((e) => e.getBoundingClientRect()).reduce((s, r) => "
    "[Math.min(s[0], r.width), Math.min(s[1], r.height)], [1e9, 1e9])"
)  # fmt: skip
MM = 96 / 25.4  # CSS pixels


@pytest.mark.browser
@some_or_all("width", [360, 768, 1280])
def test_the_sheet_is_sound_and_its_boxes_are_large_enough_for_gloves(
    sheet: Path, look_at: Callable, chromium: Browser, width: int
) -> None:
    """At least 12 x 35 mm (common practice, no source): a gloved hand writes about 8 mm high."""
    assert look_at(sheet, width).faults == []
    page = chromium.new_page(viewport={"width": width, "height": 900}, offline=True)
    page.goto(sheet.as_uri())
    wide, high = page.evaluate(SMALLEST)
    page.close()
    assert wide >= 35 * MM - 0.5
    assert high >= 12 * MM - 0.5


@pytest.mark.browser
@some_or_all("paper", ["A4", "Letter"])
def test_two_cards_stand_on_a_sheet_of_paper(sheet: Path, chromium: Browser, tmp_path: Path, paper: str) -> None:
    """No card is cut by the end of a page, and no page has less than two but the first (the rules) and the last."""
    page = chromium.new_page(offline=True)
    page.goto(sheet.as_uri())
    page.pdf(path=str(tmp_path / "round.pdf"), format=paper)
    cards = page.locator(".card").count()
    page.close()
    texts = [p.extract_text() for p in PdfReader(tmp_path / "round.pdf").pages]
    starts, ends = ([t.count(words) for t in texts] for words in ("Get ready", BOXES["note"]))
    assert starts == ends
    assert sum(starts) == cards > 3
    assert set([n for n in starts if n][:-1]) == {2}


def test_nothing_due_says_so(made: Callable[..., Assessment]) -> None:
    whole = made()
    book = open_book(replace(whole, cards=whole.cards.iloc[:0]), whole.sites["site"].iloc[0])
    assert "nothing is due" in bottle_cards(book).text
    assert "No bottle falls due" in to_bring(book).text
