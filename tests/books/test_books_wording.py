"""Words and numbers for readers: what a value looks like, and that nothing of it is lost or hidden by rounding."""

import pandas as pd
import pytest

from cmkit.books.content import markup, wording

NB = "\u00a0"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (0.01234, "0.0123"), (9.996, "10"), (99.96, "100"), (42.0, "42"), (1234.5, "1,234"), (12345.6, "12,346"),
    (-3.14159, "-3.14"), (float("nan"), "-"), (float("inf"), "-")],
)  # fmt: skip
def test_numbers_keep_three_figures_and_never_use_exponents(value: float, text: str) -> None:
    assert wording.number(value) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0, f"0{NB}%"),
        (0.0004, f"less than 1{NB}%"),
        (0.314, f"31{NB}%"),
        (0.996, f"more than 99{NB}%"),
        (1, f"100{NB}%"),
        (float("nan"), "-"),
    ],
)
def test_a_chance_is_never_rounded_to_certainty(share: float, text: str) -> None:
    assert wording.chance(share) == text


@pytest.mark.parametrize(
    ("amount", "text"),
    [(12431, f"12,000{NB}EUR"), (87, f"87{NB}EUR"), (0, f"0{NB}EUR"), (1_260_000, f"1,300,000{NB}EUR")],
)
def test_money_has_two_figures(amount: float, text: str) -> None:
    assert wording.money(amount, "EUR") == text


def test_words() -> None:
    assert wording.day(pd.Timestamp("2026-06-30")) == f"30{NB}June{NB}2026"
    assert wording.count(0, "sample") == "no samples"
    assert wording.count(1, "family", "families") == f"1{NB}family"
    assert wording.listed(["a"]) == "a"
    assert wording.listed(["a", "b", "c"]) == "a, b and c"
    assert wording.listed(list("abcdefg")) == "a, b, c, d and 3 more"
    assert wording.sentence("found low") == "Found low."
    assert wording.plain("2 bottle(s), 1 more result(s) out of line") == "2 bottles, 1 more result out of line"
    assert wording.plain("68% below fresh (1.11e+03)") == f"68{NB}% below fresh (1,110)"
    assert wording.plain("alarm of 2026-04-19") == f"alarm of 19{NB}Apr{NB}2026"
    assert wording.plain("since 2026-06-30, 2026-12-31") == f"since 30{NB}Jun{NB}2026, 31{NB}Dec{NB}2026"
    assert wording.with_unit("Fe_ppm") == "iron, ppm"
    assert wording.with_unit("ferrous_index") == "ferrous debris index"
    assert sorted(["WL-10", "WL-9", "EX-2"], key=wording.natural_key) == ["EX-2", "WL-9", "WL-10"]


def test_states_are_told_apart_without_colour() -> None:
    assert len(set(wording.GLYPHS.values())) == 4
    for state in wording.STATES:
        assert state in markup.state_mark(state)


@pytest.mark.parametrize("text", ["WL-1/engine", "a<b", 'x" onclick="', "../../x", "ünicode", "WL 1 engine"])
def test_addresses_hold_nothing_but_plain_characters(text: str) -> None:
    assert set(wording.anchor(text)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


def test_different_names_have_different_addresses() -> None:
    names = ["WL-1/engine", "WL-1/engine<", "WL-1/engine>", "WL/1-engine", "WL-1 engine", "wl-1/engine", "WL--1/engine"]
    assert len({wording.anchor(n) for n in names}) == len(names)


def test_markup_escapes_everything_it_did_not_make() -> None:
    bad = "<script>alert(1)</script>"
    made = markup.table(["a", bad], [[bad, bad]], bad) + markup.facts([(bad, bad)]) + markup.link(bad, "#x")
    assert "<script" not in made
    assert markup.tag("p", "x", title='"><img src=x>') == '<p title="&#34;&gt;&lt;img src=x&gt;">x</p>'


@pytest.mark.parametrize(
    "target", ["javascript:alert(1)", "//elsewhere.example/x", "/etc/passwd", "http://elsewhere.example"]
)
def test_links_lead_nowhere_outside(target: str) -> None:
    assert "href" not in markup.link("x", target)


def test_tables_name_their_rows_and_columns() -> None:
    text = markup.table(["Machine", markup.Column("Hours", True)], [["WL-1", "12"]], "Hours")
    assert "<caption>Hours</caption>" in text
    assert '<th scope="col">Machine</th>' in text
    assert '<th scope="row">WL-1</th>' in text
    grouped = markup.grouped_table(["Place"], [("WL-1", [["engine"]])], "Round")
    assert '<th scope="rowgroup" colspan="1" class="group">WL-1</th>' in grouped
