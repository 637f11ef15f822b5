"""The pages against what is true: the demo's faults, badly drawn bottles and wrong oil (sample_data/truth, made by its
simulator and read by nothing that estimates), and every number of a page's text against the tables of the
assessment."""

import functools
import itertools
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from cmkit.assessment import Assessment, table_names
from cmkit.books.content import site_book
from cmkit.books.content.book import Book, open_book
from cmkit.books.content.compartment_data import coming, newest_rates, result_points, telling
from cmkit.books.content.figures.results import Ahead
from cmkit.books.content.markup import Html
from cmkit.books.content.sections.acts import act_rows
from cmkit.books.content.wording import chance, hours, money, number, plain
from cmkit.fluids.cleanliness import iso_codes
from cmkit.judge.words import odds_text
from tests.page_words import words_of

# what the simulator calls a fault, and what a page must say of it (the words of reference/faults.csv)
SAID = {
    "pump wear": ("a pump is wearing",),
    "coolant leak": ("coolant is getting in",),
    "seal leak": ("a seal is leaking",),
    "bearing fatigue": ("a bearing or gear is breaking up",),
    "inhibitor depletion": ("the coolant's inhibitor is used up",),
    "dirt entry": ("dirt is getting in",),
    "fuel dilution": ("fuel is getting into the oil",),
    "bushing wear": ("bushes or thrust washers are wearing", "thrust washers or bushes are wearing"),
}
BADLY_DRAWN = {
    "drain stream": "the bottle was drawn from the bottom or the drain",
    "dirty pump": "dirt was in the bottle or the pump",
}


@pytest.fixture(scope="module")
def books(demo: Assessment) -> dict[str, Book]:
    """Site -> its book."""
    return {site: open_book(demo, site) for site in demo.sites["site"]}


@pytest.fixture(scope="module")
def truth(root: Path) -> dict[str, pd.DataFrame]:
    folder = root / "sample_data" / "truth"
    return {name: pd.read_csv(folder / f"{name}.csv") for name in ("faults", "samples", "topups")}


def page_of(books: dict[str, Book], compartment: str) -> tuple[Book, str]:
    """The book a compartment is in, and the text of its page; empty when it has none."""
    book = next(b for b in books.values() if compartment in b.places.index)
    return book, page_text(book, compartment) if compartment in book.paged_set else ""


def page_text(book: Book, compartment: str) -> str:
    """What a page says, without figures: a blank between elements, no no-break spaces."""
    page = site_book.compartment_page(book, compartment, book.paged.index(compartment))
    text = str(page.summary) + " ".join(str(item) for item in page.items if isinstance(item, Html))
    return words_of(text)


def test_every_fault_that_is_there_is_named_first_on_its_page(books: dict[str, Book], truth: dict) -> None:
    """Nine faults grow on the last day: each page is in alarm and says first what is so."""
    active = truth["faults"][truth["faults"]["how"] == "open"]
    assert len(active) == 9
    for row in active.itertuples():
        book, text = page_of(books, row.compartment)
        assert book.ranked_by_name.loc[row.compartment, "state"] == "alarm", row.compartment
        because = text[text.index("Because") : text.index("Check first")]
        assert any(words in because for words in SAID[row.cause]), f"{row.compartment}: {because}"
        named = text[text.index("What it may be") : text.index("The newest report")].lower()
        found = [place for place in (named.find(words.lower()) for words in SAID[row.cause]) if place >= 0]
        others = [named.find(w.lower()) for cause, ws in SAID.items() if cause != row.cause for w in ws]
        assert found
        assert min(found) < min([p for p in others if p >= 0], default=len(named))


