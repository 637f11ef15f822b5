"""Explain, compare, what if, SQL, workbook: against the tables themselves, scipy, statsmodels and pandas; and the ten
ordinary questions.
"""

import inspect
import re
from dataclasses import replace

import openpyxl
import pytest
import statsmodels.formula.api as smf
from scipy.stats import ttest_rel

import cmkit
from cmkit.analyst.explain import EXPLAINED
from cmkit.errors import ParameterError, StoreError
from cmkit.judge.faults import faults

SITE = "RH-02/final drive/left"


def test_explain_holds_what_spoke_and_what_did_not(demo) -> None:
    got = cmkit.explain(demo, SITE)
    assert list(got.columns) == EXPLAINED
    assert got["step"].is_monotonic_increasing
    weighed = set(got.loc[got["step"] == "3 hypotheses", "what"])
    assert {f.cause for f in faults() if f.about == "fault" and "final drive" in f.kinds} <= weighed
    assert got.loc[got["what"] == "bearing fatigue", "spoke"].item()
    assert not got.loc[got["what"] == "seal leak", "spoke"].item()
    limits = got[got["step"] == "2 limits"]
    assert limits["spoke"].any()
    assert (~limits["spoke"]).any()
    own = demo.contributions[
        (demo.contributions["compartment"] == SITE) & (demo.contributions["hypothesis"] == "bearing fatigue")
    ]
    sides = got[(got["step"] == "4 for and against") & got["what"].str.startswith("bearing fatigue")]
    assert sides["value"].sum() == pytest.approx(own["log_odds"].sum())


def test_explain_has_every_compartment(demo) -> None:
    for name in demo.compartments["compartment"]:
        got = cmkit.explain(demo, name)
        assert {"1 bottle", "5 state", "6 money"} <= set(got["step"])
        assert not got["words"].isna().any()
    with pytest.raises(ParameterError, match="Did you mean"):
        cmkit.explain(demo, "RH-02/final drive/lft")


def test_months_are_compared_as_scipy_compares_pairs(demo) -> None:
    got = cmkit.compare(demo, "2026-06", "2026-03", "Fe_ppm", by="month").iloc[0]
    rates = demo.history[demo.history["analyte"] == "Fe_ppm"].assign(month=lambda h: h["drawn_on"].dt.strftime("%Y-%m"))
    last = (
        rates.groupby(["compartment", "life", "month"])["rate"]
        .last()
        .reset_index()
        .pivot_table("rate", ["compartment", "life"], "month")[["2026-06", "2026-03"]]
        .dropna()
    )
    peer = ttest_rel(1000 * last["2026-06"], 1000 * last["2026-03"]).confidence_interval(0.9)
    assert got["n_one"] == len(last)
    assert [got["low"], got["high"]] == pytest.approx([peer.low, peer.high])


def test_groups_are_compared_within_families_as_statsmodels_does(demo) -> None:
    got = cmkit.compare(demo, "ridge", "quarry", "Fe_ppm", by="site").iloc[0]
    rates = (
        demo.history[demo.history["analyte"] == "Fe_ppm"]
        .groupby(["compartment", "family"])["rate"]
        .mean()
        .reset_index()
    )
    site = demo.machines.set_index("machine")["site"]
    rates["site"] = rates["compartment"].map(demo.compartments.set_index("compartment")["machine"]).map(site)
    own = rates[rates["site"].isin(["ridge", "quarry"])]
    own = own[own.groupby("family")["site"].transform("nunique") == 2].assign(
        ridge=lambda d: (d["site"] == "ridge") * 1.0, rate=lambda d: 1000 * d["rate"]
    )
    peer = smf.ols("rate ~ ridge + C(family)", own).fit()
    assert [got["low"], got["high"]] == pytest.approx(peer.conf_int(0.1).loc["ridge"].tolist())
    assert got["n_one"] + got["n_other"] == len(own)


