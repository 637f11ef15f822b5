"""The bottle chain against invented fleets whose lost and late bottles are known because the test took them away
itself.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.practice.chain import AT_LABORATORY, AT_SITE, LOST, NOT_DRAWN, ON_THE_WAY, bottle_chain, in_hand
from cmkit.practice.due import next_due
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import learn_turnaround, turnaround_by_machine
from cmkit.simulate.recipe import demo_recipe
from cmkit.tables.frames import check

DAY = pd.Timestamp("2026-06-30")
LABORATORIES = {"laboratory 1": (4, 3), "laboratory 2": (9, 6)}  # days of post and of analysis in the middle


def lossy(make_fleet: Callable[..., Fleet], seed: int) -> tuple[Fleet, set[str]]:
    """Two sites, each with its laboratory: 600 bottles in a year, 1 in 20 lost on the way, 1 in 10 kept 10 to 29 days
    by the crew.
    """
    rng = np.random.default_rng(seed)
    samples, lost = [], set()
    for n in range(600):
        lab = f"laboratory {1 + n % 2}"
        post, analysis = LABORATORIES[lab]
        drawn = DAY - pd.Timedelta(days=int(rng.integers(0, 360)))
        late = int(rng.integers(10, 30)) if rng.random() < 0.10 else 0
        received = drawn + pd.Timedelta(days=int(post + rng.integers(-1, 2) + late))
        reported = received + pd.Timedelta(days=int(analysis + rng.integers(-1, 2)))
        name, gone = f"B{n:04d}", rng.random() < 0.05
        row = {
            "sample": name,
            "compartment": f"M{n % 2}/engine",
            "drawn_on": drawn,
            "lab": lab,
            "sampler": "crew",
            "meter_h": 100.0,
        }
        samples.append(row)
        if gone:
            lost.add(name)
        else:
            samples.append(row | {"received_on": received, "reported_on": reported, "Fe_ppm": 10.0})
    fleet = make_fleet(
        sites=[{"site": "north"}, {"site": "south"}],
        machines=[{"machine": f"M{i}", "site": s} for i, s in enumerate(("north", "south"))],
        compartments=[{"compartment": f"M{i}/engine", "machine": f"M{i}", "kind": "engine"} for i in range(2)],
        samples=samples,
    )
    return fleet, lost


@pytest.mark.parametrize("seed", [11, 12, 13, 14, 15])
def test_every_lost_bottle_is_listed_and_turnaround_is_within_a_day(make_fleet, seed) -> None:
    fleet, lost = lossy(make_fleet, seed)
    known = fleet.as_of(DAY)
    times = learn_turnaround(known)
    check(times, "turnaround")
    for row in times.itertuples():
        assert abs(row.days - sum(LABORATORIES[row.lab])) <= 1
        assert row.measured
        assert row.used_days == row.days
    chain = bottle_chain(known, times)
    check(chain, "chain")
    named = set(chain.loc[chain["stage"] == LOST, "sample"])
    old = fleet.samples.groupby("sample")["drawn_on"].min()
    bound = times.set_index("lab")["bound_days"].max()
    due_back = {s for s in lost if (DAY - old[s]).days > bound}
    assert due_back
    assert due_back <= named
    assert len(named - lost) <= 0.01 * 600  # the bound lets 1 in 100 of the late ones be called lost
    assert set(chain["sample"]) >= lost


def test_the_bound_belongs_to_the_laboratory_and_not_to_all(make_fleet) -> None:
    fleet, _ = lossy(make_fleet, 21)
    quick = fleet.samples["lab"].eq("laboratory 1") & fleet.samples["reported_on"].notna()
    took = (fleet.samples["reported_on"] - fleet.samples["drawn_on"]).dt.days
    fleet = replace(fleet, samples=fleet.samples[~(quick & (took > 10))].reset_index(drop=True))
    bounds = learn_turnaround(fleet.as_of(DAY)).set_index("lab")["bound_days"]
    assert bounds["laboratory 1"] <= 10 < bounds["laboratory 2"]


def few(make_fleet: Callable[..., Fleet], **more: list[dict]) -> Fleet:
    base = {
        "sites": [{"site": "north"}],
        "machines": [{"machine": "M", "site": "north"}],
        "compartments": [{"compartment": "M/engine", "machine": "M", "kind": "engine", "sample_every_h": 250.0}],
        "samples": [
            {"sample": "A", "compartment": "M/engine", "drawn_on": "2026-03-01", "reported_on": "2026-03-05",
            "meter_h": 1000.0, "Fe_ppm": 9.0, "lab": "one"},
            {"sample": "B", "compartment": "M/engine", "drawn_on": "2026-06-20", "sampler": "crew"},
            {"sample": "C", "compartment": "M/engine", "drawn_on": "2026-05-01", "received_on": "2026-05-04"},
        ],
    }  # fmt: skip
    return make_fleet(**(base | more))


def test_few_bottles_take_the_settings_turnaround(make_fleet) -> None:
    known = few(make_fleet, settings={"sampling": {"turnaround_days": 9}}).as_of(DAY)
    times = learn_turnaround(known)
    assert times[["n", "measured", "used_days", "days", "bound_days"]].to_numpy().tolist() == [
        [1, False, 9.0, 4.0, 27.0]
    ]
    assert turnaround_by_machine(known, times).to_dict() == {"M": 9.0}


def test_bottles_planned_and_never_drawn_are_listed_by_name(make_fleet) -> None:
    """Of 40 rows that came back empty, each that nobody drew since is listed as open, and no other."""
    rng = np.random.default_rng(5)
    places = [{"compartment": f"M/{n}", "machine": "M", "kind": "engine"} for n in range(40)]
    planned = DAY - pd.to_timedelta(rng.integers(20, 200, 40), unit="D")
    kept = rng.random(40)  # a third is drawn late by its own number, a third by another one later, a third never
    empty_rows = [
        {"sample": f"R{n}", "compartment": f"M/{n}", "planned_on": day, "returned_on": day + pd.Timedelta(days=3),
         "note": "machine was away" if n % 2 else None}
        for n, day in enumerate(planned)
    ]  # fmt: skip
    drawn = [
        {"sample": f"R{n}" if kept[n] < 1 / 3 else f"X{n}", "compartment": f"M/{n}", "Fe_ppm": 9.0,
         "drawn_on": planned[n] + pd.Timedelta(days=9), "reported_on": planned[n] + pd.Timedelta(days=12)}
        for n in range(40) if kept[n] < 2 / 3
    ]  # fmt: skip
    before = [
        {"sample": f"B{n}", "compartment": f"M/{n}", "Fe_ppm": 9.0, "drawn_on": planned[n] - pd.Timedelta(days=60)}
        for n in range(40)
    ]
    again = [row | {"returned_on": row["returned_on"] + pd.Timedelta(days=2)} for row in empty_rows[:5]]
    known = few(make_fleet, compartments=places, samples=drawn + before, not_drawn=empty_rows + again).as_of(DAY)
    chain = bottle_chain(known, learn_turnaround(known))
    check(chain, "chain")
    rows = chain[chain["stage"] == NOT_DRAWN].set_index("sample")
    assert set(rows.index[rows["replaced_by"] == ""]) == {f"R{n}" for n in range(40) if kept[n] >= 2 / 3}
    assert set(rows.index[rows["replaced_by"] != ""]) == {f"R{n}" for n in range(40) if 1 / 3 <= kept[n] < 2 / 3}
    assert in_hand(chain).empty
    left = rows[rows["replaced_by"] == ""].iloc[0]
    assert left["words"].endswith("; ask why, and draw it on the next round")
    early = few(make_fleet, compartments=places, samples=before, not_drawn=empty_rows).as_of(planned.min())
    assert bottle_chain(early, learn_turnaround(early)).empty, "nobody knew of them before their sheets came back"


def test_stages_words_and_what_replaced_a_lost_bottle(make_fleet) -> None:
    known = few(make_fleet).as_of(DAY)
    chain = bottle_chain(known, learn_turnaround(known)).set_index("sample")
    assert chain["stage"].to_dict() == {"C": LOST, "B": ON_THE_WAY}
    assert chain.loc["C", "replaced_by"] == "B"
    assert chain.loc["B", "replaced_by"] == ""
    assert chain.loc["C", "words"] == (
        "no result after 60 days, 21 at most are usual: one has had it since 2026-05-04; ask one, bottle B has been "
        "drawn since"
    )
    earlier = bottle_chain(few(make_fleet).as_of("2026-05-06"), learn_turnaround(known)).set_index("sample")
    assert earlier["stage"].to_dict() == {"C": AT_LABORATORY}


def test_planned_and_sent_days_of_field_sheets_give_their_stages(make_fleet) -> None:
    """By hand: drawn a day after the round's plan and sent three days after that; a bottle whose sheet says no sent day
    is still at the site, one with it on the way; the report's own row says neither, and the sheet's days are kept."""
    sheet = {"compartment": "M/engine", "drawn_on": "2026-03-01", "planned_on": "2026-02-28", "sent_on": "2026-03-04"}
    report = {"compartment": "M/engine", "drawn_on": "2026-03-01", "received_on": "2026-03-06",
              "reported_on": "2026-03-09", "Fe_ppm": 9.0, "lab": "one"}  # fmt: skip
    fresh = {"compartment": "M/engine", "drawn_on": "2026-06-25", "planned_on": "2026-06-24"}
    samples = [{"sample": "A", **sheet}, {"sample": "A", **report}, {"sample": "B", **fresh},
               {"sample": "C", **fresh, "sent_on": "2026-06-28"}]  # fmt: skip
    known = few(make_fleet, samples=samples).as_of(DAY)
    times = learn_turnaround(known)
    assert times[["plan_days", "kept_days", "post_days", "lab_days", "days"]].to_numpy().tolist() == [[1, 3, 5, 3, 8]]
    chain = bottle_chain(known, times).set_index("sample")
    check(chain.reset_index(), "chain")
    assert chain["stage"].to_dict() == {"B": AT_SITE, "C": ON_THE_WAY}
    assert chain.loc["B", "words"] == "drawn 5 days ago, and its sheet does not say that it was sent: send it"
    assert chain.loc["C", "words"] == "drawn 5 days ago, sent on 2026-06-28, no receipt recorded yet"
    assert chain.loc["B", "planned_on"] == pd.Timestamp("2026-06-24")


def test_a_result_that_comes_takes_the_bottle_off_the_list(make_fleet) -> None:
    fleet = few(make_fleet)
    values = {
        "sample": "B",
        "compartment": "M/engine",
        "drawn_on": pd.Timestamp("2026-06-20"),
        "reported_on": pd.Timestamp("2026-06-28"),
    }
    more = fleet.samples.iloc[[0]].assign(**values)
    known = replace(fleet, samples=pd.concat([fleet.samples, more], ignore_index=True)).as_of(DAY)
    assert bottle_chain(known, learn_turnaround(known))["sample"].tolist() == ["C"]
    assert known.samples.set_index("sample").loc["B", "sampler"] == "crew"


def test_a_corrected_result_counts_from_its_first_issue(make_fleet) -> None:
    fleet = few(make_fleet)
    again = fleet.samples.iloc[[0]].assign(reported_on=pd.Timestamp("2026-04-30"))
    known = replace(fleet, samples=pd.concat([fleet.samples, again], ignore_index=True)).as_of(DAY)
    assert learn_turnaround(known)["days"].tolist() == [4.0]


def test_a_bottle_on_its_way_is_not_asked_for_again_and_a_lost_one_is(make_fleet) -> None:
    known = few(make_fleet).as_of(DAY)
    exposure = known.samples[["sample", "compartment", "drawn_on", "meter_h"]].assign(run_h=1000.0)
    use = pd.DataFrame(
        {"machine": ["M"], "h_per_day": [5.0], "last_read_on": [DAY], "last_run_h": [1605.0], "idle": [False]}
    )
    none = pd.DataFrame(
        {"compartment": ["M/engine"], "state": ["clear"], "asks": [""], "known_on": [pd.Timestamp("2026-03-05")]}
    )
    without = next_due(known, exposure, use, none).iloc[0]
    assert without["overdue"]
    assert without["why"] == "routine"
    chain = bottle_chain(known, learn_turnaround(known))
    due = next_due(known, exposure, use, none, in_hand(chain)).iloc[0]
    assert not due["overdue"]
    assert due["why"] == "bottle on the way"
    assert due["last_drawn_on"] == pd.Timestamp("2026-06-20")
    assert 1545 <= due["last_run_h"] <= 1555
    lost = next_due(known, exposure, use, none, in_hand(chain[chain["stage"] == LOST])).iloc[0]
    assert lost["overdue"]
    asked = none.assign(state="alarm", asks="repeat", known_on=pd.Timestamp("2026-06-25"))
    assert next_due(known, exposure, use, asked, in_hand(chain)).iloc[0]["due_as"] == "repeat asked for"
    answered = asked.assign(known_on=pd.Timestamp("2026-06-15"))
    assert next_due(known, exposure, use, answered, in_hand(chain)).iloc[0]["due_as"] == "not due yet"


@pytest.mark.parametrize("seed", [21, 22])
def test_a_simulated_fleet_with_lost_and_late_bottles(small: Fleet, seed: int) -> None:
    """Five machines of the demo fleet, with 5 % of the bottles of the last year lost and 10 % kept back 10 to 29 days
    by the test: every lost one is listed once its laboratory's bound has passed, and the turnaround is what the recipe
    says, within a day.
    """
    rng, year = np.random.default_rng(seed), small.samples["drawn_on"] > DAY - pd.Timedelta(days=360)
    numbers = small.samples.loc[year, "sample"].unique()
    lost, late = (set(numbers[rng.random(len(numbers)) < share]) for share in (0.05, 0.10))
    rows = small.samples.copy()
    gone, slow = rows["sample"].isin(lost), rows["sample"].isin(late - lost)
    flags = [c for c in rows if c.endswith("_below")]
    rows.loc[gone, [c.removesuffix("_below") for c in flags]] = np.nan
    rows.loc[gone, ["received_on", "reported_on"]] = pd.NaT
    for name in ("received_on", "reported_on"):
        rows.loc[slow, name] += pd.Timedelta(days=int(rng.integers(10, 30)))
    known = replace(small, samples=rows).as_of(DAY)
    times = learn_turnaround(known)
    recipe = demo_recipe()
    post = {s.site: s.post_days for s in recipe.sites}
    days = {x.laboratory: x.days for x in recipe.laboratories}
    assert len(times) >= 2
    for row in times[times["measured"]].itertuples():
        # each stage is rounded and -1 to +2 days about the recipe's figure, so half a day longer in the middle
        assert abs(row.days - (post[row.site] + days[row.lab] + 1)) <= 1
    chain = bottle_chain(known, times)
    drawn = rows.drop_duplicates("sample").set_index("sample")["drawn_on"]
    bound = times["bound_days"].max()
    overdue = {s for s in lost if (DAY - drawn[s]).days > bound}
    assert len(overdue) >= 5
    assert overdue <= set(chain.loc[chain["stage"] == LOST, "sample"])
    assert set(chain["sample"]) >= lost
