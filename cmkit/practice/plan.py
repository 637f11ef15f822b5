"""What to do about it: bottles due, the next round, what waiting costs, how often to sample, and what past alarms led
to.
"""

from dataclasses import dataclass, fields

import pandas as pd

from cmkit.intervals.advise import advise_intervals
from cmkit.judge.compartments import State
from cmkit.learnt import Learnt
from cmkit.practice.accepted_factors import factored_results
from cmkit.practice.batches import batch_register
from cmkit.practice.chain import bottle_chain, in_hand
from cmkit.practice.changes import Beside, fluid_changes
from cmkit.practice.cleaning import cleanliness
from cmkit.practice.coolants import coolant_state
from cmkit.practice.coverage import coverage
from cmkit.practice.decisions import open_work, what_became
from cmkit.practice.due import next_due
from cmkit.practice.duplicates import duplicate_pairs, duplicates, paired_results
from cmkit.practice.load import load_rates
from cmkit.practice.missed import missed_failures
from cmkit.practice.programme import LEAST_BELIEVED, programme_measures
from cmkit.practice.replay import alarm_record
from cmkit.practice.rounds import plan_round
from cmkit.practice.stock import mixed_fluids, stock_findings
from cmkit.practice.twins import twins
from cmkit.practice.waiting import waiting_costs
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import Hours
from cmkit.trust.screen import Trusted
from cmkit.wear.fit import Wear


@dataclass(frozen=True)
class Plan:
    """due, waiting: one row a compartment; cards: one a bottle of the next round; record: one a past alarm; intervals,
    curves: how often; turnaround: days by site and laboratory; chain: bottles without a result; missed: failures
    without a useful warning; coverage: what the tests can see; programme: measures by site and month; open_work: alarms
    and orders that stand, with their owners; decided: decisions and what their alarms came to; duplicates: two bottles
    of one draw; laboratory_pairs: what all duplicates say of those of these sites; factored_results: changed by an
    accepted laboratory factor; changes, cleanliness, coolants: what each fluid needs; stock, mixed_fluids: fluids that
    are not what they should be; twins: left against right; load_rates: wear by the hour beside wear by fuel burnt or
    tonnes moved; batches, batch_results: the register of fresh fluids.
    """

    due: pd.DataFrame
    cards: pd.DataFrame
    record: pd.DataFrame
    waiting: pd.DataFrame
    intervals: pd.DataFrame
    curves: pd.DataFrame
    turnaround: pd.DataFrame
    chain: pd.DataFrame
    missed: pd.DataFrame
    coverage: pd.DataFrame
    programme: pd.DataFrame
    open_work: pd.DataFrame
    decided: pd.DataFrame
    duplicates: pd.DataFrame
    laboratory_pairs: pd.DataFrame
    factored_results: pd.DataFrame
    changes: pd.DataFrame
    cleanliness: pd.DataFrame
    coolants: pd.DataFrame
    stock: pd.DataFrame
    mixed_fluids: pd.DataFrame
    twins: pd.DataFrame
    load_rates: pd.DataFrame
    batches: pd.DataFrame
    batch_results: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


def plan_work(known: Fleet, hours: Hours, wear: Wear, state: State, learnt: Learnt, *, trust: Trusted) -> Plan:
    """What to do at these compartments, and what past alarms led to."""
    decided, expected = state.decided, wear.for_screening.expected
    believed = trust.trust.loc[trust.trust["believed"] >= LEAST_BELIEVED, "sample"]
    turnaround = _at(learnt.turnaround, known)
    chain = bottle_chain(known, turnaround)
    pairs = duplicate_pairs(known)
    due = next_due(known, wear.exposure, hours.use, decided.verdicts, in_hand(chain))
    limits = learnt.of_families(known.compartments["family"], known.machines["site"])
    beside = Beside(wear.exposure, hours.use, due, decided.verdicts, limits["limits"], learnt.fresh, turnaround)
    alarms = decided.verdicts.loc[decided.verdicts["state"] == "alarm", "compartment"]
    record = alarm_record(known, decided.spells, hours.findings[["finding", "run_h"]])
    waiting = waiting_costs(known, decided)
    intervals, curves = advise_intervals(known, wear.exposure, wear.rates, hours.use, learnt)
    return Plan(
        due=due,
        cards=plan_round(known, due, hours.use),
        record=record,
        waiting=waiting,
        intervals=intervals,
        curves=curves,
        turnaround=turnaround,
        chain=chain,
        missed=missed_failures(known, record, decided.bottles),
        coverage=coverage(known),
        programme=programme_measures(known, wear.exposure, trust.trust, record),
        open_work=open_work(record, decided.orders, decided.verdicts, known.decisions, known.date),
        decided=what_became(known.decisions, decided.spells, record, known.findings),
        duplicates=duplicates(known, paired_results(known, pairs), pairs),
        laboratory_pairs=learnt.laboratory_pairs,
        factored_results=factored_results(known),
        changes=fluid_changes(known, beside),
        cleanliness=cleanliness(known, decided.bottles, alarms),
        coolants=coolant_state(known),
        stock=stock_findings(known, trust.fluids, wear.exposure),
        mixed_fluids=mixed_fluids(known, trust.fluids),
        twins=twins(known, expected[expected["sample"].isin(believed)]),
        load_rates=load_rates(known, wear.exposure, limits["numbers"]),
        batches=batch_register(known, learnt.batch_results),
        batch_results=_at(learnt.batch_results, known),
    )


def _at(learnt: pd.DataFrame, known: Fleet) -> pd.DataFrame:
    """Rows of a table of what was learnt that belong to these sites."""
    return learnt[learnt["site"].isin(known.sites["site"])].reset_index(drop=True)
