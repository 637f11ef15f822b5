"""Sections: what a reader is told follows from the tables, nothing is said of what is not there, and hostile text stays
text.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from cmkit.assess import assess
from cmkit.assessment import Assessment, table_names
from cmkit.books.content import fleet_book, site_book
from cmkit.books.content.book import Book, open_book
from cmkit.books.content.compartment_data import result_points
from cmkit.books.content.display import Fold, shown
from cmkit.books.content.figures.results import results_over_hours
from cmkit.books.content.markup import Html
from cmkit.books.content.sections.acts import BANDS, act_rows, acts
from cmkit.books.content.sections.bottles import believed_bottles
from cmkit.books.content.sections.headline import bottles_words, headline_words, state_counts
from cmkit.books.content.sections.how import how_made
from cmkit.books.content.sections.record import raised_by, record_facts, share_with_interval
from cmkit.books.content.sections.report import newest_report, perhaps_past, sister_bottle
from cmkit.books.content.sections.round import due_rows
from cmkit.books.content.sections.since import changes, state_then
from cmkit.books.content.sections.work import work_rows
from cmkit.books.content.wording import number
from cmkit.errors import ParameterError
from cmkit.learnt import Learnt
from cmkit.records.analytes import analyte_register
from cmkit.records.fleet import Fleet
from tests.books.conftest import HOSTILE
from tests.lengths import some_or_all
from tests.page_words import words_of

SITE = (
    "headline",
    "do_this_month",
    "since_last_month",
    "glance",
    "compartment_pages",
    "believed_bottles",
    "next_round",
    "how_often",
    "our_record",
    "programme",
    "how_made",
)
FLEET = (
    "headline",
    "sites_beside",
    "first_anywhere",
    "since_last_month",
    "repeat_causes",
    "families",
    "how_often",
    "our_record",
    "programme",
    "how_made",
)
FAULTY = "WL-1/final drive/front right"


def test_an_unknown_site_is_refused(made: Callable[..., Assessment]) -> None:
    with pytest.raises(ParameterError, match="found 'nowhere', wanted one of 'north pit', 'south quarry'"):
        open_book(made(), "nowhere")


def test_the_headline_counts_what_the_tables_hold(book: Book) -> None:
    words = headline_words(book).replace("\u00a0", " ")
    counts = state_counts(book)
    assert sum(counts.values()) == len(book.tables.verdicts)
    assert counts["alarm"] == 3  # planted in this site, see FAULTS
    assert words.startswith("3 compartments need action and 1 is watched.")
    assert "Bottles wanted: 4 due sooner after an alarm or alert." in words
    assert int(book.tables.due["overdue"].sum()) == 4


def test_bottles_wanted_are_three_numbers_and_never_one(book: Book) -> None:
    """Invented: one of each, and one asked for sooner; a repeat counts from the day it was asked for, whether or not it
    is overdue.
    """
    due = book.tables.due.assign(due_as="not due yet", why="routine")
    due.loc[0, "due_as"] = "routine late"
    due.loc[1, ["due_as", "why"]] = ["routine late", "sooner after alarm"]
    due.loc[2, ["due_as", "why", "overdue"]] = ["repeat asked for", "repeat after alarm", False]
    due.loc[3, ["due_as", "why"]] = ["never sampled", "never sampled"]
    words = bottles_words(replace(book, tables=replace(book.tables, due=due)))
    assert words == (
        "Bottles wanted: 1 late by the routine, 1 due sooner after an alarm or alert, 1 asked for again and 1 from a "
        "compartment never sampled."
    )


def test_a_quiet_site_is_told_so(book: Book) -> None:
    tables = book.tables
    quiet = replace(
        tables,
        verdicts=tables.verdicts.assign(state="clear"),
        waiting=tables.waiting.iloc[:0],
        orders=tables.orders.iloc[:0],
        due=tables.due.assign(due_as="not due yet"),
    )
    assert headline_words(replace(book, tables=quiet)) == "No compartment needs action."
    assert "nothing to do" in site_book.do_this_month(replace(book, tables=quiet)).text


def test_what_is_not_known_is_never_told_as_quiet(book: Book) -> None:
    tables = book.tables
    few = tables.verdicts["compartment"].isin(tables.verdicts["compartment"].head(2))
    some = tables.verdicts.assign(state=["not known" if unknown else "clear" for unknown in few])
    due = tables.due.assign(due_as="not due yet")
    tables = replace(tables, waiting=tables.waiting.iloc[:0], orders=tables.orders.iloc[:0], due=due)
    partly = replace(book, tables=replace(tables, verdicts=some))
    assert headline_words(partly) == "No compartment that can be judged needs action and 2 cannot be judged."
    blind = replace(book, tables=replace(tables, verdicts=some.assign(state="not known")))
    assert headline_words(blind) == f"None of the {len(some)} compartments can be judged yet."
    for told in (partly, blind):
        assert "nothing to do" not in site_book.do_this_month(told).text
        assert "cannot be judged until a bottle is drawn" in site_book.do_this_month(told).text


def test_work_is_in_order_of_what_acting_saves_and_leads_to_pages(book: Book) -> None:
    rows = work_rows(book)
    saved = rows["money_at_stake"] - rows["cost_of_act"]
    assert saved.is_monotonic_decreasing
    waiting = book.tables.waiting.set_index("compartment")["saved"]
    np.testing.assert_allclose(saved, waiting[rows["compartment"]])
    raised = book.tables.verdicts["state"].isin(["alarm", "alert"])
    assert set(rows["compartment"]) == set(book.tables.verdicts.loc[raised, "compartment"])
    links = re.findall(r'href="#(c-[^"]+)"', site_book.do_this_month(book).text)
    pages = {item.id for item in site_book.compartment_pages(book).items if isinstance(item, Fold)}
    assert set(links) == pages
    assert len(links) == len(rows)


def test_every_order_stands_in_the_acts_once_under_how_soon(book: Book) -> None:
    """Invented faults: two severe ones in drives and one of coolant ask to stop; a sealed drive found low asks to find
    the leak.
    """
    rows = act_rows(book).set_index("compartment")
    assert sorted(rows.index) == sorted(book.tables.orders["compartment"])
    assert set(rows.index[rows["band"] == BANDS[0]]) == {
        "WL-1/final drive/front right",
        "WL-2/engine",
        "EX-1/swing drive",
    }
    assert rows.loc["EX-1/travel drive/left", "band"] == BANDS[1]
    assert rows.loc["WL-2/engine", "said"].replace("\u00a0", " ").endswith("% that coolant is getting in")
    text = words_of(acts(book))
    assert text.index("EX-1, swing drive") < text.index("EX-1, travel drive, left")
    assert "Magnetic plug, debris in the drained oil" in text
    assert "(assumed)" in text
    short = acts(book, most=1)
    assert short.count('class="more"') == 1
    assert "2\u00a0more orders" in short


def test_bands_follow_the_day_and_the_kind_of_work(book: Book) -> None:
    orders = book.tables.orders
    one = orders.head(1).assign(group="look inside")
    days = {-40: BANDS[1], 0: BANDS[1], 1: BANDS[2], 7: BANDS[2], 8: BANDS[3]}
    for days_ahead, band in days.items():
        moved = one.assign(due_on=book.as_of + pd.Timedelta(days=days_ahead))
        assert act_rows(replace(book, tables=replace(book.tables, orders=moved)))["band"].tolist() == [band]
    for group, band in {"repeat bottle": BANDS[4], "next bottle": BANDS[5], "stop and check": BANDS[0]}.items():
        moved = one.assign(group=group)
        assert act_rows(replace(book, tables=replace(book.tables, orders=moved)))["band"].tolist() == [band]


def test_a_page_holds_the_order_and_what_speaks_for_and_against(book: Book) -> None:
    """WL-1's final drive: three bottles in alarm, a fluid change, a bearing or gear suspected, and
    nobody has looked.
    """
    page = site_book.compartment_page(book, FAULTY)
    text = "".join(str(item) for item in page.items if isinstance(item, Html)).replace("\u00a0", " ")
    order = book.of("orders", FAULTY).iloc[0]
    for part in ("work", "check_first", "confirm", "if_ignored"):
        assert order[part].lower()[2:] in text.lower()
    assert "that a bearing or gear is breaking up" in text
    reasons = book.of("reasons", FAULTY)
    assert reasons.loc[reasons["analyte"] == "Fe_ppm", "words"].iloc[0] in text
    assert "nobody has looked yet" in text
    assert "1 Dec 2025: fluid changed" in text
    assert page.prints
    short = site_book.compartment_page(book, FAULTY, place=12)
    assert not short.prints
    assert len([i for i in short.items if not isinstance(i, Html)]) == 1
    assert len([i for i in page.items if not isinstance(i, Html)]) == 3


def test_the_newest_report_is_whole_and_beside_what_was_expected(book: Book) -> None:
    text = newest_report(book, FAULTY)
    bottle = book.newest.set_index("compartment").loc[FAULTY]
    reasons = book.of("reasons", FAULTY)
    iron = reasons[reasons["analyte"] == "Fe_ppm"].iloc[0]
    assert bottle["sample"] in text
    given = [c for c in analyte_register()["analyte"] if pd.notna(bottle[c])]
    assert len(given) == 9
    assert text.count('<th scope="row">') == len(given)
    cells = re.findall(r'<th scope="row">iron, ppm</th>(.*?)</tr>', text)[0]
    assert re.findall(r">([^<>]+)</td>", cells)[:2] == [number(bottle["Fe_ppm"], 4), number(iron["usual"])]
    assert iron["usual"] < 100 < bottle["Fe_ppm"]  # not the forecast of a filter that has learnt the fault by now
    assert "<b>above" in cells
    assert "final drive, front left" in text or "final drive, rear" in text  # another of the same machine beside it


def test_a_result_above_its_limit_may_be_past_one_that_lies_higher() -> None:
    """Water `>1000` under an alarm limit of 2000: nobody knows; of 500: it is past for certain, which the rules say;
    `<1000`: it is not.
    """
    up, down = (SimpleNamespace(measure="level", direction=d, alarm=2000.0) for d in ("up", "down"))
    assert perhaps_past(1000.0, ">", [up])
    assert not perhaps_past(1000.0, ">", [down])
    assert not perhaps_past(1000.0, "<", [up])
    assert not perhaps_past(1000.0, "", [up])
    assert not perhaps_past(2500.0, ">", [up])


def test_much_set_aside_lately_is_said_in_the_headline(book: Book) -> None:
    words = "of the whole fleet's rows of the newest quarter could not be used"
    assert words not in headline_words(book)
    much = replace(book, tables=replace(book.tables, about=book.tables.about | {"newest_set_aside": 0.12}))
    assert f"12\u00a0% {words} and are not in this book" in headline_words(much)


def test_a_familys_limit_is_one_number_on_a_page_and_in_the_list_of_limits(book: Book) -> None:
    """A page shows from where a limit of level acts, the far end of its interval; the list shows that number too."""
    limits = book.tables.limits
    own = limits[(limits["measure"] == "level") & limits["alarm_high"].notna() & (limits["direction"] == "up")]
    own = own[~own["method"].isin(["maker", "practice"])]
    assert len(own) > 0
    listed = how_made(book).text
    for high in own["alarm_high"]:
        assert f"passed from {number(high)}" in listed
    page = shown(site_book.compartment_page(book, FAULTY, place=0)).text
    family = book.places.loc[FAULTY, "family"]
    on_page = own[(own["family"] == family) & own["analyte"].isin(["Fe_ppm", "Cu_ppm"])]
    assert len(on_page) > 0
    for high in on_page["alarm_high"]:
        assert f"family {number(high)}" in page


def test_the_chances_that_make_an_alarm_and_an_alert_are_said(book: Book) -> None:
    judge = book.tables.about["judge"] | {"alarm": 0.55, "alert": 0.22}
    own = replace(book, tables=replace(book.tables, about=book.tables.about | {"judge": judge}))
    text = how_made(own).text.replace("\u00a0", " ")
    assert "the chance of a fault that needs work is 55 % or more" in text
    assert "An alert: 22 % or more" in text


def test_an_alarm_of_several_faults_is_put_down_to_all_of_them(book: Book) -> None:
    """28 % and 34 % are an alarm together: the record does not say that it was raised by 34 %."""
    chances = book.tables.bottle_chances
    row = chances[chances["compartment"] == FAULTY].iloc[-1]
    alarm = SimpleNamespace(compartment=FAULTY, sample=row["sample"], alarm_on=book.as_of, analytes="Fe_ppm")

    def said(p_cause: float) -> str:
        own = chances.assign(p_fault=chances["p_fault"].mask(chances["sample"] == row["sample"], 0.62))
        own = own.assign(p_cause=own["p_cause"].mask(own["sample"] == row["sample"], p_cause))
        return raised_by(replace(book, tables=replace(book.tables, bottle_chances=own)), alarm)

    assert said(0.34).startswith("62\u00a0% that something is wrong; likeliest that ")
    assert said(0.58).startswith("58\u00a0% that ")
    assert "something is wrong" not in said(0.58)


def test_what_the_register_does_not_say_is_marked(book: Book) -> None:
    places = book.tables.compartments
    known = replace(book, tables=replace(book.tables, compartments=places.assign(dead_volume_ml=20.0,
        change_every_h=250.0)))  # fmt: skip
    assert "Not in the register, so assumed" not in how_made(known).text
    silent = places.assign(capacity_l=places["capacity_l"].mask(places["compartment"] == FAULTY), depth_mm=float("nan"))
    gaps = replace(book, tables=replace(book.tables, compartments=silent))
    text = how_made(gaps).text
    assert "Not in the register, so assumed" in text
    assert (
        f"The charge&#39;s volume of 1 of {len(places)}\u00a0compartments: a top-up is taken as the usual share" in text
    )
    assert "cards say to measure it" in text
    assert "volume not on record" in shown(site_book.compartment_page(gaps, FAULTY, place=0)).text
    assert "volume not on record" not in shown(site_book.compartment_page(book, FAULTY, place=0)).text


def test_a_result_that_is_a_limit_is_printed_as_one(book: Book) -> None:
    """`>120` iron and a code `>28`: on the report, in the table behind the figure and beside its newest dot."""
    samples = book.tables.samples
    own = samples["sample"] == book.newest.set_index("compartment").loc[FAULTY, "sample"]
    samples = samples.assign(Fe_ppm=samples["Fe_ppm"].mask(own, 120.0), Fe_ppm_above=own)
    samples = samples.assign(p4_per_ml=samples["p4_per_ml"].mask(own, 2.5e6), p4_per_ml_above=own)
    beyond = replace(book, tables=replace(book.tables, samples=samples))
    text = newest_report(beyond, FAULTY)
    assert "&gt;120</td>" in text
    assert "&gt;2,500,000 (code &gt;28)</td>" in text
    points, none = (
        result_points(beyond, FAULTY, ["Fe_ppm"]),
        pd.DataFrame(columns=["analyte", "direction", "named", "alert", "alarm"]),
    )
    meta = results_over_hours(points, none, "a drive").layout.meta
    assert meta["table"]["rows"][0][3] == ">120"
    assert "last >120\u00a0ppm" in meta["alt"]


def test_the_sister_is_another_side_of_the_same_machine_or_of_the_same_family(book: Book) -> None:
    name, bottle = sister_bottle(book, "EX-1/travel drive/left")
    assert (name, bottle["compartment"]) == ("travel drive, right", "EX-1/travel drive/right")
    name, bottle = sister_bottle(book, "WL-1/engine")
    assert bottle["compartment"] in {"WL-2/engine", "WL-10/engine"}
    assert name == book.place_name(bottle["compartment"])
    assert sister_bottle(book, "EX-1/swing drive") == ("", None)


def test_what_changed_since_last_month(book: Book, fleet: Book) -> None:
    """Invented: a fault of EX-1's swing drive began with the last bottle, reported in June; WL-1 and WL-2 were in alarm
    before.
    """
    then = state_then(book)
    assert then["WL-1/final drive/front right"] == "alarm"
    assert then["WL-10/engine"] == "clear"
    what = changes(book).set_index("compartment")["what"]
    assert what["EX-1/swing drive"] == "raised"
    assert what["WL-1/final drive/front right"] == "waiting"
    assert "WL-10/engine" not in what
    assert changes(fleet).set_index("compartment").loc["WL-3/hydraulic", "what"] == "confirmed"


@some_or_all("day", ["2026-06-30", "2026-04-17"])
def test_last_months_states_are_those_an_assessment_of_that_day_gives(
    small: Fleet, small_learnt: Callable[[str], Learnt], small_assessed: Callable[[str], Assessment], day: str
) -> None:
    """Known truth: the records assessed as of the end of the month before, by the same learnt numbers and limits."""
    book = open_book(small_assessed(day), fleet=True)
    truth = assess(small, book.last_month_end, small_learnt(day)).verdicts.set_index("compartment")["state"]
    then = state_then(book)
    there = then.index.intersection(truth.index)
    assert len(there) > 20
    pd.testing.assert_series_equal(then[there], truth[there])
    assert set(then.drop(there)) <= {"not known"}
    assert "clear" in set(then)


def test_the_round_is_in_walking_order_and_leaves_nothing_due_out(book: Book) -> None:
    rows = due_rows(book)
    due = book.tables.due
    until = book.as_of + pd.Timedelta(days=31)
    assert set(rows["compartment"]) == set(due.loc[due["overdue"] | (due["due_on"] <= until), "compartment"])
    for _, day in rows.groupby("plan_on", sort=False):
        assert list(dict.fromkeys(day["machine"])) == [
            m for m in ("EX-1", "WL-1", "WL-2", "WL-10") if m in set(day["machine"])
        ]
    assert rows["plan_on"].is_monotonic_increasing
    text = site_book.next_round(book).text
    assert text.count("mm of tube") == int((rows["method"] == "pump").sum())
    assert (
        "pump for engine oil at the fill plug, 350 mm of tube" in text
    )  # 400 mm deep, filled to the plug: half of it, and 150 mm for the pump


def test_what_the_crews_cannot_draw_is_told_apart(book: Book) -> None:
    cards = book.tables.cards.assign(later=[i > 9 for i in range(len(book.tables.cards))])
    text = site_book.next_round(replace(book, tables=replace(book.tables, cards=cards))).text.replace("\u00a0", " ")
    assert "10 bottles to draw" in text
    assert f"{len(cards) - 10} due, but past the crews" in text


def test_every_compartment_stands_in_the_grid(book: Book) -> None:
    text = site_book.glance(book).text
    assert text.count('<span class="word">') == len(book.tables.verdicts)


def test_share_with_interval() -> None:
    """Jeffreys' interval of 7 in 9 leaves 5 % of Beta(7.5, 2.5) on each side, by integrating its density numerically
    (scipy's quad).
    """
    assert share_with_interval(7, 9).replace("\u00a0", " ") == "7 of 9, 78 % (90 % interval 51 to 93 %)"
    whole = quad(lambda p: p**6.5 * (1 - p) ** 1.5, 0, 1)[0]
    below = [quad(lambda p: p**6.5 * (1 - p) ** 1.5, 0, x)[0] / whole for x in (0.505, 0.515, 0.925, 0.935)]
    assert below[0] < 0.05 < below[1]
    assert below[2] < 0.95 < below[3]
    assert share_with_interval(0, 4).replace("\u00a0", " ").startswith("0 of 4, 0 % (90 % interval 0 to")
    assert share_with_interval(0, 0) == "none to count yet"


def test_the_record_counts_failures_without_warning(fleet: Book) -> None:
    """Invented: one failure nobody was warned of, one alarm confirmed."""
    facts = dict(record_facts(fleet))
    assert str(facts["Failures that had a warning"]).startswith("0 of 1")
    assert str(facts["Confirmed, of those looked into"]).startswith("1 of 1")


@pytest.mark.parametrize("name", SITE)
def test_a_site_without_bottles_says_so_in_words(name: str, book: Book) -> None:
    """Every table empty but with its columns: each section still opens and says something."""
    empty = {n: getattr(book.tables, n).iloc[:0] for n in table_names()}
    bare = Book(Assessment(about=book.tables.about, **empty), book.month, book.site)
    made = getattr(site_book, name)(bare)
    assert re.sub(r"<[^>]+>", "", made.text).strip()
    assert made.figures == []


@pytest.mark.parametrize("name", FLEET)
def test_a_fleet_without_sites_says_so_in_words(name: str, fleet: Book) -> None:
    empty = {n: getattr(fleet.tables, n).iloc[:0] for n in table_names()}
    bare = Book(Assessment(about=fleet.tables.about, **empty), fleet.month)
    assert re.sub(r"<[^>]+>", "", getattr(fleet_book, name)(bare).text).strip()


def test_hostile_text_stays_text(made: Callable[..., Assessment]) -> None:
    """Hostile words in machine, site, fleet, crew, notes, causes and values set aside: none opens an element."""
    bad = made(HOSTILE)
    site, fleet = open_book(bad, "north pit"), open_book(bad, fleet=True)
    shown = [getattr(site_book, n)(site) for n in SITE] + [getattr(fleet_book, n)(fleet) for n in FLEET]
    text = "".join(s.text for s in shown)
    assert HOSTILE[:8] not in text
    assert "<img" not in text
    assert "&lt;script&gt;" in text
    for figure in (f for s in shown for f in s.figures):
        assert "<script" not in figure.to_json()


@pytest.mark.parametrize(
    "words",
    ["found low again: leak suspected", "found low on 2026-04-02 and the level not noted since: leak suspected"],
)
def test_a_leak_suspected_is_listed_while_it_stands(book: Book, words: str) -> None:
    """Also where the newest bottle's own level was not noted; one of an older bottle is over."""
    bottles = book.tables.samples.sort_values("drawn_on")
    newest = bottles.groupby("compartment").tail(1).iloc[0]
    older = bottles[(bottles["compartment"] == newest["compartment"]) & (bottles["sample"] != newest["sample"])].iloc[0]
    kept = book.tables.evidence[book.tables.evidence["rule"] != "low level"]

    def text(bottle: pd.Series) -> str:
        row = {
            "compartment": bottle["compartment"],
            "sample": bottle["sample"],
            "drawn_on": bottle["drawn_on"],
            "rule": "low level",
            "state": "alert",
            "words": words,
        }
        evidence = pd.concat([kept, pd.DataFrame([row]).reindex(columns=kept.columns)], ignore_index=True)
        return believed_bottles(replace(book, tables=replace(book.tables, evidence=evidence))).text.replace(
            "\u00a0", " "
        )

    assert words.replace("2026-04-02", "2 Apr 2026") in text(newest)
    assert "No leak is suspected" in text(older)
