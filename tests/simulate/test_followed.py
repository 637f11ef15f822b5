"""The closed loop kept with the package: what its record says, line by line, against the faults that were really there,
and what is counted against its own record.
"""

import pandas as pd
import pytest

from cmkit.simulate.followed import FollowedDemo, followed_demo


@pytest.fixture(scope="module")
def run() -> FollowedDemo:
    return followed_demo()


def test_every_way_met_the_same_fleet(run) -> None:
    assert set(run.outcomes["years"]) == {run.outcomes["years"].iloc[0]}
    assert (run.outcomes.set_index("way").loc["nobody acts", ["looks_in_vain", "repairs", "repeats"]] == 0).all()


def test_what_the_record_calls_confirmed_was_there(run) -> None:
    confirmed = run.record[run.record["outcome"] == "defect"]
    assert len(confirmed) >= 5
    assert set(confirmed["words"]) == {"confirmed"}
    ends = set(zip(run.faults["compartment"], run.faults["ended_on"], strict=True))
    assert set(zip(confirmed["compartment"], confirmed["found_on"], strict=True)) <= ends
    assert (confirmed["found_on"] >= confirmed["known_on"]).all()


def test_every_failure_is_in_the_record_and_no_other(run) -> None:
    failed = run.record[run.record["outcome"] == "failed"]
    truly = run.faults[(run.faults["how"] == "failed") & (run.faults["ended_on"] <= run.record["recorded_by"].max())]
    key = ["compartment", "found_on"]
    ends = truly.rename(columns={"ended_on": "found_on"})[key].sort_values(key, ignore_index=True)
    pd.testing.assert_frame_equal(failed[key].sort_values(key, ignore_index=True), ends, check_dtype=False)
    assert set(failed.loc[failed["alarm_on"].isna(), "words"]) <= {"failed without a warning"}


def test_a_look_that_found_nothing_is_said_to_have_found_nothing(run) -> None:
    """Not that nothing was there: a look misses some, and of those the fault goes on."""
    vain = run.record[run.record["outcome"] == "no defect"]
    assert set(vain["words"]) <= {"looked into, nothing wrong found"}
    goes_on = [
        ((run.faults["compartment"] == r.compartment) & (run.faults["opened_on"] < r.found_on)
        & ~(run.faults["ended_on"] < r.found_on)).any()
        for r in vain.itertuples()
    ]  # fmt: skip
    assert sum(goes_on) <= max(3, 0.4 * len(vain))
