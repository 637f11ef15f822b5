"""The programme on a page: what clear is clear of, what the missing test would cost, and the measures by month, by hand
from the tables.
"""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.books.content.book import Book
from cmkit.books.content.sections.glance import glance
from cmkit.books.content.sections.headline import headline
from cmkit.books.content.sections.pages import compartment_page
from cmkit.books.content.sections.programme import programme, programme_months, unwatched_rows
from cmkit.books.content.wording import family_name, plain
from cmkit.practice.coverage import added_tests, all_modes
from tests.page_words import words_of

ENGINE = "WL-1/engine"


def test_every_test_that_can_be_asked_for_of_a_laboratory_has_a_price() -> None:
    """What is no test of the fluid (an inspection) has none."""
    asked = {m.ask for m in all_modes() if m.sees or m.shows} - {""}
    assert asked - set(added_tests()) == set()
    assert set(added_tests()) - asked == set()
    assert min(added_tests().values()) >= 0


def test_what_is_not_watched_is_counted_and_the_missing_test_priced(book: Book) -> None:
    """Invented: no engine has its soot measured; the price of that test times every engine bottle of the last year."""
    rows = book.tables.coverage
    soot = (rows["kind"] == "engine") & (rows["mode"] == "soot")
    rows = rows.assign(watched="watched", ask="", price=np.nan)
    rows.loc[soot, ["watched", "ask", "price"]] = ["not watched", "soot by infrared", 6.0]
    own = replace(book, tables=replace(book.tables, coverage=rows))
    samples = book.tables.samples
    engines = samples["compartment"].isin(book.places.index[book.places["kind"] == "engine"])
    bottles = int((engines & (samples["drawn_on"] > book.as_of - pd.Timedelta(days=365))).sum())
    (row,) = unwatched_rows(own).itertuples()
    assert (row.mode, row.n, row.a_year) == ("soot", int(soot.sum()), 6.0 * bottles)
    text = words_of(programme(own))
    assert f"{len(rows) - soot.sum()} of {len(rows)} failure modes" in text
    assert "Clear means clear of what the tests watch" in text
    assert "soot by infrared" in text


def test_a_compartment_without_a_bottle_is_named_and_not_priced(book: Book) -> None:
    rows = book.tables.coverage
    blind = rows["compartment"] == ENGINE
    rows = rows.assign(watched=rows["watched"].mask(blind & (rows["watched"] != "not in the fluid"), "not watched"))
    own = replace(book, tables=replace(book.tables, coverage=rows))
    text = words_of(programme(own))
    assert "Nothing is watched in 1 compartment without a bottle in the last year: WL-1, engine. Draw one." in text
    before, after = (unwatched_rows(b) for b in (book, own))
    assert after["n"].sum() == before["n"].sum() - int((book.tables.coverage[blind]["watched"].isin(["not watched",
    "shown a little"])).sum())  # fmt: skip


def test_clear_always_says_of_what(book: Book) -> None:
    assert re.search(r"\d+ clear of what their tests watch", words_of(headline(book)))
    assert "Clear: the newest bottle shows nothing of what its tests watch." in words_of(glance(book))
    none = replace(book, tables=replace(book.tables, verdicts=book.tables.verdicts.assign(state="alarm")))
    assert "clear" not in words_of(headline(none)).lower()


def test_measures_by_month_add_up_to_the_table(book: Book) -> None:
    months, rows = programme_months(book), book.tables.programme
    assert len(months) <= 12
    assert list(months["month"]) == sorted(set(rows["month"]))[-12:]
    last = rows[rows["month"].isin(months["month"])]
    assert months["bottles"].sum() == last["bottles"].sum()
    month = months[months["bottles"] > 0].iloc[-1]
    own = rows[rows["month"] == month["month"]]
    np.testing.assert_allclose(month["believed"], np.average(own["believed"], weights=own["bottles"]))
    samples = book.tables.samples
    drawn = samples[samples["drawn_on"].dt.strftime("%Y-%m") == month["month"]]
    assert month["days"] == (drawn["reported_on"] - drawn["drawn_on"]).dt.days.median()
    assert month["per_100"] == pytest.approx(100 * own["alarms"].sum() / own["compartments"].sum())


def test_the_months_figure_draws_what_the_months_hold(book: Book) -> None:
    (figure,) = programme(book).figures
    months = programme_months(book)
    kept, believed, days, alarms = (t.y for t in figure.data)
    np.testing.assert_allclose(np.array(believed, float), 100 * months["believed"], rtol=1e-3)
    np.testing.assert_allclose(np.array(alarms, float), months["per_100"], rtol=1e-3)
    np.testing.assert_allclose(np.array(days, float), months["days"], rtol=1e-3)
    assert [v is None for v in kept] == list(months["kept"].isna())
    assert list(figure.data[0].x) == list(months["name"])


def test_a_page_says_what_happens_if_ignored_and_by_when(book: Book) -> None:
    """The chance and hours of the table `waiting`, and the day by the machine's own pace."""
    compartment = book.tables.waiting["compartment"].iloc[0]
    wait = book.of("waiting", compartment).iloc[0]
    pace = book.tables.use.set_index("machine").loc[book.places.loc[compartment, "machine"], "h_per_day"]
    day = book.as_of + pd.Timedelta(days=round(wait["hours_ahead"] / pace))
    text = words_of(compartment_page(book, compartment).items[0])
    assert f"fails within {wait['hours_ahead']:,.0f} h of work, about {day.day} {day:%b %Y}, before" in text
    idle = replace(book, tables=replace(book.tables, use=book.tables.use.assign(h_per_day=0.0)))
    assert "of work, before the next result" in words_of(compartment_page(idle, compartment).items[0])


def test_a_family_is_named_without_a_word_twice_running() -> None:
    assert family_name("excavator medium engine engine oil") == "excavator medium engine oil"
    assert family_name("rigid hauler large coolant coolant") == "rigid hauler large coolant"
    assert family_name("wheel loader large final drive drive oil") == "wheel loader large final drive oil"


def test_a_per_cent_sign_stays_with_its_number() -> None:
    assert plain("below 15 %, 3%") == "below 15\u00a0%, 3\u00a0%"
