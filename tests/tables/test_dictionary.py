"""The dictionary against what the steps make: every column of every table, on full, small, one-row and empty fleets."""

from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from cmkit.assess import assess
from cmkit.assessment import Assessment, table_names
from cmkit.combine import combine
from cmkit.errors import TableError
from cmkit.intervals.cost import Case
from cmkit.learn import learn
from cmkit.learnt import learnt_names
from cmkit.records.fleet import Fleet
from cmkit.tables.column import KINDS, Column
from cmkit.tables.describe import comment, comments, describe, heading, in_guide
from cmkit.tables.dictionary import KEPT, TABLES, table
from cmkit.tables.frames import check, empty, names, typed
from cmkit.tables.records import TABLES as RECORDS
from cmkit.trust.hours import running_hours
from tests.lengths import some_or_all


def part(fleet: Fleet, machines: list[str], bottles: int | None = None) -> Fleet:
    """The fleet cut down to some machines and, where given, to their first bottles."""
    places = fleet.compartments.loc[fleet.compartments["machine"].isin(machines), "compartment"]
    own = {n: f[f["compartment"].isin(places)] for n in RECORDS if "compartment" in (f := getattr(fleet, n))}
    own["samples"] = own["samples"].iloc[:bottles]
    own |= {n: getattr(fleet, n)[lambda f: f["machine"].isin(machines)] for n in ("machines", "meters")}
    own["sites"] = fleet.sites[fleet.sites["site"].isin(own["machines"]["site"])]
    own["corrections"] = fleet.corrections[fleet.corrections["sample"].isin(own["samples"]["sample"])]
    return replace(fleet, **{n: f.reset_index(drop=True) for n, f in own.items()})


def retired(fleet: Fleet) -> Fleet:
    gone = pd.Series(pd.Timestamp("2026-01-31"), index=fleet.machines.index, dtype="datetime64[us]")
    return replace(fleet, machines=fleet.machines.assign(retired_on=gone))


FLEETS: dict[str, tuple[Callable[[Fleet], Fleet], str]] = {
    "five machines": (lambda f: f, "2026-06-30"),
    "one bottle": (lambda f: part(f, ["WL-04"], 1), "2026-06-30"),
    "no bottle": (lambda f: part(f, ["WL-04"], 0), "2026-06-30"),
    "no machine": (lambda f: part(f, []), "2026-06-30"),
    "all retired": (lambda f: retired(part(f, ["WL-04"], 30)), "2026-06-30"),
    "its first weeks": (lambda f: part(f, ["WL-04", "RH-04"]), "2024-01-20"),
    "two bottles": (lambda f: part(f, ["WL-04"], 2), "2026-06-30"),
    "all retired, all bottles": (lambda f: retired(part(f, ["WL-04"])), "2026-06-30"),
}


@some_or_all("name", list(FLEETS), first=6)
def test_every_table_is_as_the_dictionary_has_it(small, small_learnt, small_part, name) -> None:
    cut, day = FLEETS[name]
    fleet = cut(small)
    learnt = small_learnt(day) if fleet is small else learn(fleet, day)
    for table_name in learnt_names():
        check(getattr(learnt, table_name), table_name)
    part_of_it = small_part(day) if fleet is small else assess(fleet, day, learnt)
    for result in (part_of_it, combine([part_of_it])):
        for table_name in table_names():
            check(getattr(result, table_name), table_name)
    known = fleet.as_of(day)
    check(known.arrivals, "arrivals")
    hours = running_hours(known)
    for step, made in {
        "meter_line": hours.line,
        "service_hours": hours.services,
        "finding_hours": hours.findings,
    }.items():
        check(made, step)


def test_the_dictionary_and_the_bundle_hold_the_same_tables() -> None:
    assert {*table_names(), *learnt_names()} == set(KEPT) - {"arrivals"}
    assert {f.name for f in fields(Fleet)} & set(TABLES) == {*RECORDS, "set_aside", "repairs", "counts", "arrivals"}
    assert {f.name for f in fields(Case)} <= set(names("intervals"))


