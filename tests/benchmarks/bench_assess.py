"""CPU seconds of learning, assessing and combining, their growth with the fleet, peak memory, two processes against
one, and the ratio to an earlier state of the project, all in one run on the demo's recipe multiplied.

    python tests/benchmarks/bench_assess.py              about 100, 400 and 1,600 compartments over 30 months
    python tests/benchmarks/bench_assess.py 14 90        the machine list so many times (1,600 and 10,000 compartments)
    python tests/benchmarks/bench_assess.py --no-peer 1  without the earlier state

Each size runs in a process of its own, so that its peak memory is its own. The fleet is simulated first, outside the
clock. The earlier state is commit 392acdc, taken from the repository's history, with its own recipe of the same
machines; it measures itself by its own script. CPU seconds still depend on what else the machine does; ratios are of
one run.
"""

import json
import os
import resource
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tomllib import loads
from typing import Any

import numpy as np
import pandas as pd

from cmkit.assess import assess
from cmkit.by_site import assess_by_site
from cmkit.combine import combine
from cmkit.engine import Workers
from cmkit.learn import learn, newest_record
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import with_families
from cmkit.records.settings import parse_settings
from cmkit.simulate.invented_fleet import simulate_fleet
from cmkit.simulate.recipe import Recipe, demo_recipe
from cmkit.tables.records import SET_ASIDE

TIMES = (1, 4, 14)
PEER = "392acdc"
_ROOT = Path(__file__).parents[2]
GOALS = (
    "Goals, on two idle cores: 112 compartments in 3 s, 1,568 in 12 s, 10,000 in 75 s; CPU of the earlier state over "
    "today's at 1,568 at least 4.5; "
    "growth exponent from 1,568 to 10,000 at most 1.05; wall of one process over two at least 1.6."
)


def fleet_of(recipe: Recipe) -> Fleet:
    """The fleet of a recipe, as records in memory."""
    tables, _ = simulate_fleet(recipe)
    tables["compartments"] = with_families(tables["compartments"], tables["machines"])
    aside = pd.DataFrame(columns=list(SET_ASIDE)).astype({"known_on": "datetime64[us]"})
    counts = pd.DataFrame(columns=["file", "table", "read", "used", "set_aside"])
    repairs = aside.assign(used=pd.Series(dtype="str"))
    settings = parse_settings(loads(recipe.fleet_toml), "fleet.toml")
    return Fleet(settings=settings, **tables, set_aside=aside, repairs=repairs, counts=counts)


def cpu_seconds() -> float:
    """CPU seconds of this process and of those it started that have ended."""
    return sum(os.times()[:4])


def clocked(step: Callable[[], Any], spent: dict[str, float], name: str) -> Any:
    """The result of a step; its CPU seconds go to `spent`."""
    start = time.process_time()
    result = step()
    spent[name] = time.process_time() - start
    return result


def measure(times: int) -> dict[str, Any]:
    """One assessment of the fleet `times` as large: sizes, CPU seconds by step, wall and CPU seconds of all, peak MB,
    then site by site.
    """
    fleet = fleet_of(replace(demo_recipe(), machines_times=times))
    day = newest_record(fleet)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall, cpu, spent = time.perf_counter(), time.process_time(), dict[str, float]()
    learnt = clocked(lambda: learn(fleet, day), spent, "learn")
    part = clocked(lambda: assess(fleet, day, learnt), spent, "assess, at once")
    clocked(lambda: combine([part]), spent, "combine")
    found = {
        "compartments": len(fleet.compartments), "bottles": len(fleet.samples), "seconds": time.perf_counter() - wall,
        "cpu": time.process_time() - cpu, "before_mb": before / 1024,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }  # fmt: skip
    for processes in (1, 2):
        wall, cpu = time.perf_counter(), cpu_seconds()
        assess_by_site(fleet, day, workers=Workers(processes=processes))
        found[f"seconds_{processes}"], found[f"cpu_{processes}"] = time.perf_counter() - wall, cpu_seconds() - cpu
    return found | {"steps": spent}


def apart(script: Path, times: int) -> dict[str, Any]:
    """What a state of the project measures of a fleet, by its own script, in a process of its own."""
    environment = os.environ | {"PYTHONPATH": str(script.parents[2])}
    command = [sys.executable, str(script), "--one", str(times)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, env=environment)
    return json.loads(done.stdout.splitlines()[-1])


def of_peer(times: int) -> dict[str, Any] | None:
    """The same of the earlier state; None where the history does not hold it."""
    with tempfile.TemporaryDirectory() as folder:
        packed = Path(folder) / "peer.tar"
        asked = ["git", "-C", str(_ROOT), "archive", "-o", str(packed), PEER]
        if subprocess.run(asked, check=False, capture_output=True).returncode:
            return None
        with tarfile.open(packed) as archive:
            archive.extractall(folder, filter="data")
        return apart(Path(folder) / "tests" / "benchmarks" / Path(__file__).name, times)


def against(found: list[dict[str, Any]], peers: list[dict[str, Any] | None]) -> str:
    """CPU seconds of the earlier state beside today's, by size."""
    rows = [["compartments", f"CPU at {PEER}, s", "CPU today, s", "ratio"], ["---"] * 4]
    for now, then in zip(found, peers, strict=True):
        if then:
            rows.append(
                [
                    f"{now['compartments']:,}",
                    f"{then['cpu']:.1f}",
                    f"{now['cpu']:.1f}",
                    f"{then['cpu'] / now['cpu']:.2f}",
                ]
            )
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def table(found: list[dict[str, Any]]) -> str:
    """Seconds by step and size, the largest step first, with the growth exponent between the first
    and the last size.
    """
    sizes = [f["compartments"] for f in found]
    rows = sorted(found[-1]["steps"], key=lambda s: -found[-1]["steps"][s])
    head = ["step", *(f"{n:,} compartments, s" for n in sizes), "exponent"]
    body = [[s, *(f"{f['steps'].get(s, 0.0):.2f}" for f in found),
        growth(sizes, [f["steps"].get(s, 0.0) for f in found])] for s in rows]  # fmt: skip
    body += [[name, *(f"{f[key]:.1f}" for f in found), growth(sizes, [f[key] for f in found])] for name,
    key in (("**all, wall**", "seconds"), ("**all, CPU**", "cpu"))]  # fmt: skip
    for name, key in (("wall", "seconds"), ("CPU", "cpu")):
        body += [[f"site by site, {n} process{'es' * (n > 1)}, {name}", *(f"{f[f'{key}_{n}']:.1f}" for f in found),
        growth(sizes, [f[f"{key}_{n}"] for f in found])] for n in (1, 2)]  # fmt: skip
    body += [["wall of one process over two", *(f"{f['seconds_1'] / f['seconds_2']:.2f}" for f in found), ""]]
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
    peer = "--no-peer" not in arguments
    sizes = [int(a) for a in arguments if a.isdigit()] or list(TIMES)
    before, found, peers = os.getloadavg()[1], [], []
    for times in sizes:
        found.append(apart(Path(__file__).resolve(), times))
        peers.append(of_peer(times) if peer else None)
    print(table(found), "\n\n" + against(found, peers) if any(peers) else "", f"\n\n{GOALS}", sep="")
    print(
        f"\nOther work on the machine: load {before:.1f} at the start, {os.getloadavg()[1]:.1f} at the end, on "
        f"{os.cpu_count()} cores."
    )


if __name__ == "__main__":
    sys.path.insert(0, str(_ROOT))
    main(sys.argv[1:])
