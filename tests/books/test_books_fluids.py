"""The fluids, the laboratories and the twins on a page: what is asked for comes first, with its reason, and an empty
table is one line.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from cmkit.books.content.book import Book
from cmkit.books.content.sections.deliveries import deliveries
from cmkit.books.content.sections.fluids import CAUTION, change_rows, fluid_care, left_against_right
from cmkit.books.content.sections.laboratories import laboratories
from cmkit.books.content.sections.load import by_load
from cmkit.books.content.sections.pages import _new_component
from cmkit.books.content.sections.programme import programme
from cmkit.books.content.sections.report import newest_report
from cmkit.tables.frames import empty, names, typed
from tests.page_words import words_of

ENGINE = "WL-1/engine"
DAY = pd.Timestamp("2026-06-30")


def with_table(book: Book, name: str, **row: Any) -> Book:
    """The book with one row in a table; what is not given is empty."""
    blank = {c.name: {"str": "", "int64": 0, "bool": False}.get(c.dtype, np.nan) for c in table_columns(name)}
    return replace(book, tables=replace(book.tables, **{name: typed([blank | row], name)}))


def table_columns(name: str) -> tuple[Any, ...]:
    from_dictionary = {c: str(empty(name)[c].dtype) for c in names(name)}
    return tuple(type("C", (), {"name": n, "dtype": d}) for n, d in from_dictionary.items())


def test_cautions_and_one_line_for_what_is_empty(book: Book) -> None:
    bare = replace(book, tables=replace(book.tables, **{n: empty(n) for n in ("changes", "cleanliness", "coolants",
    "stock", "mixed_fluids", "twins", "laboratory_pairs", "duplicates")}))  # fmt: skip
    text = words_of(fluid_care(bare))
    assert CAUTION in text
    for line in ("No wrong drum", "No compartment is at work", "cleanliness target", "No coolant is on record"):
        assert line in text
    assert "No compartment has a twin" in words_of(left_against_right(bare))
    assert "duplicate_share = 0.05" in words_of(laboratories(bare))


def test_a_fluid_that_does_not_last_comes_before_one_that_lasts_longer(book: Book) -> None:
    row = {"site": "north pit", "kind": "engine", "fluid_h": 310.0, "change_every_h": 500.0, "limited_by": "TBN_mgKOH_g",
           "left_h": 60.0, "left_low_h": -20.0, "left_high_h": np.inf, "chance": 0.4, "allowed_h": 250.0,
           "cost": 600.0, "words": "base number reaches its limit first"}  # fmt: skip
    late = row | {"compartment": "WL-2/engine", "advice": "extend", "allowed_h": 750.0, "left_h": 700.0,
                  "left_low_h": 400.0, "saving": 400.0, "saving_low": 380.0, "saving_high": 420.0}  # fmt: skip
    rows = [late, row | {"compartment": ENGINE, "advice": "change now"}]
    full = [dict.fromkeys(names("changes"), np.nan) | r for r in rows]
    own = replace(book, tables=replace(book.tables, changes=typed(full, "changes")))
    assert list(change_rows(own)["advice"]) == ["change now", "extend"]
    text = words_of(fluid_care(own))
    assert "Of 2 fluids, 1 to change now and 1 to extend" in text
    assert "60 h (0 to longer)" in text
    assert "400 credits (380 to 420)" in text
    assert "Extending all of the 1 saves 400 credits per 1,000 h of work and compartment" in text
    assert text.index("change now 310 h") < text.index("Would last longer: 1")


def test_a_wrong_drum_stands_first_and_names_are_escaped(book: Book) -> None:
    own = with_table(book, "stock", site="north pit", product="oil <b>", what="wrong drum", since=DAY, n=5, of=9,
                     words="bottles look like <i>another</i> fluid")  # fmt: skip
    page = fluid_care(own).text
    assert "wrong drum" in page
    assert "oil &lt;b&gt;" in page
    assert "<i>another" not in page


def test_a_batch_that_differs_says_by_what_how_surely_and_where_it_went(book: Book) -> None:
    row = {"site": "north pit", "fluid": "engine oil", "grade": "SAE <b>", "batch": "D-7", "delivered_on": DAY,
           "bottles": 1, "found": "differs", "analyte": "Si_ppm", "value": 18.0, "low": 2.0, "high": 9.0,
           "by_luck": 0.0004, "others": "Ca_ppm", "filled": 1, "first_filled_on": DAY, "compartments": ENGINE,
           "words": "differs; 1 filled; keep the drums closed"}  # fmt: skip
    page = deliveries(with_table(book, "batches", **row))
    text = words_of(page)
    assert "1 batch on record, 1 with a result: 1 unlike the ones before" in text
    assert (
        "Silicon 18 ppm, usual 2 ppm to 9 ppm; also calcium. Chance alone makes 1 in 2,500 clean batches look so."
        in text
    )
    assert "Keep the drums closed." in text
    assert "SAE &lt;b&gt;" in page
    unknown = row | {"found": "not registered", "analyte": "", "bottles": 0, "by_luck": np.nan}
    assert "A service names it" in words_of(deliveries(with_table(book, "batches", **unknown)))
    usual = row | {"found": "as usual", "others": ""}
    text = words_of(deliveries(with_table(book, "batches", **usual)))
    assert "No batch asks for anything" in text
    assert "Furthest off: silicon 18 ppm" in text
    none = replace(book, tables=replace(book.tables, batches=empty("batches")))
    assert "No bottle of fresh fluid is on record" in words_of(deliveries(none))


def test_coolants_are_worked_on_in_their_order(book: Book) -> None:
    own = with_table(book, "coolants", compartment="WL-1/coolant", site="north pit", chemistry="not known",
                     result="glycol_vol_pct", value=30.0, low=40.0, high=60.0, found="too low", turn=1,
                     act="bring the strength up first")  # fmt: skip
    text = words_of(fluid_care(own))
    assert "1 of 1 coolant out of range" in text
    assert "The name of 1 does not say its chemistry" in text
    assert "30 vol % 40 vol % to 60 vol % Bring the strength up first." in text


def test_a_coolant_in_alarm_is_named_though_its_strength_is_in_range(book: Book) -> None:
    """Else "none out of range" contradicts the work list of the same page."""
    fine = with_table(book, "coolants", compartment=ENGINE, site="north pit", chemistry="not known",
                      result="glycol_vol_pct", value=50.0, low=40.0, high=60.0, found="in range")  # fmt: skip
    assert "In alarm, whatever these ranges say" not in words_of(fluid_care(fine))
    own = with_table(fine, "verdicts", compartment=ENGINE, kind="coolant", state="alarm")
    text = words_of(fluid_care(own))
    assert "1 coolant judged, none out of range" in text
    assert "In alarm, whatever these ranges say, so its order comes first: WL-1, engine" in text


def test_a_bias_names_laboratory_result_and_day(book: Book) -> None:
    own = with_table(book, "laboratory_pairs", lab="coast", other_lab="north", analyte="Fe_ppm", n=20, level=40.0, bias=0.15,
                     bias_low=0.1, bias_high=0.2, found="bias", since=DAY, spread=0.08, spread_low=0.06,
                     spread_high=0.11, published=0.09, words="north reads 15 % above coast since 2026-06-30")  # fmt: skip
    text = words_of(laboratories(own))
    assert "1 bias found" in text
    assert "Iron coast and north North reads 15 % above coast since 30 Jun 2026." in text
    assert "+15 % (+10 to +20)" in text
    assert "No result on record is changed because of it" in text


def test_a_drive_that_wears_more_than_its_twin_is_named(book: Book) -> None:
    own = with_table(book, "twins", compartment=ENGINE, site="north pit", kind="engine", how="same machine", n=9,
                     ratio=1.52, ratio_low=1.3, ratio_high=1.8, statistic=7.0, limit=5.0, called=True, since=DAY,
                     words="draw its next bottle sooner")  # fmt: skip
    text = words_of(left_against_right(own))
    assert "1 of them gives off more metal than theirs" in text
    assert "1.52 (1.30 to 1.80)" in text


def test_an_accepted_factor_stands_beside_every_result_it_changes(book: Book) -> None:
    """In the newest report as reported and as used, with who accepted it and why, and how it is undone."""
    newest = book.of("samples", ENGINE).sort_values(["drawn_on", "sample"]).iloc[-1]
    own = with_table(book, "factored_results", compartment=ENGINE, site="north pit", sample=newest["sample"],
                     lab="coast <b>", analyte="Fe_ppm", reported=4517.0, used=newest["Fe_ppm"], factor=0.87,
                     drawn_on=DAY, from_on=DAY, accepted_on=DAY, accepted_by="A. Lead", reason="reads high")  # fmt: skip
    page = str(newest_report(own, ENGINE))
    text = words_of(page)
    assert "(reported 4,517)" in text
    assert "is multiplied by 0.87 here, in the figures and in every judgement (accepted by A. Lead" in text
    assert "coast &lt;b&gt;" in page
    said = words_of(laboratories(own))
    assert "Accepted factors" in said
    assert "the results are as reported again" in said
    assert "reported" not in words_of(newest_report(book, ENGINE)).split("Drawn, reported")[1]


def test_the_lines_that_would_accept_a_correction_are_shown_where_a_third_laboratory_tells(book: Book) -> None:
    row = {"lab": "coast", "other_lab": "north", "analyte": "Fe_ppm", "n": 20, "bias": 0.25, "found": "bias",
           "since": DAY, "words": "north reads high"}  # fmt: skip
    told = laboratories(with_table(book, "laboratory_pairs", suspect="north", **row))
    assert '[laboratory_factors."north"] Fe_ppm = { factor = 0.8, from_on = "2026-06-30"' in words_of(told)
    assert "factor = 1.25" in words_of(laboratories(with_table(book, "laboratory_pairs", suspect="coast", **row)))
    assert "laboratory_factors" not in words_of(laboratories(with_table(book, "laboratory_pairs", suspect="", **row)))


def test_bottles_planned_and_never_drawn_stand_by_name_until_another_is_drawn(book: Book) -> None:
    row = {"sample": "R1", "compartment": ENGINE, "site": "north pit", "planned_on": DAY - pd.Timedelta(days=20),
           "waited_days": 20.0, "stage": "not drawn", "replaced_by": "", "words": "machine <b>away</b>; ask why"}  # fmt: skip
    page = programme(with_table(book, "chain", **row)).text
    text = words_of(page)
    assert "1 bottle of the last year's rounds came back as not drawn." in text
    assert "Planned and never drawn" in text
    assert "R1 Machine <b>away</b>; ask why." in text
    assert "<b>away" not in page
    done = words_of(programme(with_table(book, "chain", **(row | {"replaced_by": "R2"}))))
    assert "for 1 of them another one has been drawn since" in done
    assert "Planned and never drawn" not in done


def test_a_new_component_says_by_what_its_newest_bottle_is_judged(book: Book) -> None:
    own = with_table(book, "exposure", compartment=ENGINE, sample="S", drawn_on=DAY, age_h=310.0, running_in=1.83)
    assert "310 h of work at its newest bottle" in _new_component(own, ENGINE).replace("\u00a0", " ")
    assert "1.8 times the steady rate" in _new_component(own, ENGINE)
    old = with_table(book, "exposure", compartment=ENGINE, sample="S", drawn_on=DAY, age_h=9000.0, running_in=1.0)
    assert _new_component(old, ENGINE) == ""


def test_wear_by_hours_stands_beside_wear_by_load_and_is_left_out_without_a_counter(book: Book) -> None:
    row = {"site": "north pit", "family": "wheel loader <b>", "load": "fuel", "analyte": "Fe_ppm", "rate_by_hours": 50.0,
           "rate_by_load": 2.5, "n": 70, "machines": 6, "power": 0.93, "power_low": 0.71, "power_high": 1.15,
           "spread_hours": 0.31, "spread_load": 0.12, "found": "by load"}  # fmt: skip
    page = str(by_load(with_table(book, "load_rates", **row)))
    text = words_of(page)
    assert "0.93 (0.71 to 1.15) 31 % 12 % Wear goes by litres of fuel more than by hours" in text
    assert "50 ppm 2.5 ppm litres of fuel" in text
    assert "wheel loader &lt;b&gt;" in page
    assert "its rates count hours at each machine's usual work" in text
    few = with_table(book, "load_rates", **(row | {"found": "too few intervals", "power": np.nan}))
    assert "Too few intervals" in words_of(by_load(few))
    assert str(by_load(book)) == ""
