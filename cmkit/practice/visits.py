"""On which day each bottle of a round is drawn: urgent ones first, a machine's bottles together, within what the crews
can draw.

Days of work, how early a bottle may be drawn and the longest series of visits are our own choices.
"""

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

URGENT = {
    "repeat after alarm": 0,
    "repeat after alert": 0,
    "never sampled": 1,
    "repeat of a doubted bottle": 1,
    "sooner after alarm": 1,
    "sooner after alert": 2,
}
MAX_VISITS = 6  # bottles of one compartment in one round
CREW_DAYS = 5  # Monday to Friday
_EARLY = 0.25  # a bottle may be drawn this share of its interval early, where the crew is at its machine already
_WAIT_DAYS = 3  # a bottle past due waits so long at most for the crew to be at its machine
_DAYS_A_WEEK = 7


@dataclass
class _Calendar:
    """The crews' days with what is planned on them. per_week: bottles a week, 0 for no limit; a part of a week has its
    part of them.
    """

    start: pd.Timestamp
    length: int
    per_week: float
    days: list[pd.Timestamp] = field(init=False)
    a_day: Counter[Any] = field(default_factory=Counter)
    a_week: Counter[Any] = field(default_factory=Counter)
    at_machine: defaultdict[Any, Any] = field(default_factory=lambda: defaultdict(set))

    def __post_init__(self) -> None:
        ahead = pd.date_range(self.start + pd.Timedelta(days=1), periods=self.length)
        self.days = [d for d in ahead if d.weekday() < CREW_DAYS]

    def week(self, day: pd.Timestamp) -> int:
        return int((day - self.start).days - 1) // _DAYS_A_WEEK

    def room(self, day: pd.Timestamp, machine: str) -> bool:
        """Whether one more bottle can be drawn on that day; where the crew is at the machine already, only the week is
        full.
        """
        if not self.per_week:
            return True
        week = self.week(day)
        ends = [min(_DAYS_A_WEEK * w, self.length) / _DAYS_A_WEEK for w in (week, week + 1)]
        so_far, until = (math.floor(self.per_week * end + 1e-9) for end in ends)
        a_day = day in self.at_machine[machine] or self.a_day[day] < math.ceil(self.per_week / CREW_DAYS)
        return a_day and self.a_week[week] < until - so_far

    def add(self, day: pd.Timestamp, machine: str) -> None:
        self.a_day[day] += 1
        self.a_week[self.week(day)] += 1
        self.at_machine[machine].add(day)


def plan_visits(wanted: pd.DataFrame, date: pd.Timestamp, days: int, per_week: float, tolerance: float) -> pd.DataFrame:
    """`wanted` with plan_on (NaT: past what the crews can draw), visit (1, 2, ...) and later; one row a bottle.

    wanted: compartment, machine, site, why, every_h, overdue_h, due_on, due_meter_h and h_per_day (hours a day; NaN
    where not known). A compartment whose interval ends again within `days` after `date` has a row for each further
    visit, MAX_VISITS in all at most. per_week: bottles a week over all sites, 0 for no limit; what is left of them
    after the urgent ones is shared among the sites. tolerance: share of the interval a bottle may be late.
    """
    calendar = _Calendar(date, days, per_week)
    left, made = _in_turn(wanted), []
    for visit in range(1, MAX_VISITS + 1):
        planned = [_choose(r, calendar, tolerance) for r in left.itertuples()]
        done = left.assign(plan_on=pd.to_datetime(pd.Series(planned, index=left.index)), visit=visit)
        made.append(done)
        left = _next_visits(done, date + pd.Timedelta(days=days))
    out = pd.concat([m for m in made if len(m)] or made[:1])
    return out.assign(later=out["plan_on"].isna())


def _in_turn(wanted: pd.DataFrame) -> pd.DataFrame:
    """Urgent bottles first, machine by machine with the most urgent one first; then site by site in turn, each by how
    far past due it is, so that no site waits for another."""
    out = wanted.assign(order=wanted["why"].map(URGENT), past=(wanted["overdue_h"] / wanted["every_h"]).fillna(0))
    out["days_between"] = (out["every_h"] / out["h_per_day"].where(out["h_per_day"] > 0)).fillna(0.0)
    out = out.sort_values(["order", "past", "due_on", "compartment"], ascending=[True, False, True, True])
    urgent, routine = out[out["order"].notna()], out[out["order"].isna()]
    urgent = urgent.assign(turn=urgent.groupby("machine", sort=False).ngroup())
    sites = routine.groupby("site")["site"]
    routine = routine.assign(turn=sites.cumcount() / sites.transform("size"))
    return pd.concat([part.sort_values("turn", kind="stable") for part in (urgent, routine) if len(part)] or [urgent])


def _choose(bottle: object, calendar: _Calendar, tolerance: float) -> pd.Timestamp | None:
    """The day of a bottle: one on which the crew is at the machine anyway, else the last before it is due, else the
    first after, or within a few days of it one with the crew at the machine.
    """
    due, between, machine = bottle.due_on, bottle.days_between, bottle.machine  # type: ignore[attr-defined]
    free = [d for d in calendar.days if calendar.room(d, machine)]
    first, last = due - pd.Timedelta(days=_EARLY * between), due + pd.Timedelta(days=tolerance * between)
    near, after = [d for d in free if first <= d <= last], [d for d in free if d > due]
    soon = [d for d in after if d <= after[0] + pd.Timedelta(days=_WAIT_DAYS)]
    shared = [d for d in near or soon if d in calendar.at_machine[machine]]
    before = [d for d in near if d <= due]
    day = min(shared, key=lambda d: abs(d - due)) if shared else before[-1] if before else after[0] if after else None
    if day is not None:
        calendar.add(day, machine)
    return day


def _next_visits(done: pd.DataFrame, until: pd.Timestamp) -> pd.DataFrame:
    """The bottles that fall due again before `until` when these are drawn on their day."""
    drawn = done[done["plan_on"].notna() & (done["days_between"] > 0)]
    late_h = drawn["overdue_h"] + (drawn["plan_on"] - drawn["due_on"]).dt.days.clip(lower=0) * drawn["h_per_day"]
    following = drawn.assign(
        due_on=drawn["plan_on"] + pd.to_timedelta(drawn["days_between"].clip(upper=3650).round(), unit="D"),
        due_meter_h=drawn["due_meter_h"] + late_h + drawn["every_h"],
        why="routine",
        overdue_h=0.0,
    )
    return following[following["due_on"] <= until]
