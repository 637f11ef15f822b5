"""Accepted laboratory factors: results planted 15 % high by the test come back as they were without the bias, from the
day of acceptance on, and as reported when the factor is taken out.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cmkit.errors import SettingsError
from cmkit.practice.accepted_factors import factored_results
from cmkit.records.fleet import Fleet
from cmkit.records.laboratory_factors import LaboratoryFactor
from cmkit.records.settings import parse_settings
from cmkit.tables.frames import check

HIGH = 1.15
FACTOR = {
    "factor": 1 / HIGH,
    "from_on": "2026-03-01",
    "accepted_on": "2026-05-10",
    "accepted_by": "A. Lead",
    "reason": "reads high against the reference material",
}
TRUE = np.array([12.0, 18.0, 25.0, 31.0, 40.0])
DAYS = pd.to_datetime(["2026-01-10", "2026-02-20", "2026-03-05", "2026-04-20", "2026-05-20"])


def settings(**changed: object) -> dict:
    return {"laboratory_factors": {"north": {"Fe_ppm": FACTOR | changed}}}


@pytest.fixture
def fleet(make_fleet: Callable[..., Fleet]) -> Fleet:
    """Five bottles of each of two laboratories; north reads iron 15 % high from March on."""
    high = np.where(DAYS >= "2026-03-01", HIGH, 1.0)
    samples = [
        {"sample": f"{lab}{i}", "compartment": "M/engine", "drawn_on": day, "reported_on": day, "lab": lab,
         "Fe_ppm": TRUE[i] * (high[i] if lab == "north" else 1.0), "Cu_ppm": 5.0, "Fe_ppm_below": i == 4}
        for lab in ("north", "coast") for i, day in enumerate(DAYS)
    ]  # fmt: skip
    return make_fleet(
        settings=settings(), sites=[{"site": "S"}], machines=[{"machine": "M", "site": "S"}],
        compartments=[{"compartment": "M/engine", "machine": "M", "kind": "engine"}], samples=samples,
    )  # fmt: skip


def iron(known: Fleet, lab: str) -> np.ndarray:
    return known.samples.loc[known.samples["lab"] == lab, "Fe_ppm"].to_numpy()


def test_results_of_that_laboratory_are_what_they_would_be_without_its_bias(fleet: Fleet) -> None:
    known = fleet.as_of("2026-06-30")
    np.testing.assert_allclose(iron(known, "north"), TRUE, rtol=1e-8)
    np.testing.assert_array_equal(iron(known, "coast"), TRUE)
    assert (known.samples["Cu_ppm"] == 5.0).all()
    np.testing.assert_array_equal(known.samples["Fe_ppm_below"], fleet.samples["Fe_ppm_below"])


def test_a_view_before_the_decision_is_as_reported_and_looking_back_from_a_later_one_too(fleet: Fleet) -> None:
    raw = fleet.samples.loc[fleet.samples["lab"] == "north", "Fe_ppm"].to_numpy()[:4]
    np.testing.assert_array_equal(iron(fleet.as_of("2026-05-09"), "north"), raw)
    again = fleet.as_of("2026-06-30").as_of("2026-05-09")
    np.testing.assert_allclose(iron(again, "north"), raw, rtol=1e-8)
    twice = fleet.as_of("2026-06-30").as_of("2026-07-02")
    np.testing.assert_allclose(iron(twice, "north"), TRUE, rtol=1e-8)


def test_it_is_never_applied_unasked_and_taking_it_out_undoes_it(fleet: Fleet) -> None:
    bare = replace(fleet, settings=parse_settings({"name": "x"}, "fleet.toml"))
    np.testing.assert_array_equal(bare.as_of("2026-06-30").samples["Fe_ppm"], fleet.samples["Fe_ppm"])
    assert factored_results(bare.as_of("2026-06-30")).empty


def test_every_result_that_carries_it_is_listed_as_reported_and_as_used(fleet: Fleet) -> None:
    rows = factored_results(fleet.as_of("2026-06-30"))
    check(rows, "factored_results")
    assert rows["sample"].tolist() == ["north2", "north3", "north4"]
    np.testing.assert_allclose(rows["reported"], TRUE[2:] * HIGH, rtol=1e-8)
    np.testing.assert_allclose(rows["used"], TRUE[2:], rtol=1e-8)
    assert rows["accepted_by"].unique().tolist() == ["A. Lead"]
    ended = replace(fleet, settings=parse_settings({"name": "x"} | settings(until_on="2026-04-30"), "fleet.toml"))
    assert factored_results(ended.as_of("2026-06-30"))["sample"].tolist() == ["north2", "north3"]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"factor": 9.0}, "found 9, wanted 0.2 to 5"),
        ({"from_on": "1 March"}, "from_on: found '1 March', wanted a day such as 2026-06-30"),
        ({"until_on": "2026-02-01"}, "until_on 2026-02-01 is before from_on 2026-03-01"),
        ({"reason": " "}, "reason is empty; wanted who accepted the factor and why"),
        ({"facter": 1.0}, "unknown key 'facter'. Did you mean 'factor'?"),
    ],
)
def test_a_wrong_factor_is_one_clear_error(changed: dict, words: str) -> None:
    with pytest.raises(SettingsError, match=words.replace(".", r"\.").replace("?", r"\?")):
        parse_settings({"name": "x"} | settings(**changed), "fleet.toml")


def test_an_unknown_result_is_named() -> None:
    raw = {"name": "x", "laboratory_factors": {"north": {"Iron": FACTOR}}}
    with pytest.raises(SettingsError, match=r"\[laboratory_factors.\"north\"\]: unknown analyte 'Iron'"):
        parse_settings(raw, "fleet.toml")
    assert LaboratoryFactor(laboratory="north", analyte="Fe_ppm", **FACTOR).until_on == ""
