"""What comes of following the orders, done once on the demo: eight of its machines under five ways of judging, each
with its orders carried out, meeting the same faults.

The tables in `followed/` are kept with the package, because a run takes minutes; `tests/benchmarks/followed_demo.py`
makes them.
"""

from dataclasses import dataclass
from importlib.resources import files

import pandas as pd

_DATES = {
    "outcomes": (),
    "published": ("alarm_on", "as_of", "last_as_of", "found_on"),
    "record": ("alarm_on", "known_on", "found_on", "recorded_by"),
    "faults": ("opened_on", "ended_on"),
}


@dataclass(frozen=True)
class FollowedDemo:
    """One run of a closed loop. Invented fleet: shape only, no field fact.

    outcomes: one row a way of judging: years (compartment-years), failures, looks_in_vain, repairs (after a look that
    a bottle prompted), noticed (repairs after an operator's word), repeats and bottles drawn, downtime_h, cost (money
    of the demo). Under cmkit's orders: published, its alarms as they were said on each day of decision, with what came
    of them (`cmkit.practice.published.published_outcomes`); record, the record of alarms at the end, by the numbers of
    that day (table `record`); faults, what was really so: compartment, cause, opened_on, ended_on, how (failed, caught,
    open).
    """

    outcomes: pd.DataFrame
    published: pd.DataFrame
    record: pd.DataFrame
    faults: pd.DataFrame


def followed_demo() -> FollowedDemo:
    """The run kept with the package.

    >>> from cmkit.simulate.followed import followed_demo
    >>> followed_demo().outcomes["way"].tolist()[-1]
    "cmkit's orders"
    """
    place = files("cmkit.simulate").joinpath("followed")
    tables = {}
    for name, dates in _DATES.items():
        with place.joinpath(f"{name}.csv").open(encoding="utf-8") as handle:
            tables[name] = pd.read_csv(handle, parse_dates=list(dates))
    return FollowedDemo(**tables)
