"""CPU seconds of judging every bottle of a large fleet, on one core.

    python tests/benchmarks/bench_judge.py               about 1,000 compartments with 30 bottles each, three times
    python tests/benchmarks/bench_judge.py 2 20          the machine list twice, 20 months

The demo's recipe with its machine list nine times over 45 months. Simulating, learning and the wear filter stand
outside the clock; inside it is everything `cmkit.judge.judge.judge_bottles` does: results against their own past, the
posterior bottle by bottle, the frames of chances and of what spoke for and against. The least of three runs is shown:
other work on the machine only adds.
"""

import os
import sys
import time
from dataclasses import replace

from bench_assess import fleet_of

from cmkit.judge.judge import judge_bottles
from cmkit.judge.learning import JudgeLearnt
from cmkit.judge.measures import ToJudge
from cmkit.learn import learn, newest_record
from cmkit.records.analytes import with_own
from cmkit.simulate.recipe import demo_recipe
from cmkit.trust.hours import running_hours
from cmkit.trust.laboratory import without_results
from cmkit.wear.fit import fit_wear

TIMES, MONTHS, RUNS = 9, 45, 3
GOAL_S, GOAL_BOTTLES = 3.0, 30_000


def seconds(times: int, months: int) -> tuple[int, int, list[float]]:
    """Compartments, bottles, and CPU seconds of each run."""
    fleet = fleet_of(replace(demo_recipe(), machines_times=times, months=months))
    day = newest_record(fleet)
    learnt, known = learn(fleet, day), fleet.as_of(day)
    wear = fit_wear(known, running_hours(known), learnt)
    register, screening = with_own(known.settings.analytes), wear.for_screening
    clean = without_results(known.samples, screening.units["sample"], register)
    of_judge = JudgeLearnt(learnt.measures, learnt.ageing, learnt.middles, learnt.priors)
    given = ToJudge(known, clean, wear.exposure, learnt.numbers, screening.expected, register)
    spent = []
    for _ in range(RUNS):
        start = time.process_time()
        judged = judge_bottles(given, of_judge)
        spent.append(time.process_time() - start)
    chances = judged.bottle_chances
    return chances["compartment"].nunique(), len(chances), spent


def main(times: int = TIMES, months: int = MONTHS) -> None:
    """Print the size and the seconds."""
    compartments, bottles, spent = seconds(times, months)
    least = min(spent)
    print(
        f"{compartments:,} compartments, {bottles:,} bottles: {least:.2f} s of CPU (runs "
        f"{', '.join(f'{s:.2f}' for s in spent)}), {1e6 * least / bottles:.0f} microseconds a bottle; for "
        f"{GOAL_BOTTLES:,} bottles {GOAL_BOTTLES * least / bottles:.2f} s, goal {GOAL_S:g} s. Load of the machine "
        f"{os.getloadavg()[0]:.1f}."
    )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