def test_no_alarm_is_false(books: dict[str, Book], truth: dict) -> None:
    """The only alarm without a fault is another oil put in, which is true."""
    active = set(truth["faults"].loc[truth["faults"]["how"] == "open", "compartment"])
    alarms = {c for b in books.values() for c in b.ranked.loc[b.ranked["state"] == "alarm", "compartment"]}
    wrong_oil = truth["topups"][
        (truth["topups"]["fluid"] == "wrong fluid") & (truth["topups"]["done_on"] >= "2026-05-01")
    ]
    assert alarms - active == set(wrong_oil["compartment"])
    for compartment in wrong_oil["compartment"]:
        assert "that another oil was put in" in page_of(books, compartment)[1]


def test_badly_drawn_bottles_ask_for_a_repeat_and_accuse_no_machine(books: dict[str, Book], truth: dict) -> None:
    """The newest bottle of every compartment with an order to draw again was badly drawn, in the way the page says."""
    drawn = truth["samples"].set_index("sample")["drawing"]
    active = set(truth["faults"].loc[truth["faults"]["how"] == "open", "compartment"])
    seen = 0
    for book in books.values():
        rows = act_rows(book)
        for order in rows[rows["group"] == "repeat bottle"].itertuples():
            _, text = page_of(books, order.compartment)
            bottle = book.ranked_by_name.loc[order.compartment, "sample"]
            assert order.compartment not in active
            assert BADLY_DRAWN[drawn[bottle]] in text, order.compartment
            now = text[: text.index("The newest report")]
            assert not any(f"% that {words}" in now for words in itertools.chain(*SAID.values()))
            seen += 1
    assert seen == 3


def test_sound_compartments_have_no_page_or_one_that_says_how_little_it_knows(
    books: dict[str, Book], truth: dict
) -> None:
    """Raised without a fault: nothing there is called more likely than not, and no stop is ordered."""
    faulty = set(truth["faults"].loc[truth["faults"]["how"] == "open", "compartment"])
    wrong_oil = set(truth["topups"].loc[truth["topups"]["fluid"] == "wrong fluid", "compartment"])
    for book in books.values():
        for compartment in set(book.paged) - faulty - wrong_oil:
            order = book.of("orders", compartment).iloc[0]
            assert not order["chance"] >= 0.5
            assert order["group"] != "stop and check"


def texts_and_numbers(book: Book, compartment: str) -> tuple[set[str], np.ndarray]:
    """Every text and every number (dates as days apart from it) that the tables hold about a compartment, its family
    and its sister.
    """
    place = book.places.loc[compartment]
    family = place["family"]
    texts, numbers = {book.month}, [0.0]
    for name in table_names():
        frame = getattr(book.tables, name)
        if "compartment" in frame:
            own = book.of(name, compartment)
        else:
            own = frame[frame["family"] == family] if "family" in frame else frame.iloc[:0]
            if name == "fresh":
                own = frame[
                    (frame["site"] == place["site"])
                    & (frame["fluid"] == place["fluid"])
                    & (frame["grade"] == place["grade"])
                ]
        for column in own:
            values = own[column]
            if pd.api.types.is_bool_dtype(values):
                continue
            if pd.api.types.is_numeric_dtype(values):
                numbers.extend(values.dropna().to_numpy(float))
            elif pd.api.types.is_datetime64_any_dtype(values):
                texts.update(f"{d.day} {d:%b} {d.year}" for d in values.dropna().unique())
            else:
                texts.update(plain(str(v)).replace("\u00a0", " ") for v in values.dropna().unique())
    return texts, np.unique(numbers)


def allowed(book: Book, compartment: str, texts: set[str], numbers: np.ndarray) -> set[str]:
    """Every number as the pages may write it: from the tables as it is, per 1,000 h, in per cent, as odds, as what a
    page derives.
    """
    sister = site_book_sister(book, compartment)
    numbers = np.concatenate([numbers, sister, usual_of(book, compartment)])
    shown = {f"{len(book.of('evidence', compartment)):,}", "6", "8", "9", "10", "4406", "1,000", "1", "40", "99", "2"}
    finite = np.unique(numbers[np.isfinite(numbers)])
    for x, code in zip(finite.tolist(), iso_codes(finite).tolist(), strict=True):
        shown |= written(x, f"{code:.0f}")
    for text in texts:
        shown.update(tokens(text))
    left = 1 - book.of("hypotheses", compartment).query("about == 'compartment'")["chance"].sum()
    return shown | set(tokens(chance(left))) | set(tokens(compartment))