def test_left_and_right_differ_as_their_rates_do(demo) -> None:
    got = cmkit.compare(demo, SITE, "RH-02/final drive/right").iloc[0]
    wear = demo.wear[demo.wear["analyte"] == "Fe_ppm"].set_index("compartment")
    assert got["difference"] == pytest.approx(
        1000 * (wear.loc[SITE, "rate"] - wear.loc["RH-02/final drive/right", "rate"])
    )
    back = cmkit.compare(demo, "RH-02/final drive/right", SITE).iloc[0]
    assert [back["difference"], back["ratio"]] == pytest.approx([-got["difference"], 1 / got["ratio"]])


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("2026-06", "2031-01", "Fe_ppm", "month"), "month: found '2031-01'"),
        (("ridge", "ridge", "Fe_ppm", "site"), "found 'ridge' twice"),
        (("ridge", "quarry", "Fe_ppm", "sites"), "by: found 'sites'.*Did you mean 'site'"),
    ],
)
def test_what_cannot_be_compared_is_said(demo, args, said) -> None:
    with pytest.raises(ParameterError, match=said):
        cmkit.compare(demo, *args)


def test_what_if_nothing_is_changed_is_what_happened(demo) -> None:
    got = cmkit.what_if(demo)
    assert (got["difference"].fillna(0) == 0).all()
    alarms = demo.record[demo.record["alarm_on"].notna()]
    answered = alarms["outcome"].isin(["defect", "failed"]).sum()
    assert got.loc[["alarms", "confirmed", "standing"], "today"].tolist() == [
        len(alarms),
        answered,
        (alarms["outcome"] == "waiting").sum(),
    ]
    assert got.loc["bottles", "today"] == len(demo.bottle_chances)


def test_the_limits_in_force_change_nothing_and_a_lower_one_never_gives_fewer(demo) -> None:
    same = cmkit.what_if(demo, limits={"engine": {"fuel_pct": (2, 5)}})
    assert (same["difference"].fillna(0) == 0).all()
    counts = [
        cmkit.what_if(demo, limits={"engine": {"Cu_ppm": (alarm / 2, alarm)}}).loc[["in alert", "in alarm"], "then"]
        for alarm in (40, 20, 10)
    ]
    alarms = [c["in alarm"] for c in counts]
    assert alarms == sorted(alarms)
    assert alarms[2] > alarms[0]


def test_a_dearer_bottle_and_a_rarer_one_move_the_money_the_right_way(demo) -> None:
    dear = cmkit.what_if(demo, costs={"final drive": {"failure_cost": 500_000}})
    assert dear.loc["money a year, past", "difference"] > 0
    assert dear.loc["money a year, expected", "difference"] > 0
    rare = cmkit.what_if(demo, every_h={"engine": 1000})
    assert rare.loc["bottles a year", "difference"] < 0
    assert rare.loc["in alarm", "difference"] == 0
    strict = cmkit.what_if(demo, thresholds={"alarm": 0.9})
    assert strict.loc["in alarm", "difference"] < 0


@pytest.mark.parametrize(
    ("tried", "said"),
    [
        ({"limits": {"engin": {"Cu_ppm": (1, 2)}}}, "limits: found 'engin'.*Did you mean 'engine'"),
        ({"limits": {"engine": {"Cu": (1, 2)}}}, "analyte: found 'Cu'"),
        ({"thresholds": {"alarm": 0.1}}, "wanted 0 < alert < alarm < 1"),
        ({"costs": {"engine": {"failure_cost": -1}}}, "wanted 0 or more"),
        ({"every_h": 0}, "every_h: found 0"),
        ({"every_h": {"motor": 250}}, "every_h: found 'motor'"),
    ],
)
def test_what_cannot_be_tried_is_said(demo, tried, said) -> None:
    with pytest.raises(ParameterError, match=said):
        cmkit.what_if(demo, **tried)


def test_sql_over_an_assessment_is_what_pandas_says_and_changes_nothing(demo, tmp_path) -> None:
    got = cmkit.query(demo, "SELECT state, count(*) AS n FROM verdicts WHERE site = ? GROUP BY 1 ORDER BY 1", ["ridge"])
    peer = demo.verdicts[demo.verdicts["site"] == "ridge"]["state"].value_counts().sort_index()
    assert dict(zip(got["state"], got["n"], strict=True)) == peer.to_dict()
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")
    frame_of_the_caller = peer.to_frame()
    assert len(frame_of_the_caller)
    for sql in ("SELECT * FROM read_csv(?)", "DROP TABLE verdicts", "SELECT 1; SELECT 2", "SELECT * FROM "
    "frame_of_the_caller", "SELECT * FROM nothing"):  # fmt: skip
        with pytest.raises(StoreError):
            cmkit.query(demo, sql, [str(secret)] if "?" in sql else [])