@pytest.mark.parametrize("name", TABLES)
def test_an_entry_says_what_a_reader_needs(name) -> None:
    found = table(name)
    assert found.one_row_is
    assert set(found.key) <= set(found.names)
    assert set(found.known_on) <= set(found.names)
    assert len(set(found.names)) == len(found.names)
    for column in (*found.columns, *found.added):
        assert column.dtype in KINDS
        assert column.meaning
        if column.kind == "text":
            assert column.unit == ""
        if column.dtype in ("float64", "int64") and column.name not in ("row",):
            assert column.unit, f"{name}.{column.name}: a number needs a unit, 1 for a share or ratio"
        if column.name.endswith("_h") and "_per_" not in column.name:
            assert column.unit == "h", f"{name}.{column.name}"


def test_an_empty_table_passes_the_check_and_types_do_not_change_it() -> None:
    for name in TABLES:
        check(empty(name), name)
        pd.testing.assert_frame_equal(typed(empty(name), name), empty(name))
        pd.testing.assert_frame_equal(typed([], name), empty(name))


ROW = {
    "compartment": "A/engine",
    "chance_defect": 1,
    "hours_ahead": 250,
    "chance": 0.5,
    "cost_of_waiting": np.nan,
    "cost_of_act": 350,
    "saved": -350,
    "assumed": False,
    "words": "half",
}


def test_rows_get_their_order_and_types() -> None:
    out = typed([dict(reversed(ROW.items()))], "waiting")
    check(out, "waiting")
    assert out.iloc[0].dropna().to_dict() == {k: v for k, v in ROW.items() if k != "cost_of_waiting"}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: f.drop(columns="words"), "no column words"),
        (lambda f: f.assign(more=1.0), "unknown column more"),
        (lambda f: f[[*f.columns, "words"]], "twice the column words"),
        (lambda f: f.astype({"chance": "float32"}), "chance is float32, wanted float64"),
        (lambda f: f.astype({"words": object}), "words is object, wanted str"),
        (lambda f: pd.concat([f, f]), r"compartment stands twice for \('A/engine',\)"),
    ],
    ids=["missing", "unknown", "twice", "number", "text", "key"],
)
def test_what_departs_from_the_dictionary_is_refused(change, said) -> None:
    with pytest.raises(TableError, match=f"the table 'waiting' is not as the dictionary has it: .*{said}"):
        check(change(typed([ROW], "waiting")), "waiting")


def test_a_word_that_is_not_allowed_is_refused() -> None:
    row = {c.name: {"text": "x", "number": 0, "date": pd.NaT, "flag": False}[c.kind] for c in table("due").columns}
    with pytest.raises(TableError, match="why holds 'x', wanted one of 'never sampled'"):
        check(typed([row], "due"), "due")


def test_values_that_do_not_take_their_type_are_refused() -> None:
    with pytest.raises(
        TableError, match=r"the table 'waiting': .*'much'.*wanted compartment str, chance_defect float64"
    ):
        typed([ROW | {"chance": "much"}], "waiting")
    with pytest.raises(TableError, match="unknown column more"):
        typed([ROW | {"more": 1}], "waiting")


def test_an_unknown_table_is_named_with_the_nearest() -> None:
    with pytest.raises(KeyError, match="no table 'verdict' in the dictionary; did you mean 'verdicts'"):
        table("verdict")
    with pytest.raises(KeyError, match="the table 'due' has no column 'when'"):
        table("due").column("when")


def test_words_of_a_column_for_people() -> None:
    said = describe("due").set_index("column")
    assert said.loc["every_h"].tolist() == ["float64", "h", "today's interval", ""]
    assert said.index.tolist() == names("due")
    assert "bottle" in describe("samples")["meaning"].str.cat()
    assert comment(Column("a", "float64", "h", "hours")) == "hours [h]"
    assert comment(Column("a", "str", "", "state", ("", "up"))) == "state: empty, up"
    assert heading("due", "every_h") == "every_h (h)"
    assert heading("waiting", "chance") == "chance"
    assert heading("no such table", "chance") == "chance"
    assert comments("no such table") == {}


def test_the_guide_for_developers_holds_the_dictionary_of_today(root) -> None:
    text = (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert in_guide(text) == text, "run python -m cmkit.tables DEVELOPERS.md"
    with pytest.raises(ValueError, match="no place for the tables"):
        in_guide("# A guide without the marks")


def test_fields_of_the_bundle_are_frames() -> None:
    assert {f.name for f in fields(Assessment)} - set(table_names()) == {"about"}