@functools.cache
def written(x: float, code: str) -> frozenset[str]:
    """The forms in which a page may write a number of a table; code: as a count of particles, ISO 4406."""
    forms = (
        number(x),
        number(x, 4),
        number(x, 2),
        hours(x),
        money(x, ""),
        number(1000 * x),
        number(100 * x),
        number(abs(100 * x)),
        chance(abs(x)),
        odds_text(x),
        code,
    )
    return frozenset(token for form in forms for token in tokens(form))


def site_book_sister(book: Book, compartment: str) -> np.ndarray:
    """Results of the newest bottles of the same kind of compartment, and the hours on their fluids."""
    kind = book.places.loc[compartment, "kind"]
    newest = book.newest[book.newest["compartment"].isin(book.places.index[book.places["kind"] == kind])]
    steps = book.tables.exposure
    age = steps.loc[steps["sample"].isin(newest["sample"]), "fluid_h"]
    return np.concatenate([newest.select_dtypes("number").to_numpy(float).ravel(), age.to_numpy(float)])


def usual_of(book: Book, compartment: str) -> np.ndarray:
    """The middle of the six results before the newest bottle, by numpy; and the bands of forecasts, by hand; the fan ahead
    is checked by test_books_figures."""
    own = book.of("samples", compartment).sort_values(["drawn_on", "sample"])
    past = own.iloc[:-1].select_dtypes("number")
    usual = [np.median(past[c].dropna().to_numpy()[-6:]) for c in past if past[c].notna().any()]
    history = book.of("history", compartment)
    half = norm.ppf(0.95) * history["expected_sd"]
    ends = [end for ahead in ahead_of(book, compartment).values() for end in (ahead.low, ahead.high)]
    bands = [(history["expected"] - half).clip(lower=0), history["expected"] + half]
    return np.concatenate([usual, *bands, ends])


def ahead_of(book: Book, compartment: str) -> dict[str, Ahead]:
    """What the page's figure draws ahead."""
    return coming(book, compartment, result_points(book, compartment, telling(book, compartment)))


def tokens(text: str) -> list[str]:
    """Numbers as written, thousands set apart; letters before a digit make it part of a name."""
    return re.findall(r"(?<![\w.,-])\d[\d,]*(?:\.\d+)?", text.replace("\u00a0", " "))


def strange(text: str, known: set[str], names: set[str]) -> list[str]:
    """Numbers of a text that are neither in `known` nor part of a name or date."""
    for name in sorted(names, key=len, reverse=True):
        if len(name) > 3 and any(c.isdigit() for c in name):
            text = text.replace(name, " ")
    return [t for t in tokens(text) if t.rstrip(",.") not in known]


def next_result(book: Book, compartment: str) -> list[pd.Timestamp]:
    """The day on which the next result can be acted on, by the machine's own pace; none where no fault is suspected or
    the machine is idle.
    """
    use = book.tables.use.set_index("machine")["h_per_day"]
    pace = use[book.places.loc[compartment, "machine"]]
    ahead = book.tables.waiting.set_index("compartment")["hours_ahead"]
    return (
        [book.as_of + pd.Timedelta(days=round(ahead[compartment] / pace))] if compartment in ahead and pace > 0 else []
    )


def test_every_number_of_a_page_is_in_a_table(books: dict[str, Book]) -> None:
    """Fifteen pages of the demo: faulty, sound, badly drawn and wrong oil. A number altered by hand is found."""
    pages = [(book, c) for book in books.values() for c in book.paged]
    assert len(pages) == 15
    for book, compartment in pages:
        texts, numbers = texts_and_numbers(book, compartment)
        known = allowed(book, compartment, texts, numbers)
        names = texts | {
            *book.places.index,
            *(book.place_name(c) for c in book.places.index),
        }
        names |= {f"{d.day} {d:%b} {d.year}" for d in [*book.newest["drawn_on"], *next_result(book, compartment)]}
        text = page_text(book, compartment)
        assert strange(text, known, names) == [], compartment
        assert len(tokens(text)) > 40
        assert strange(text.replace("Found and decided", "Found 4,517.3 and decided"), known, names) == ["4,517.3"]


