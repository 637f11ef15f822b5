"""Why was it missed: every failure without a useful warning gets one reason, from the records alone."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from cmkit.practice.coverage import LITTLE, NEVER, UNWATCHED, how_watched, mode_of, tests_done
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant
from cmkit.tables.frames import names, typed

MISSED = names("missed")
NOT_SAMPLED, RESULT_LATE, NOT_SEEN = "not sampled in time", "result late", "not seen by the tests done"
NOT_ACTED, BELOW, NOT_RECORDED = "seen and not acted on", "below what could be seen", "not recorded"
LOOKED = "seen, and a look found nothing"
_LOOKS = ("repair", "replace")


@dataclass(frozen=True)
class _Failure:
    """One failure: where, when, at what running hour, and how far back its fault is taken to have
    been there (hours).
    """

    compartment: str
    kind: str
    on: pd.Timestamp
    run_h: float
    cause: str
    reach_h: float
    since: pd.Timestamp


def missed_failures(known: Fleet, record: pd.DataFrame, bottles: pd.DataFrame) -> pd.DataFrame:
    """One row per failure on record that had no useful warning (columns MISSED), newest first.

    record: frame of `alarm_record`; bottles: frame of `bottle_states`. A warning is useful when it was known
    useful_days or more before the failure and somebody acted; a failure after such an alarm is one that was `seen and
    not acted on`, or `seen, and a look found nothing`. A fault is taken to have been there for the kind's mean delay
    before it failed, and not before the last repair, replacement or finding.
    """
    failed = record[record["outcome"] == "failed"].sort_values(["found_on", "compartment"], ascending=[False, True])
    if not len(failed):
        return typed([], "missed")
    bottles = bottles[bottles["compartment"].isin(failed["compartment"].unique())]
    drawn_there = known.samples["compartment"].isin(failed["compartment"].unique())
    known = replace(known, samples=known.samples[drawn_there])
    own = {str(c): rows for c, rows in bottles.groupby("compartment")}
    spells = {str(c): rows for c, rows in record[record["alarm_on"].notna()].groupby("compartment")}
    places = known.compartments.set_index("compartment")["kind"]
    renewed = {str(c): days for c, days in _renewals(known).groupby("compartment")["on"]}
    never = pd.Series(dtype="datetime64[us]")
    rows = []
    for row in failed.itertuples():
        kind = str(places.get(row.compartment, "other"))
        days = renewed.get(row.compartment, never)
        before = days[days < row.found_on]
        since = before.max() if len(before) else pd.Timestamp.min.as_unit("us")
        reach = known.settings.kind(kind).delay_mean_h * constant("reach_share")
        cause = row.cause if isinstance(row.cause, str) else ""
        failure = _Failure(row.compartment, kind, row.found_on, row.run_h, cause, reach, since)
        drawn = own.get(row.compartment, bottles.iloc[:0])
        alarms = spells.get(row.compartment, record.iloc[:0])
        rows.append(
            {
                "finding": row.finding,
                "compartment": row.compartment,
                "found_on": row.found_on,
                "cause": cause,
                "cost": row.cost,
            }
            | _reason(known, failure, drawn, alarms)
        )
    return typed(rows, "missed").reset_index(drop=True)


def _renewals(known: Fleet) -> pd.DataFrame:
    """Days from which a compartment counts as looked into or renewed: compartment, on."""
    repaired = known.services.loc[known.services["kind"].isin(_LOOKS), ["compartment", "done_on"]]
    found = known.findings.loc[known.findings["outcome"].isin(["defect", "failed"]), ["compartment", "found_on"]]
    fitted = known.compartments.loc[known.compartments["fitted_on"].notna(), ["compartment", "fitted_on"]]
    parts = [f.set_axis(["compartment", "on"], axis=1) for f in (repaired, found, fitted)]
    return pd.concat(parts, ignore_index=True)


def _reason(known: Fleet, failure: _Failure, drawn: pd.DataFrame, alarms: pd.DataFrame) -> dict[str, Any]:
    """The reason, the bottle it rests on and the words; the first that applies, in the order of the text."""
    useful = failure.on - pd.Timedelta(days=constant("useful_days"))
    of_it = drawn[(drawn["drawn_on"] > failure.since) & (drawn["drawn_on"] <= failure.on)].sort_values("drawn_on")
    raised = of_it[of_it["state"] == "alarm"]
    standing = alarms[(alarms["alarm_on"] > failure.since) & (alarms["known_on"] <= failure.on)]
    reach = _in_reach(of_it, failure)
    in_time, late = (reach[reach["known_on"] <= useful], reach[~(reach["known_on"] <= useful)])
    seen = raised[
        (raised["known_on"] <= useful) & (raised["sample"].isin(reach["sample"]) | _stood(raised, standing, failure))
    ]
    if len(seen):
        return _seen_in_time(known, failure, seen)
    if len(late) and (late["state"] == "alarm").any():
        first = late[late["state"] == "alarm"].iloc[0]
        return _say(
            RESULT_LATE,
            first,
            f"the bottle that shows it was drawn {_days(failure.on, first['drawn_on'])} days before, its result came "
            f"too late",
        )
    if not len(in_time):
        return _too_late(of_it, late, failure)
    newest = in_time.iloc[-1]
    if not failure.cause:
        return _say(NOT_RECORDED, newest, "no cause is recorded, so nobody can say whether it should have been seen")
    tests = _tests(known, failure, in_time["sample"])
    unseen = _unseen(failure, tests)
    if unseen:
        return _say(NOT_SEEN, newest, unseen)
    if newest["p_fault"] >= _hint(failure, newest):
        chance = f"a chance of a fault of {100 * newest['p_fault']:.0f} %"
        return _say(BELOW, newest, f"the newest bottle in time gave {chance} and stood at {newest['state']}")
    if _likely_there(newest, failure) and (faintly := _faintly(failure, tests)):
        return _say(BELOW, newest, f"a quiet bottle does not say that it was not there: {faintly}")
    hinted = late[late["p_fault"] >= constant("hint_chance")]
    if not len(hinted):
        return _began_later(newest, failure)
    if _likely_there(newest, failure):
        return _say(
            BELOW, newest, "the next one hints at a fault that was most likely there by then and too small to see"
        )
    return _too_late(of_it, hinted, failure)


def _hint(failure: _Failure, bottle: pd.Series) -> float:
    """Chance of a fault from which a bottle that called nothing is taken to have held it: the longer before the failure
    it was drawn, the less likely the fault was there, and the more it takes.
    """
    half_delay = failure.reach_h / constant("reach_share") / 2
    gap = failure.run_h - bottle["run_h"]
    return constant("hint_chance") * (gap / half_delay if np.isfinite(gap) else 1.0)


def _seen_in_time(known: Fleet, failure: _Failure, seen: pd.DataFrame) -> dict[str, Any]:
    """An alarm was known in time: left lying, or looked into with nothing found and no alarm known since. seen: its
    bottles, oldest first.
    """
    looks = known.findings[
        (known.findings["compartment"] == failure.compartment) & (known.findings["outcome"] == "no defect")
    ]
    looks = looks.loc[(looks["found_on"] >= seen["known_on"].iloc[0]) & (looks["found_on"] < failure.on), "found_on"]
    since = seen[seen["known_on"] > looks.max()] if len(looks) else seen
    first = since.iloc[0] if len(since) else seen.iloc[0]
    words = f"alarm known {_days(failure.on, first['known_on'])} days before it failed"
    if len(since):
        return _say(NOT_ACTED, first, words)
    return _say(LOOKED, first, f"{words}; a look on {looks.max():%Y-%m-%d} found nothing wrong")


def _tests(known: Fleet, failure: _Failure, samples: pd.Series) -> frozenset[str]:
    """The tests done on these bottles of the failure's compartment."""
    own = known.samples[known.samples["sample"].isin(samples)]
    return tests_done(own, with_own(known.settings.analytes)).get(failure.compartment, frozenset())