def test_sql_over_a_saved_assessment(demo, tmp_path) -> None:
    demo.save(tmp_path / "a")
    assert cmkit.query(str(tmp_path / "a"), "SELECT count(*) AS n FROM wear")["n"].item() == len(demo.wear)


def test_a_workbook_holds_the_tables_as_text_and_numbers(demo, tmp_path) -> None:
    named = replace(demo, verdicts=demo.verdicts.assign(reason="=HYPERLINK(1)"))
    path = named.to_excel(tmp_path / "fleet.xlsx", ["verdicts", "orders"])
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["verdicts", "orders"]
    heads = [c.value for c in book["verdicts"][1]]
    cell = book["verdicts"].cell(2, heads.index("reason") + 1)
    assert (cell.value, cell.data_type) == ("=HYPERLINK(1)", "s")
    assert book["verdicts"].max_row == len(demo.verdicts) + 1
    with pytest.raises(ParameterError, match="Did you mean 'orders'"):
        demo.to_excel(tmp_path / "fleet.xlsx", ["order"])
    with pytest.raises(ParameterError, match=r"ends in \.xlsx"):
        demo.to_excel(tmp_path / "fleet.csv")


def test_columns_say_what_they_are(demo) -> None:
    got = demo.columns("wear").set_index("column")
    assert got.loc["rate_low", "unit"] == "of the analyte/h"
    with pytest.raises(ParameterError, match="Did you mean 'wear'"):
        demo.columns("waer")


def which_need_a_look_now(a):
    todo = a.orders[["compartment", "state", "cause", "work", "due_on"]]
    return todo[todo["state"] == "alarm"]


def why_is_this_one_in_alarm(a):
    why = cmkit.explain(a, "RH-02/final drive/left")
    return why[why["spoke"]]


def how_fast_does_it_wear_by_a_robust_slope(a):
    return cmkit.refit(a, "RH-02/final drive/left", "Fe_ppm", "theil-sen").row


def when_did_that_begin(a):
    return cmkit.onset(a, "RH-02/final drive/left", "Fe_ppm").moments


def does_the_left_wear_faster_than_the_right(a):
    return cmkit.compare(a, "RH-02/final drive/left", "RH-02/final drive/right")


def which_newest_bottles_are_doubted(a):
    newest = a.trust[a.trust["sample"].isin(a.verdicts["sample"])]
    return newest[newest["believed"] < 0.5]


def what_would_a_copper_limit_of_20_have_done(a):
    return cmkit.what_if(a, limits={"engine": {"Cu_ppm": (10, 20)}})


def what_would_engines_every_500_h_cost_a_year(a):
    return cmkit.what_if(a, every_h={"engine": 500}).loc["money a year, expected"]


def what_became_of_our_alarms_by_site(a):
    sql = "SELECT site, outcome, count(*) AS n FROM record JOIN verdicts USING (compartment) GROUP BY ALL"
    return cmkit.query(a, sql)


def do_two_laboratories_read_alike(a):
    north, coast = a.samples["lab"].value_counts().index[:2]
    return cmkit.compare(a, north, coast, "Fe_ppm", by="lab")


TEN = [
    which_need_a_look_now, why_is_this_one_in_alarm, how_fast_does_it_wear_by_a_robust_slope, when_did_that_begin,
    does_the_left_wear_faster_than_the_right, which_newest_bottles_are_doubted,
    what_would_a_copper_limit_of_20_have_done,
    what_would_engines_every_500_h_cost_a_year, what_became_of_our_alarms_by_site, do_two_laboratories_read_alike,
]  # fmt: skip


@pytest.mark.parametrize("question", TEN, ids=lambda q: q.__name__)
def test_ten_ordinary_questions_take_three_lines_and_public_names(demo, question) -> None:
    assert len(question(demo))
    _, *lines = inspect.getsource(question).strip().splitlines()
    assert len(lines) <= 3
    assert set(re.findall(r"cmkit\.(\w+)", " ".join(lines))) <= set(cmkit.__all__)