def test_where_a_fault_grows_the_last_two_bottles_alone_hold_the_true_rate(
    books: dict[str, Book], truth: dict, root: Path
) -> None:
    """Metals of the nine open faults: the true mean rate since the bottle before lies in the 90 % interval of the last
    two bottles alone in seven of ten or more, and seldom in that of the smoothed line, which the caption says."""
    rates = pd.read_csv(root / "sample_data" / "truth" / "samples.csv").set_index("sample")
    alone, line = [], []
    for compartment in truth["faults"].loc[truth["faults"]["how"] == "open", "compartment"]:
        book = next(b for b in books.values() if compartment in b.places.index)
        points = result_points(book, compartment, telling(book, compartment))
        last = book.of("exposure", compartment).sort_values(["life", "order"])["sample"].tolist()[-2:]
        smoothed = book.of("history", compartment).set_index(["sample", "analyte"])
        for analyte, (rate, sd) in newest_rates(book, compartment, points).items():
            if f"{analyte}_rate" in rates:
                true = rates.loc[last, f"{analyte}_rate"].mean()
                drawn = smoothed.loc[(last[-1], analyte)]
                alone.append(abs(true - rate) <= norm.ppf(0.95) * sd)
                line.append(abs(true - drawn["rate"]) <= norm.ppf(0.95) * drawn["rate_sd"])
    assert len(alone) >= 10
    assert np.mean(alone) >= 0.7 > np.mean(line)


def test_a_decision_stands_on_its_compartments_page(books: dict[str, Book], root: Path) -> None:
    """The demo's newest decision, by its own file."""
    decisions = pd.read_csv(root / "sample_data" / "decisions.csv")
    row = decisions[decisions["compartment"] == "EX-04/travel drive/right"].iloc[-1]
    text = page_of(books, row["compartment"])[1]
    assert f"Owner {row['owner']}, {row['decided']} on 14 Jun 2026, was due on 20 Jun 2026" in text
    assert f"14 Jun 2026: {row['decided']} by {row['owner']}, due on 20 Jun 2026: {row['why']}" in text


def test_many_orders_fit_the_first_screen_with_bottles_named_together(books: dict[str, Book]) -> None:
    """Ten orders at one site: every compartment is named, three repeats on one line with the sum of their money."""
    book = books["ridge"]
    rows = act_rows(book)
    assert len(rows) == 10
    text = site_book.headline(book).text
    assert len(re.findall(r"<li[ >]", text)) == 8
    assert all(book.place_name(c) in text for c in rows["compartment"])
    repeats = rows[rows["group"] == "repeat bottle"]
    assert f"{money(repeats['money_at_stake'].sum(), 'EUR')} at stake" in text
    assert "<b>3 bottles</b>" in text


def test_the_acts_and_the_headline_add_up(books: dict[str, Book], demo: Assessment) -> None:
    """Counts and sums of the first screen, added up from the tables by hand; every chance is the order's own."""
    for site, book in books.items():
        own = demo.verdicts[demo.verdicts["site"] == site]
        text = re.sub(r"<[^>]+>", " ", site_book.headline(book).text).replace("\u00a0", " ")
        alarms = int((own["state"] == "alarm").sum())
        assert f"{alarms} compartments need action" in text
        cost = demo.waiting[demo.waiting["compartment"].isin(own["compartment"])]["cost_of_waiting"].sum()
        assert f"expected to cost {money(cost, 'EUR')}".replace("\u00a0", " ") in text
        for order in act_rows(book).itertuples():
            if pd.notna(order.chance):
                assert order.said.startswith(chance(order.chance))
