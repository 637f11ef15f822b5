"""What is judged of every compartment: the chance of each fault, the state it gives, and the order that follows."""

from dataclasses import dataclass, replace

import pandas as pd

from cmkit.judge.decide import Beside, Decisions, decide
from cmkit.judge.judge import Judged, judge_bottles
from cmkit.judge.learning import JudgeLearnt
from cmkit.judge.measures import ToJudge
from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import Hours, machine_use
from cmkit.trust.laboratory import without_results
from cmkit.trust.screen import Trusted
from cmkit.wear.conditions import judge_conditions
from cmkit.wear.evidence import collect_evidence
from cmkit.wear.fit import Wear
from cmkit.wear.laboratory_bias import on_one_scale


@dataclass(frozen=True)
class State:
    """judged: the posterior; evidence: limits passed and low levels; decided: states, orders, alarms, money and
    reasons.
    """

    judged: Judged
    evidence: pd.DataFrame
    decided: Decisions

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        judged, decided = self.judged, self.decided
        return {
            "evidence": self.evidence,
            "bottle_chances": judged.bottle_chances,
            "hypotheses": judged.hypotheses,
            "contributions": judged.contributions,
            "verdicts": decided.verdicts,
            "orders": decided.orders,
            "reasons": decided.reasons,
        }


def judge_compartments(known: Fleet, hours: Hours, wear: Wear, trust: Trusted, learnt: Learnt) -> State:
    """The posterior of every fault, and with the limits that act alone the state, the order and its reasons."""
    register = with_own(known.settings.analytes)
    screening = wear.for_screening
    kinds = known.compartments.set_index("compartment")["kind"]
    comparable = on_one_scale(known.samples, kinds, learnt.laboratory_bias)
    clean = without_results(comparable, screening.units["sample"], register)
    of_judge = JudgeLearnt(learnt.measures, learnt.ageing, learnt.middles, learnt.priors)
    given = ToJudge(
        known, clean, wear.exposure, learnt.numbers, screening.expected, register, own_fresh=learnt.own_fresh
    )
    judged = judge_bottles(given, of_judge)
    conditions = judge_conditions(known, wear.exposure, learnt, register)
    evidence = collect_evidence(
        known, wear.exposure, wear.history, learnt.limits, conditions=conditions, register=register
    )
    beside = Beside(evidence, wear.exposure, hours.use, screening.expected, trust.doubts, learnt.turnaround)
    return State(judged, evidence, decide(known, judged, beside))


def states_at(then: Fleet, state: State, wear: Wear, trust: Trusted, learnt: Learnt) -> pd.DataFrame:
    """Verdicts of an earlier day, from what had reached the office by then, by today's numbers.

    then: the records as known on that day; state, wear, trust, learnt: of a later day. What differs between the two
    happened to the machines, and is no number estimated anew.
    """
    all_bottles = trust.trust["sample"]
    later = all_bottles[~all_bottles.isin(then.samples["sample"])]

    def of_then(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[~frame["sample"].isin(later)]

    judged = replace(
        state.judged,
        bottle_chances=of_then(state.judged.bottle_chances),
        contributions=of_then(state.judged.contributions),
        hypotheses=state.judged.hypotheses.iloc[:0],
    )
    beside = Beside(
        of_then(state.evidence),
        wear.exposure,
        machine_use(then),
        of_then(wear.for_screening.expected),
        of_then(trust.doubts),
        learnt.turnaround,
    )
    return decide(then, judged, beside).verdicts
