"""Alarms, spells and verdicts on small hand-made bottles. The rule (z, likelihood ratio, two bottles decide) is the design's own choice;
that a sealed compartment found low has a leak, and that a first alarm asks for a repeat bottle, is common practice (no source)."""

import pandas as pd
import pytest

from cmkit.wear.verdicts import alarm_spells

DAY = pd.Timestamp("2026-01-01")


def bottles(states: str, life: int = 1) -> pd.DataFrame:
    """One bottle a month; a letter each: A alarm, w alert, . clear."""
    names = {"A": "alarm", "w": "alert", ".": "clear"}
    return pd.DataFrame(
        [
            {"compartment": "c", "life": life, "order": i, "sample": f"s{i}", "drawn_on": DAY + pd.Timedelta(days=30 * i), "run_h": 250.0 * i,
             "meter_h": 250.0 * i, "state": names[s]}
            for i, s in enumerate(states)
        ]
    )  # fmt: skip


def alarms_of(states: pd.DataFrame) -> pd.DataFrame:
    hit = states[states["state"] == "alarm"]
    return hit[["compartment", "sample", "drawn_on", "state"]].assign(analyte="Fe_ppm", known_on=hit["drawn_on"])


def rates(states: pd.DataFrame, values: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"sample": states["sample"], "analyte": "Fe_ppm", "rate": values})


def spells(
    states: str, rate: list[float], looks: list[tuple[int, str]] = (), doubted: tuple[int, ...] = ()
) -> pd.DataFrame:
    frame = bottles(states)
    seen = pd.DataFrame(
        [{"compartment": "c", "on": DAY + pd.Timedelta(days=d), "by": by} for d, by in looks],
        columns=["compartment", "on", "by"],
    )
    trust = pd.DataFrame(
        {"sample": frame["sample"], "believed": [0.1 if i in doubted else 1.0 for i in range(len(frame))]}
    )
    return alarm_spells(frame, alarms_of(frame), rates(frame, rate), trust, seen.astype({"on": "datetime64[us]"}))


def test_an_alarm_nobody_looked_into_stays_open_while_the_rate_stays_up() -> None:
    out = spells("..AA....", [1, 1, 2, 3, 3, 3, 3, 3])
    assert out["closed_on"].isna().tolist() == [True]
    assert out["bottles"].tolist() == [2]
    assert out["sample"].tolist() == ["s2"]


def test_two_clear_bottles_with_the_rate_back_close_it() -> None:
    out = spells("..A...", [1, 1, 2, 1.2, 1.1, 1.1])
    assert out["closed_by"].tolist() == ["two clear bottles"]
    assert out["closed_on"].tolist() == [DAY + pd.Timedelta(days=120)]


def test_five_clear_bottles_at_a_higher_rate_close_it_as_steady() -> None:
    out = spells("..A.....", [1, 1, 2, 3, 3, 3, 3, 3])
    assert out["closed_by"].tolist() == ["steady since"]
    assert out["closed_on"].tolist() == [DAY + pd.Timedelta(days=210)]


def test_a_doubted_clear_bottle_does_not_count() -> None:
    out = spells("..A..", [1, 1, 2, 1.1, 1.1], doubted=(3,))
    assert out["closed_on"].isna().all()


def test_an_alert_between_does_not_close() -> None:
    assert spells("..A.w.", [1, 1, 2, 1, 1, 1])["closed_by"].tolist() == ["two clear bottles"]
    assert spells("..Aw.", [1, 1, 2, 1, 1])["closed_on"].isna().all()


@pytest.mark.parametrize("by", ["finding", "repair", "replace"])
def test_a_look_closes_it_and_a_later_alarm_is_a_new_one(by: str) -> None:
    out = spells("..A.A", [1, 1, 2, 2, 3], looks=[(70, by)])
    assert out["closed_by"].tolist() == [by, ""]
    assert out["closed_on"].iloc[0] == DAY + pd.Timedelta(days=70)
    assert out["bottles"].tolist() == [1, 1]


def test_a_look_before_the_alarm_closes_nothing() -> None:
    assert spells("..A", [1, 1, 2], looks=[(10, "finding")])["closed_on"].isna().all()


def test_a_bottle_of_the_day_of_a_look_belongs_to_the_alarm_it_answers() -> None:
    """A bottle is drawn before the work of its day: the repeat bottle (day 90) is no second alarm that the same look would answer again."""
    out = spells("..AA.A", [1, 1, 2, 2, 1, 2], looks=[(90, "finding")])
    assert out["bottles"].tolist() == [2, 1]
    assert out["closed_by"].tolist() == ["finding", ""]


def test_the_old_components_rate_is_no_measure_of_the_new_one() -> None:
    """Life 2 wears three times as fast by nature; alarm in its first bottle (a level), then two clear ones at its own pace close it."""
    frame = pd.concat([bottles("..", 1), bottles("..A..", 2).iloc[2:]], ignore_index=True)
    frame["order"] = [0, 1, 0, 1, 2]
    trust = pd.DataFrame({"sample": frame["sample"], "believed": 1.0})
    looks = pd.DataFrame({"compartment": [], "on": pd.to_datetime([]), "by": []})
    out = alarm_spells(frame, alarms_of(frame), rates(frame, [1, 1, 3, 3, 3]), trust, looks)
    assert out["closed_by"].tolist() == ["two clear bottles"]


def test_an_alarm_is_known_when_its_first_result_is() -> None:
    frame = bottles("AA")
    fired = alarms_of(frame).assign(known_on=frame["drawn_on"] + pd.Timedelta(days=9))
    trust = pd.DataFrame({"sample": frame["sample"], "believed": 1.0})
    looks = pd.DataFrame({"compartment": [], "on": pd.to_datetime([]), "by": []})
    out = alarm_spells(frame, fired, rates(frame, [1, 1]), trust, looks)
    assert out["known_on"].tolist() == [DAY + pd.Timedelta(days=9)]
    assert out["alarm_on"].tolist() == [DAY]


def test_no_alarm_no_spell() -> None:
    out = spells("..w.", [1, 1, 1, 1])
    assert len(out) == 0
    assert out["alarm_on"].dtype.kind == "M"
