"""The closed loop kept with the package: what its alarms and its record say, line by line, against the faults that were
really there.
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


def ends_of(faults: pd.DataFrame) -> set[tuple[str, pd.Timestamp]]:
    return set(zip(faults["compartment"], faults["ended_on"], strict=True))


@pytest.mark.parametrize("table", ["published", "record"])
def test_what_is_called_confirmed_was_there(run, table) -> None:
    said = getattr(run, table)
    confirmed = said[said["outcome"] == "defect"]
    assert len(confirmed) >= 5
    assert set(zip(confirmed["compartment"], confirmed["found_on"], strict=True)) <= ends_of(run.faults)
    if table == "record":
        assert set(confirmed["words"]) == {"confirmed"}
        assert (confirmed["found_on"] >= confirmed["known_on"]).all()


def test_looks_in_vain_stay_in_the_published_record_though_todays_numbers_forget_them(run) -> None:
    """The reason why the share as published is the one shown to judge by: by the last day's numbers every alarm that was
    looked into was right.
    """
    vain = run.published[run.published["outcome"] == "no defect"]
    assert len(vain) >= 3
    assert not set(zip(vain["compartment"], vain["found_on"], strict=True)) & ends_of(run.faults)
    assert not (run.record["outcome"] == "no defect").any()


def test_every_failure_is_in_the_record_and_no_other(run) -> None:
    failed = run.record[run.record["outcome"] == "failed"]
    truly = run.faults[(run.faults["how"] == "failed") & (run.faults["ended_on"] <= run.record["recorded_by"].max())]
    key = ["compartment", "found_on"]
    ends = truly.rename(columns={"ended_on": "found_on"})[key].sort_values(key, ignore_index=True)
    pd.testing.assert_frame_equal(failed[key].sort_values(key, ignore_index=True), ends, check_dtype=False)
    assert set(failed.loc[failed["alarm_on"].isna(), "words"]) <= {"failed while no alarm stood"}
