"""What is judged of every compartment: the rules that fired, the verdict now and at the end of last month, likely causes."""

from dataclasses import dataclass

import pandas as pd

from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.trust.hours import Hours
from cmkit.trust.screen import Trusted
from cmkit.wear.causes import likely_causes
from cmkit.wear.conditions import judge_conditions
from cmkit.wear.evidence import collect_evidence
from cmkit.wear.fit import Wear
from cmkit.wear.verdicts import alarm_spells, bottle_states, judge, looks_inside


@dataclass(frozen=True)
class State:
    """evidence: every rule that fired; spells: alarms from first bottle to what closed them; verdicts, causes: per compartment."""

    evidence: pd.DataFrame
    spells: pd.DataFrame
    verdicts: pd.DataFrame
    causes: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """What an assessment keeps of it."""
        return {"evidence": self.evidence, "verdicts": self.verdicts, "causes": self.causes}


def judge_compartments(known: Fleet, hours: Hours, wear: Wear, trust: Trusted, learnt: Learnt) -> State:
    """What speaks against which compartment, and the verdict."""
    register = with_own(known.settings.analytes)
    conditions = judge_conditions(known, wear.exposure, learnt, register)
    evidence = collect_evidence(known, wear.exposure, wear.history, learnt.limits, conditions, register)
    spells = alarm_spells(
        bottle_states(wear.exposure, evidence), evidence, wear.history, trust.trust, looks_inside(known)
    )
    verdicts = judge(known, wear.exposure, hours.use, evidence, spells, wear.forecast, trust.trust, trust.doubts)
    causes = likely_causes(known, wear.exposure, wear.history, evidence, verdicts, register)
    return State(evidence, spells, verdicts, causes)
