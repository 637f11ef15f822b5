"""Makes what the package keeps of a closed loop on the demo (`cmkit/simulate/followed/`): eight of the demo's machines,
run with each way of judging, its orders followed; some minutes.

    python tests/benchmarks/followed_demo.py [FOLDER] [SEED]

outcomes.csv: one row a way. record.csv: the record of alarms after the last decision, as cmkit's own books would tell
it. faults.csv: the true faults of that run.
"""

import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from closed_loop import COUNTS, FIRST_ON, loop_recipe
from policies import RULES, Ours, naive, nobody

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


class Kept:
    """cmkit's orders, with the records of the last decision kept."""

    def __init__(self) -> None:
        self.ours = Ours()
        self.last: tuple[Fleet, pd.Timestamp] | None = None

    def __call__(self, fleet: Fleet, day: pd.Timestamp) -> pd.DataFrame:
        self.last = fleet, day
        return self.ours(fleet, day)

    def record(self) -> pd.DataFrame:
        """The record of alarms as of the last decision."""
        assert self.last is not None
        known = self.last[0].as_of(self.last[1])
        hours = running_hours(known)
        spells = self.ours.state_of(known, hours).decided.spells
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
