"""CPU seconds of `assess` by step, its growth with the fleet, and its peak memory, on the demo fleet's recipe multiplied.

    python tests/benchmarks/bench_assess.py              about 100, 400 and 1,600 compartments over 30 months
    python tests/benchmarks/bench_assess.py 1 4          the machine list so many times

Each size runs in a process of its own, so that its peak memory is its own. The fleet is simulated first, outside the clock.
"""

import importlib
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from tomllib import loads
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import with_families
from cmkit.records.settings import parse_settings
from cmkit.simulate.invented_fleet import simulate_fleet
from cmkit.simulate.recipe import demo_recipe
from cmkit.tables.records import SET_ASIDE

story = importlib.import_module("cmkit.assess")  # the module; the package shows its function under that name

TIMES = (1, 4, 14)
GOALS = {"exponent": 1.1, "seconds": 60.0}


def fleet_of(times: int) -> Fleet:
    """The demo fleet's machine list `times` times, as records in memory."""
    recipe = replace(demo_recipe(), machines_times=times)
    tables, _ = simulate_fleet(recipe)
    tables["compartments"] = with_families(tables["compartments"], tables["machines"])
    aside = pd.DataFrame(columns=list(SET_ASIDE)).astype({"known_on": "datetime64[us]"})
    counts = pd.DataFrame(columns=["file", "table", "read", "used", "set_aside"])
    repairs = aside.assign(used=pd.Series(dtype="str"))
    settings = parse_settings(loads(recipe.fleet_toml), "fleet.toml")
    return Fleet(settings=settings, **tables, set_aside=aside, repairs=repairs, counts=counts)


@contextmanager
def timed_steps() -> Iterator[dict[str, float]]:
    """CPU seconds spent in each function that `assess` calls by name; the functions are put back afterwards."""
    spent: dict[str, float] = {}
    own = {n: f for n, f in vars(story).items() if callable(f) and getattr(f, "__module__", "").startswith("cmkit.")}
    steps = {n: f for n, f in own.items() if not isinstance(f, type) and n != "assess"}

    def clocked(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **kwargs: Any) -> Any:
            start = time.process_time()
            try:
                return step(*args, **kwargs)
            finally:
                spent[name] = spent.get(name, 0.0) + time.process_time() - start

        return run

    for name, step in steps.items():
        setattr(story, name, clocked(name, step))
    try:
        yield spent
    finally:
        for name, step in steps.items():
            setattr(story, name, step)


def measure(times: int) -> dict[str, Any]:
    """One assessment of the fleet `times` as large: sizes, CPU seconds by step, wall and CPU seconds of all, peak MB with and without the records' own."""
    fleet = fleet_of(times)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall, cpu = time.perf_counter(), time.process_time()
    with timed_steps() as spent:
        story.assess(fleet, story.newest_record(fleet))
    took = time.perf_counter() - wall
    return {
        "compartments": len(fleet.compartments), "bottles": len(fleet.samples), "seconds": took, "cpu": time.process_time() - cpu,
        "steps": spent, "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "before_mb": before / 1024,
    }  # fmt: skip


def apart(times: int) -> dict[str, Any]:
    """:func:`measure` in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--one", str(times)], check=True, stdout=subprocess.PIPE, text=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def table(found: list[dict[str, Any]]) -> str:
    """Seconds by step and size, the largest step first, with the growth exponent between the first and the last size."""
    sizes = [f["compartments"] for f in found]
    rows = sorted(found[-1]["steps"], key=lambda s: -found[-1]["steps"][s])
    head = ["step", *(f"{n:,} compartments, s" for n in sizes), "exponent"]
    body = [[s, *(f"{f['steps'].get(s, 0.0):.2f}" for f in found), growth(sizes, [f["steps"].get(s, 0.0) for f in found])] for s in rows]  # fmt: skip
    body += [[name, *(f"{f[key]:.1f}" for f in found), growth(sizes, [f[key] for f in found])] for name, key in (("**all, wall**", "seconds"), ("**all, CPU**", "cpu"))]  # fmt: skip
    body += [["peak memory, MB (records alone)", *(f"{f['peak_mb']:,.0f} ({f['before_mb']:,.0f})" for f in found), ""]]
    body += [["bottles", *(f"{f['bottles']:,}" for f in found), ""]]
    return "\n".join(f"| {' | '.join(row)} |" for row in [head, ["---"] * len(head), *body])


def growth(sizes: list[int], seconds: list[float]) -> str:
    """Exponent of seconds against size between the first and the last size; nothing for what takes no time."""
    if len(sizes) < 2 or min(seconds[0], seconds[-1]) < 0.05:
        return ""
    return f"{np.log(seconds[-1] / seconds[0]) / np.log(sizes[-1] / sizes[0]):.2f}"


def main(arguments: list[str]) -> None:
    """Print the table and the goals."""
    if arguments[:1] == ["--one"]:
        print(json.dumps(measure(int(arguments[1]))))
        return
    print(table([apart(times) for times in (map(int, arguments) if arguments else TIMES)]))
    print(f"\nGoals: exponent of all at most {GOALS['exponent']}; 1,600 compartments within {GOALS['seconds']:.0f} s.")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main(sys.argv[1:])
