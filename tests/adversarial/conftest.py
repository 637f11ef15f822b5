"""An assessment of a hand-made fleet, with the checks that hold of any fleet."""

import pytest
from made_drives import TODAY, Rows, check_any, drives

from cmkit.assess import assess_fleet
from cmkit.assessment import Assessment
from cmkit.records.fleet import Fleet


@pytest.fixture(scope="session")
def judged(make_fleet, tmp_path_factory):
    """`judged(rows)` or `judged(fleet)` -> its Assessment today, after the checks that hold of any fleet."""

    def run(records: Rows | Fleet, settings: dict | None = None, day: str = TODAY) -> Assessment:
        fleet = records if isinstance(records, Fleet) else make_fleet(settings=settings, **records)
        result = assess_fleet(fleet, day)
        check_any(fleet, result)
        result.save(tmp_path_factory.mktemp("run"))
        return result

    return run


@pytest.fixture(scope="session")
def plain(judged, once) -> Assessment:
    """The fleet as it is, with nothing wrong."""
    return once("drives", lambda: judged(drives()))
