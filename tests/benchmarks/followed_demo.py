"""Makes what the package keeps of a closed loop on the demo (`cmkit/simulate/followed/`): eight of the demo's machines,
run with each way of judging, its orders followed; some minutes.

    python tests/benchmarks/followed_demo.py [FOLDER] [SEED]

outcomes.csv: one row a way. published.csv: cmkit's alarms as they were said on the days of decision, with what came of
them. record.csv: the record of alarms after the last decision, by the numbers of that day. faults.csv: the true faults
of that run.
"""

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from closed_loop import COUNTS, FIRST_ON, loop_recipe
from policies import RULES, Ours, naive, nobody

from cmkit.practice.published import published_alarms, published_outcomes, said_in
from cmkit.practice.replay import alarm_record
from cmkit.records.fleet import Fleet
from cmkit.simulate.closed_loop import ClosedLoop, Policy, run_closed_loop
from cmkit.simulate.recipe import demo_recipe
from cmkit.trust.hours import running_hours

EVERY_DAYS, FAULTS = 14, 2.0
# thresholds as chosen in closed_loop.md, on fleets of other seeds
WAYS: dict[str, Policy] = {
    "nobody acts": nobody,
    "fixed limits": naive(RULES["fixed limits"].rule, 0.99),
    "rate of change": naive(RULES["rate of change"].rule, 0.997, at_once=True),
    "Shewhart levels": naive(RULES["Shewhart levels"].rule, 3.0),
}
OURS = "cmkit's orders"


class Kept(Ours):
    """cmkit's orders, with what was said on each day of decision kept, and the records of the last one."""

    def __init__(self) -> None:
        super().__init__()
        self.last: tuple[Fleet, pd.Timestamp] | None = None
        self.tables: dict[str, dict[str, pd.DataFrame]] = {}
        self.said: list[pd.DataFrame] = []

    def __call__(self, fleet: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        """Orders of the day."""
        orders = super().__call__(fleet, day)
        self.last = fleet, day
        said = [
            said_in(f"{day:%Y-%m-%d}", day, t["verdicts"], t["orders"], t["verdicts"].assign(cost_of_waiting=np.nan))
            for t in self.tables.values()
        ]
        self.said.append(pd.concat(said, ignore_index=True).assign(published_on=day))
        return orders

    def tables_of(self, known: Fleet) -> dict[str, pd.DataFrame]:
        """What is judged of these machines, kept by machine."""
        tables = super().tables_of(known)
        for machine, own in known.compartments.groupby("machine"):
            self.tables[machine] = {
                n: tables[n][tables[n]["compartment"].isin(own["compartment"])] for n in ("verdicts", "orders")
            }
        return tables

    def known(self) -> Fleet:
        """The records as of the last decision."""
        assert self.last is not None
        return self.last[0].as_of(self.last[1])

    def published(self) -> pd.DataFrame:
        """Alarms as they were said, with what came of them."""
        return published_outcomes(published_alarms(pd.concat(self.said, ignore_index=True)), self.known().findings)

    def record(self) -> pd.DataFrame:
        """The record of alarms by the numbers of the last decision."""
        known = self.known()
        hours = running_hours(known)
        spells = self.state_of(known, hours).decided.spells
        return alarm_record(known, spells, hours.findings[["finding", "run_h"]]).assign(recorded_by=known.date)


def outcome(way: str, done: ClosedLoop) -> dict[str, object]:
    """Totals of a run."""
    total = done.outcome[["years", *COUNTS]].sum()
    return {"way": way, **total.round(1).to_dict()}


def run(policy: Policy | Callable[[Fleet, pd.Timestamp], pd.DataFrame], seed: int) -> ClosedLoop:
    return run_closed_loop(loop_recipe(seed, FAULTS), policy, first_on=FIRST_ON, every_days=EVERY_DAYS)


def main(folder: Path, seed: int) -> None:
    """Writes the three tables."""
    rows = [outcome(way, run(policy, seed)) for way, policy in WAYS.items()]
    ours = Kept()
    done = run(ours, seed)
    folder.mkdir(parents=True, exist_ok=True)
    pd.DataFrame([*rows, outcome(OURS, done)]).to_csv(folder / "outcomes.csv", index=False, lineterminator="\n")
    ours.published().to_csv(folder / "published.csv", index=False, lineterminator="\n")
    ours.record().to_csv(folder / "record.csv", index=False, lineterminator="\n")
    faults = done.truth["faults"]
    faults[["compartment", "cause", "opened_on", "ended_on", "how"]].to_csv(
        folder / "faults.csv", index=False, lineterminator="\n"
    )
    print(pd.read_csv(folder / "outcomes.csv").to_string(index=False))


if __name__ == "__main__":
    kept = Path(__file__).parents[2] / "cmkit" / "simulate" / "followed"
    main(
        Path(sys.argv[1]) if len(sys.argv) > 1 else kept, int(sys.argv[2]) if len(sys.argv) > 2 else demo_recipe().seed
    )