def _unseen(failure: _Failure, tests: frozenset[str]) -> str:
    """Why these tests could not show the cause, in words; empty where they could or where the cause is no mode we
    know.
    """
    mode = mode_of(failure.kind, failure.cause)
    if mode is None:
        return ""
    how = how_watched(mode, tests)
    if how == NEVER:
        return f"{mode.mode}: {mode.not_seen}"
    return f"the tests done do not show {mode.mode}; add: {mode.ask}" if how == UNWATCHED else ""


def _faintly(failure: _Failure, tests: frozenset[str]) -> str:
    """Why a bottle that is quiet under these tests does not clear the compartment of the cause, in words; empty where
    a result that shows it was among them.
    """
    mode = mode_of(failure.kind, failure.cause)
    if mode is None or how_watched(mode, tests) != LITTLE:
        return ""
    return f"the tests done show {mode.mode} a little only; add: {mode.ask}"


def _likely_there(bottle: pd.Series, failure: _Failure) -> bool:
    """Whether a bottle was drawn so shortly before the failure that its fault most likely had begun to show."""
    mean_delay = failure.reach_h / constant("reach_share")
    return bool(failure.run_h - bottle["run_h"] <= constant("there_share") * mean_delay)


def _began_later(last: pd.Series, failure: _Failure) -> dict[str, Any]:
    """The newest bottle in time showed nothing: the fault most likely began after it."""
    ran = f", {failure.run_h - last['run_h']:,.0f} h" if np.isfinite(failure.run_h - last["run_h"]) else ""
    gap = f"{_days(failure.on, last['drawn_on'])} days{ran} before it failed"
    return _say(
        NOT_SAMPLED,
        last,
        f"the last bottle with a result in time was drawn {gap}, and showed nothing: the fault most likely began "
        f"after it",
    )


