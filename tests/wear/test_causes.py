"""Likely causes: the table is well formed, and patterns made by hand are named as the trade would (common practice, no source)."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Settings, default_kinds
from cmkit.wear.causes import CAUSES, cause_patterns, likely_causes, parse_signs

REGISTER = analyte_register()
DAY = pd.Timestamp("2026-01-01")
EVIDENCE = ["compartment", "sample", "drawn_on", "analyte", "rule", "operator", "state", "words"]


def case(
    kind: str, z: dict[str, float] | None = None, rows: list[tuple] = (), results: dict[str, list[float]] | None = None
) -> dict:
    """A compartment with five bottles whose newest has z per metal, evidence rows (analyte, rule, operator, state) and other results."""
    n = 5
    samples = pd.DataFrame(
        {
            "sample": [f"s{i}" for i in range(n)],
            "compartment": "c",
            "drawn_on": DAY + pd.to_timedelta(30 * np.arange(n), unit="D"),
        }
    )
    for name, values in (results or {}).items():
        samples[name], samples[below(name)] = values, False
    newest = samples.iloc[-1]
    history = pd.DataFrame([{"compartment": "c", "sample": newest["sample"], "analyte": f"{a}_ppm", "z": v, "rise": 0.0} for a, v in (z or {}).items()],
                           columns=["compartment", "sample", "analyte", "z", "rise"])  # fmt: skip
    evidence = pd.DataFrame(
        [
            ("c", newest["sample"], newest["drawn_on"], a, rule, op, state, f"{a} said so")
            for a, rule, op, state in rows
        ],
        columns=EVIDENCE,
    )
    verdicts = pd.DataFrame(
        {
            "compartment": ["c"],
            "kind": [kind],
            "state": ["alarm"],
            "sample": [newest["sample"]],
            "since": [newest["drawn_on"]],
        }
    )
    empty = pd.DataFrame()
    known = Fleet(
        settings=Settings(name="invented", kinds=default_kinds()), sites=empty, machines=empty, compartments=empty, samples=samples,
        services=empty, meters=empty, findings=empty, corrections=empty, set_aside=empty, repairs=empty, counts=empty,
    )  # fmt: skip
    return {
        "known": known,
        "exposure": empty,
        "history": history,
        "evidence": evidence,
        "verdicts": verdicts,
        "register": REGISTER,
    }


@pytest.mark.parametrize(
    ("kind", "z", "rows", "results", "cause"),
    [
        ("engine", {"Si": 9, "Al": 6, "Fe": 4, "Cr": 4, "Cu": 0, "Pb": 0}, [], {"Si_ppm": [5, 5, 5, 5, 40], "Al_ppm": [2, 2, 2, 2, 9]}, "dirt entry"),
        ("engine", {"Si": 9, "Al": 0, "Fe": 0, "Cr": 0}, [], {}, "sealant or anti-foam silicon"),
        ("engine", {"Cu": 6, "Pb": 0, "Sn": 0, "Fe": 0}, [], {}, "copper leaching from the oil cooler"),
        ("engine", {"Pb": 6, "Cu": 5, "Sn": 2, "Fe": 2}, [], {}, "bearing wear"),
        ("engine", {"Fe": 1, "Cu": 3}, [], {"Na_ppm": [4, 5, 4, 5, 90], "K_ppm": [2, 2, 2, 2, 30], "water_ppm": [60, 60, 60, 60, 900]}, "coolant leak"),
        ("engine", {"Fe": 1}, [("fuel_pct", "condition", ">=", "alarm"), ("visc100_cSt", "condition", "<=", "alert")], {}, "fuel dilution"),
        ("final drive", {"Fe": 8, "Cr": 6, "Ni": 5, "Cu": 0}, [("ferrous_index", "family limit", ">=", "alert")], {}, "bearing fatigue"),
        ("final drive", {"Fe": 0, "Si": 0}, [("", "low level", "is", "alarm")], {}, "seal leak"),
        ("final drive", {"Fe": 0}, [("water_ppm", "condition", ">=", "alarm")], {}, "water entry"),
        ("hydraulic", {"Cu": 6, "Fe": 5, "Sn": 4, "Si": 0, "Cr": 0}, [], {}, "pump wear"),
        ("hydraulic", {"Si": 0, "Fe": 0, "Cu": 0}, [("p4_per_ml", "condition", ">=", "alarm")], {}, "particles without metal"),
        ("transmission", {"Cu": 6, "Fe": 3, "Si": 0, "Pb": 0, "Al": 0, "Sn": 0}, [], {}, "friction plate wear"),
        ("coolant", {"Fe": 0, "Cu": 0, "Al": 0}, [("nitrite_ppm", "condition", "<=", "alarm"), ("pH", "condition", "<=", "alert")], {}, "inhibitor used up"),
    ],
)  # fmt: skip
def test_patterns_of_the_trade(kind: str, z: dict, rows: list, results: dict, cause: str) -> None:
    found = likely_causes(**case(kind, z, rows, results))
    assert found["cause"].iloc[0] == cause
    assert found["evidence_for"].iloc[0]
    assert found["look_at"].iloc[0]
    assert found["score"].is_monotonic_decreasing


def test_evidence_against_is_said() -> None:
    found = likely_causes(
        **case("final drive", {"Fe": 8, "Cr": 0, "Ni": 0}, [], {"ferrous_index": [20.0] * 5})
    ).set_index("cause")
    against = found.loc["bearing fatigue", "evidence_against"]
    assert "chromium not clearly raised" in against
    assert "ferrous debris index not clearly raised" in against
    with_all = likely_causes(
        **case("final drive", {"Fe": 8, "Cr": 7, "Ni": 7}, [], {"ferrous_index": [20, 20, 20, 20, 90.0]})
    ).set_index("cause")
    assert with_all.loc["bearing fatigue", "score"] > found.loc["bearing fatigue", "score"]


def test_fewer_measurements_make_a_lower_score() -> None:
    one = likely_causes(**case("final drive", {"Fe": 8})).set_index("cause").loc["bearing fatigue", "score"]
    three = (
        likely_causes(**case("final drive", {"Fe": 8, "Cr": 7, "Ni": 7}))
        .set_index("cause")
        .loc["bearing fatigue", "score"]
    )
    assert one < three


def test_when_all_metals_rise_alike_or_none_no_cause_stands_out() -> None:
    quiet = likely_causes(**case("final drive", dict.fromkeys(("Fe", "Cr", "Ni", "Si", "Al", "Cu", "Sn", "Pb"), 0.0)))
    assert quiet.empty
    level = dict.fromkeys(("Fe", "Cr", "Ni", "Si", "Al", "Cu", "Sn", "Pb"), 5.0)
    assert len(likely_causes(**case("final drive", level))) >= 2


def test_only_compartments_in_alert_or_alarm_get_causes() -> None:
    given = case("final drive", {"Fe": 8, "Cr": 6})
    clear = given["verdicts"].assign(state="clear")
    assert likely_causes(**(given | {"verdicts": clear})).empty
    assert list(likely_causes(**(given | {"verdicts": clear})).columns) == CAUSES


def test_a_kind_without_patterns_and_an_empty_history_do_no_harm() -> None:
    assert likely_causes(**case("winch", {"Fe": 8})).empty
    assert likely_causes(**case("engine")).empty


def test_scores_are_shares_and_causes_never_more_than_three() -> None:
    rng = np.random.default_rng(1)
    metals = ["Fe", "Cr", "Ni", "Al", "Cu", "Pb", "Sn", "Si", "Mn"]
    for kind in default_kinds():
        found = likely_causes(**case(kind, dict(zip(metals, rng.normal(1, 4, len(metals)), strict=True))))
        assert found["score"].between(0, 1).all()
        assert len(found) <= 3


def test_table_of_causes_is_well_formed() -> None:
    kinds = set(default_kinds())
    for pattern in cause_patterns():
        assert set(pattern.kinds) <= kinds
        assert pattern.basis in ("published", "common practice", "own choice")
        assert pattern.look_at
        assert any(sign.key for sign in pattern.signs)
        assert dataclasses.astuple(pattern)
    assert {k for p in cause_patterns() for k in p.kinds} == kinds - {"other"}


@pytest.mark.parametrize("text", ["Fe+", "Fe:2", "Fe+:x", "Fe?:1"])
def test_a_sign_that_is_not_understood_is_named(text: str) -> None:
    with pytest.raises(ValueError, match="wanted a form such as"):
        parse_signs(text)
