"""reference/faults.csv and reference/orders.csv are whole: every cause has its words and its work at every severity,
and only few ask to stop.
"""

import pandas as pd
import pytest

from cmkit.judge import faults as judge_faults
from cmkit.judge.faults import (
    DOUBTS,
    GROUPS,
    LOOKS,
    LOW_LEVEL,
    OVER_LIMIT,
    SEVERITIES,
    UNNAMED,
    explained,
    fault,
    faults,
    harmless,
    limit_cause,
    severity_of,
    work,
)
from cmkit.records.analytes import analyte_register
from cmkit.records.settings import default_kinds


def table(name: str) -> pd.DataFrame:
    return judge_faults._table(name)


PATTERNS = table("hypotheses.csv")
NAMED = sorted({(kind, row.cause) for row in PATTERNS.itertuples() for kind in row.kinds.split("|") if kind != "*"})


@pytest.mark.parametrize(("kind", "cause"), NAMED)
def test_every_cause_has_words_and_work_of_its_own(kind: str, cause: str) -> None:
    found = fault(kind, cause)
    assert found.cause == cause
    assert kind in found.kinds
    assert all((found.said, found.check_first, found.confirm, found.not_to_do, found.if_ignored))
    urgency = [work(kind, cause, severity).within_h for severity in SEVERITIES]
    assert urgency == sorted(urgency, reverse=True)  # never later when it is worse


def test_every_kind_has_an_answer_for_what_has_no_row() -> None:
    for kind in default_kinds():
        for cause in (UNNAMED, OVER_LIMIT, LOW_LEVEL, *DOUBTS.values(), "a cause nobody wrote a row for"):
            assert work(kind, cause, "severe").work


def test_rows_are_whole_and_of_known_words() -> None:
    orders, words = table("orders.csv"), table("faults.csv")
    assert set(orders["group"]) <= set(GROUPS)
    assert set(orders["severity"]) <= set(SEVERITIES)
    assert not orders.duplicated(["kinds", "cause", "severity"]).any()
    assert not words.duplicated(["kinds", "cause"]).any()
    assert set(zip(orders["kinds"], orders["cause"], strict=True)) == set(
        zip(words["kinds"], words["cause"], strict=True)
    )
    kinds = {kind for text in words["kinds"] for kind in text.split("|")}
    assert kinds <= {*default_kinds(), "*"}
    assert (words[["basis", "said"]] != "").all().all()
    assert set(words["about"]) == {"fault", "limit", "level", "bottle"}
    assert set(GROUPS) > LOOKS


def test_only_few_findings_ask_to_stop_and_only_when_severe() -> None:
    stop = table("orders.csv").query("group == 'stop and check'")
    assert set(stop["severity"]) == {"severe"}
    assert set(stop["cause"]) == {
        "coolant leak", "fuel dilution", "bearing wear", "bearing fatigue", "pump wear",
        "combustion gas in the coolant",
    }  # fmt: skip
    assert (stop["within_h"] == 0).all()
    assert stop["work"].str.startswith("Stop and check before running on").all()


def test_what_is_done_without_opening_comes_first() -> None:
    """Nothing that a check from outside asks for means opening the component."""
    for found in faults():
        assert not any(
            word in found.check_first for word in ("cut open", "cut the", "dismantle", "borescope", "remove the")
        )


@pytest.mark.parametrize(
    ("kind", "analyte", "way", "cause"),
    [
        ("engine", "fuel_pct", "+", "fuel dilution"), ("engine", "glycol_pct", "+", "coolant leak"),
        ("engine", "Na_ppm", "+", "coolant leak"),
        ("engine", "soot_pct", "+", "soot"), ("engine", "water_ppm", "+", "water without coolant"),
        ("engine", "TBN_mgKOH_g", "-", "base number spent"),
        ("engine", "visc40_cSt", "-", "thinned oil"), ("engine", "visc100_cSt", "+", "thickened oil"),
        ("final drive", "water_ppm", "+", "water entry"),
        ("hydraulic", "water_ppm", "+", "water entry"), ("hydraulic", "p14_per_ml", "+", "particles without metal"),
        ("transmission", "TAN_mgKOH_g", "+", "oxidised oil"), ("hydraulic", "visc40_cSt", "-", "another oil put in"),
        ("coolant", "pH", "-", "acid coolant"), ("coolant", "pH", "+", "alkaline coolant"),
        ("coolant", "glycol_vol_pct", "-", "too much water"),
        ("coolant", "glycol_vol_pct", "+", "too rich"), ("coolant", "nitrite_ppm", "-", "inhibitor used up"),
        ("coolant", "freeze_C", "+", "too much water"),
        ("coolant", "conductivity_uS", "+", "salts in the coolant"), ("other", "water_ppm", "+", "water entry"),
        ("engine", "V_ppm", "+", OVER_LIMIT),
    ],
)  # fmt: skip
def test_a_limit_points_to_its_finding(kind: str, analyte: str, way: str, cause: str) -> None:
    assert limit_cause(kind, analyte, way)[0] == cause


def test_limits_name_results_of_the_register() -> None:
    register = analyte_register()
    for found in faults():
        for token in found.limits.split():
            name = token.partition("@")[0].rstrip("+-")
            assert name in register.index or name in ("*", "*metal"), (found.cause, token)


def test_every_practice_limit_has_a_finding_of_its_own() -> None:
    limits = judge_faults._table("practice_limits.csv")
    for row in limits[limits["measure"] != "none"].itertuples():
        kinds = [row.kind] if row.kind != "*" else ["final drive", "transmission", "swing drive"]
        for kind in kinds:
            if kind == "transmission" and row.analyte.startswith("p"):
                continue  # particles of a transmission: no finding of their own
            assert limit_cause(kind, row.analyte, "+" if row.direction == "up" else "-")[0] != OVER_LIMIT, (
                kind,
                row.analyte,
            )


def test_sediment_explains_metals_and_water_and_not_fuel_or_soot() -> None:
    rich = explained("drawn from bottom or drain")
    assert {"*metal", "water_ppm"} <= rich
    assert not {"fuel_pct", "soot_pct", "glycol_pct", "Na_ppm", "K_ppm"} & rich
    assert explained("another compartment") == {"*"}


def test_what_needs_no_work_is_two_things_only() -> None:
    assert harmless() == {"sealant or anti-foam silicon", "copper leaching from the oil cooler"}
    for cause in harmless():
        assert "sodium" in fault("engine", cause).not_to_do


@pytest.mark.parametrize(
    ("phases", "severity"),
    [((0.5, 0.1, 0.1), "early"), ((0.2, 0.5, 0.1), "clear"), ((0.1, 0.1, 0.5), "severe"), ((0.25, 0.25, 0.5), "severe"),
     ((0.5, 0.5, 0.0), "clear"), ((0.0, 0.0, 0.0), "early"), ((0.01, 0.0, 0.0), "early")],
)  # fmt: skip
def test_severity_is_the_middle_one(phases: tuple[float, float, float], severity: str) -> None:
    assert severity_of(*phases) == severity