def _in_reach(rows: pd.DataFrame, failure: _Failure) -> pd.DataFrame:
    """Bottles at which the fault is taken to have been there."""
    return rows[(failure.run_h - rows["run_h"]) <= failure.reach_h] if np.isfinite(failure.run_h) else rows.iloc[-1:]


def _stood(raised: pd.DataFrame, standing: pd.DataFrame, failure: _Failure) -> pd.Series:
    """Bottles of an alarm that the failure itself ended."""
    ended = standing[standing["found_on"] == failure.on]
    return raised["drawn_on"] >= (ended["alarm_on"].min() if len(ended) else pd.Timestamp.max.as_unit("us"))


def _too_late(of_it: pd.DataFrame, late: pd.DataFrame, failure: _Failure) -> dict[str, Any]:
    """No result of the fault's time was in hand: a bottle was under way, or none was drawn."""
    if len(late):
        first = late.iloc[0]
        return _say(
            RESULT_LATE,
            first,
            f"drawn {_days(failure.on, first['drawn_on'])} days before it failed, no result in hand in time",
        )
    if not len(of_it):
        return _say(NOT_SAMPLED, None, "no bottle since it was new or last looked into")
    return _began_later(of_it.iloc[-1], failure)


def _days(day: pd.Timestamp, since: pd.Timestamp) -> int:
    return int((day - since).days)


_THEN = {
    NOT_SAMPLED: "keep to the interval; where it was kept, shorten it",
    RESULT_LATE: "shorten the way to the result",
    NOT_SEEN: "add the test that shows it, or watch it another way",
    NOT_ACTED: "name an owner and a date for every alarm",
    LOOKED: "look again by another way, and draw a bottle soon after a look that found nothing",
    BELOW: "shorten the interval if such failures repeat",
    NOT_RECORDED: "write the cause into the finding",
}


def _say(reason: str, bottle: pd.Series | None, words: str) -> dict[str, Any]:
    sample = "" if bottle is None else str(bottle["sample"])
    return {"reason": reason, "sample": sample, "words": words, "then": _THEN[reason]}
