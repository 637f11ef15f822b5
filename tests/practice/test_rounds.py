"""The next round on a hand-made fleet. Common practice (no source) as the checks: pump where there is no pressure,
probe where there is, sides from the operator's seat, a final drive's level at the bottom of the plug's thread."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cmkit.practice.rounds import bottle_number, check_letter, on_days, plan_round, side_words, what_to_bring
from cmkit.practice.sheets import _given_out


def fleet(make_fleet, per_week: float = 0):
    places = [
        {"compartment": "M1/engine", "machine": "M1", "kind": "engine", "pressurised": True, "fluid": "engine oil"},
        {"compartment": "M1/final drive/left", "machine": "M1", "kind": "final drive", "position": "left",
        "pressurised": False, "access": "fill plug", "depth_mm": 400, "fluid": "gear oil"},
        {"compartment": "M1/final drive/right", "machine": "M1", "kind": "final drive", "position": "right",
        "pressurised": False, "fluid": "gear oil"},
        {"compartment": "M1/coolant", "machine": "M1", "kind": "coolant", "pressurised": False, "depth_mm": 300,
        "fluid": "coolant"},
    ]  # fmt: skip
    return make_fleet(
        settings={"sampling": {"crew_samples_per_week": per_week}},
        sites=[{"site": "S"}],
        machines=[{"machine": "M1", "site": "S", "kind": "wheel loader"}],
        compartments=places,
    ).as_of("2026-06-30")


def due(why: dict[str, str]) -> pd.DataFrame:
    base = {"machine": "M1", "site": "S", "every_h": 500.0, "last_run_h": 100.0, "due_meter_h": 600.0,
        "due_on": pd.Timestamp("2026-07-10"),
            "overdue_h": 0.0, "overdue": False}  # fmt: skip
    kinds = {"M1/engine": "engine", "M1/coolant": "coolant"}
    return pd.DataFrame(
        [base | {"compartment": c, "kind": kinds.get(c, "final drive"), "why": w} for c, w in why.items()]
    )


USE = pd.DataFrame({"machine": ["M1"], "h_per_day": [10.0]})
ALL = dict.fromkeys(["M1/coolant", "M1/engine", "M1/final drive/left", "M1/final drive/right"], "routine")


def test_method_tool_tube_and_side(make_fleet) -> None:
    cards = plan_round(fleet(make_fleet), due(ALL), USE).set_index("compartment")
    assert cards["method"].to_dict() == {
        "M1/coolant": "pump",
        "M1/engine": "probe",
        "M1/final drive/left": "pump",
        "M1/final drive/right": "pump",
    }
    assert cards["tool"].tolist() == [
        "pump for gear oil",
        "pump for gear oil",
        "probe for engine oil",
        "pump for coolant",
    ]  # cleanest first.tolist() == [
    assert (
        cards.loc["M1/final drive/left", "tube_mm"] == 400 / 2 + 150
    )  # filled to its plug: the surface is at the plug
    assert np.isnan(cards.loc["M1/engine", "tube_mm"])
    assert "surface and the bottom" in cards.loc["M1/final drive/right", "tube_words"]
    assert "operator's seat" in cards.loc["M1/final drive/left", "side"]
    assert cards["where"].to_dict()["M1/coolant"] == "pressure cap, system cold"
    assert cards.loc["M1/engine", ["dead_ml", "purge_times"]].tolist() == [20, 5]  # reference/drawing.csv
    assert cards["dead_assumed"].tolist() == (cards.index == "M1/engine").tolist(), "by probe, and not on record"
    assert cards.drop("M1/engine")["dead_ml"].isna().all()


def test_capacity_keeps_the_urgent_and_names_the_rest(make_fleet) -> None:
    why = ALL | {"M1/final drive/right": "repeat after alarm"}
    plan = plan_round(fleet(make_fleet, per_week=0.5), due(why), USE, days=28)
    kept = plan[~plan["later"]]
    assert len(kept) == 2
    assert "M1/final drive/right" in set(kept["compartment"])
    assert sorted(plan["compartment"]) == sorted(ALL)


def test_what_falls_due_later_is_not_on_the_round(make_fleet) -> None:
    rows = due(ALL)
    rows.loc[0, "due_on"] = pd.Timestamp("2026-09-01")
    assert len(plan_round(fleet(make_fleet), rows, USE)) == 3


def test_bring_counts_pumps_apart(make_fleet) -> None:
    bring = what_to_bring(plan_round(fleet(make_fleet), due(ALL), USE)).set_index("item")["number"]
    assert bring["sample bottles, clean and sealed"] == 5  # 4 and a tenth to spare
    assert bring["hand vacuum pump for coolant"] == 1
    assert bring["hand vacuum pump for gear oil"] == bring["sampling probe for engine oil"] == 1
    # 350 + 1000 (depth not known) + 450 mm (surface not known: the whole depth), a tenth to spare, up to whole
    # decimetres
    assert bring["new tube, one piece a bottle"] == pytest.approx(2.0, abs=1e-9)


def test_an_empty_round_brings_nothing(make_fleet) -> None:
    cards = plan_round(fleet(make_fleet), due(ALL).iloc[:0], USE)
    assert len(cards) == len(what_to_bring(cards)) == 0


def test_bottle_numbers_differ_and_survive_slips() -> None:
    day = pd.Timestamp("2026-06-30")
    numbers = {bottle_number(f"M{i}/engine", day) for i in range(2000)}
    assert len(numbers) == 2000
    number = bottle_number("M1/engine", day)
    assert len({number} | {bottle_number("M1/engine", day, v) for v in range(1, 7)}) == 6
    assert number == bottle_number("M1/engine", day) != bottle_number("M1/engine", pd.Timestamp("2026-07-31"))


@given(
    st.text("ABCDEFGHJKLMNPQRSTUVWXYZ2345678", min_size=8, max_size=8),
    st.integers(0, 7),
    st.sampled_from("ABCDEFGHJKLMNPQRSTUVWXYZ2345678"),
)
def test_one_wrong_letter_is_noticed(body: str, at: int, letter: str) -> None:
    wrong = body[:at] + letter + body[at + 1 :]
    assert (check_letter(wrong) == check_letter(body)) == (wrong == body)


@given(st.text("ABCDEFGHJKLMNPQRSTUVWXYZ2345678", min_size=8, max_size=8), st.integers(0, 6))
def test_an_exchange_of_neighbours_is_noticed(body: str, at: int) -> None:
    wrong = body[:at] + body[at + 1] + body[at] + body[at + 2 :]
    assert (check_letter(wrong) == check_letter(body)) == (wrong == body)


@pytest.mark.parametrize(
    ("position", "words"),
    [
        ("", ""),
        (float("nan"), ""),
        ("front", "front"),
        ("right", "RIGHT as seen from the operator's seat, facing forward"),
    ],
)
def test_side_words(position, words) -> None:
    assert side_words(position) == words


def test_parts_planned_alone_are_planned_together_within_the_same_crews(make_fleet) -> None:
    """Each part alone would take all the crews can draw; put together they take it once."""
    known, rows = fleet(make_fleet, per_week=0.5), due(ALL)
    once = plan_round(known, rows, USE, days=28)
    parts = pd.concat([plan_round(known, rows.iloc[i : i + 2], USE, days=28) for i in (0, 2)], ignore_index=True)
    assert (~parts["later"]).sum() == 4
    together = on_days(parts, rows, USE, date=known.date, rule=known.settings.sampling, days=28)
    pd.testing.assert_frame_equal(together, once)
    assert (~together["later"]).sum() == 2


def test_blind_duplicates_are_planned_where_asked_for_and_known_when_they_come_back(make_fleet) -> None:
    """Half of a round's oil compartments (3 of them, rounded up: 2) get a second bottle on the same visit, under a
    number of its own with a right check letter; the same round plans the same ones.
    """
    known = fleet(make_fleet)
    rule = replace(known.settings.sampling, duplicate_share=0.5)
    known = replace(known, settings=replace(known.settings, sampling=rule))
    cards = plan_round(known, due(ALL), USE)
    twice = cards[cards["why"] == "blind duplicate"]
    assert len(twice) == 2
    assert set(twice["visit"]) == {9}
    assert "M1/coolant" not in set(twice["compartment"])
    assert cards["bottle"].is_unique
    for row in twice.itertuples():
        own = cards[cards["compartment"] == row.compartment]
        assert len(set(own["plan_on"])) == 1
        assert list(own["visit"]) == [1, 9]  # right after the first
        assert row.bottle[-1] == check_letter(row.bottle[:-1])
    asked = twice[["bottle", "compartment"]].to_dict("records")
    assert _given_out(known, known.date, asked)[twice["bottle"].iloc[0]] == (twice["compartment"].iloc[0], known.date)
    again = on_days(cards, due(ALL), USE, date=known.date, rule=rule)
    pd.testing.assert_frame_equal(again, cards)
    assert set(plan_round(fleet(make_fleet), due(ALL), USE)["visit"]) == {1}
