"""Every writing command killed, and refused by a full disk, at many steps and at random moments; the record is
`kills.md` beside this file.

    python -m tests.faults.kills            all of them, about ten minutes on two cores
    python -m tests.faults.kills books      those whose name holds the word; the page is not written

A kill is SIGKILL, which no program can answer. Old, new: what a reader finds afterwards is what stood there before, or
what the command
would have written, byte by byte. Torn: anything else.
"""

import multiprocessing
import os
import platform
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from multiprocessing.context import BaseContext
from pathlib import Path

from tests.faults.stopped import WRITERS, run_stopped
from tests.faults.writing import NEVER, Stops, assessments, snapshot, spread, whole_run
from tests.fork_server import fork_server

STEPS = {"kill": 12, "full": 5}  # about as many steps of each command
MOMENTS, SEED = 8, 11  # random moments of each command
SLOW = {"demo": 3, "take-in": 6}  # at most so many stops of each kind, of commands that are slow to start
PAGE = Path(__file__).with_suffix(".md")


@dataclass
class Found:
    """What came of one command's stops: how many of which kind, and the place of each that left something torn."""

    steps: int = 0
    stops: Counter[str] = field(default_factory=Counter)
    left: Counter[str] = field(default_factory=Counter)
    torn: list[str] = field(default_factory=list)

    def note(self, writer: Stops, place: Path, kind: str, where: str) -> None:
        now = snapshot(place)
        what = "old" if now == writer.old else "new" if now == writer.new else "torn"
        self.stops[kind] += 1
        self.left[what] += 1
        if what == "torn":
            self.torn.append(f"{writer.name}, {kind}, {where}")


def tried(name: str, forks: BaseContext, folder: Path, source: Path) -> Found:
    """One command, stopped again and again, each time at the state it finds at first."""
    found = Found()
    for how in ("kill", "full"):
        writer = whole_run(forks, name, how, folder / how, source)
        found.steps = max(found.steps, writer.steps)
        for step in spread(writer.steps, min(STEPS[how], SLOW.get(name, STEPS[how]))):
            place = writer.place(folder / how / f"{step}")
            writer.run(place, step)
            found.note(writer, place, "step" if how == "kill" else "full disk", f"step {step} of {writer.steps}")
        if how == "kill":
            at_random_moments(writer, folder / how, found)
    return found


def at_random_moments(writer: Stops, folder: Path, found: Found) -> None:
    """Killed from outside, at any moment of the time that a whole run takes."""
    rng = random.Random(SEED)
    begin = time.monotonic()
    writer.run(writer.place(folder / "timed"), NEVER)
    usual = time.monotonic() - begin
    for n in range(min(MOMENTS, SLOW.get(writer.name, MOMENTS))):
        place, after = writer.place(folder / f"moment {n}"), rng.uniform(0, usual)
        process = writer.forks.Process(  # type: ignore[attr-defined]
            target=run_stopped, args=(writer.name, place, writer.source, NEVER, "kill")
        )
        process.start()
        process.join(after)
        if process.is_alive():
            os.kill(process.pid, signal.SIGKILL)
        process.join()
        found.note(writer, place, "moment", f"after {after:.3f} s")


def page(results: dict[str, Found]) -> str:
    """The record as Markdown."""
    kinds = ("step", "moment", "full disk")
    total = sum((f.stops for f in results.values()), Counter())
    left = sum((f.left for f in results.values()), Counter())
    rows = [
        f"| {name} | {f.steps} | {' | '.join(str(f.stops[k]) for k in kinds)} | {f.left['old']} | {f.left['new']} | "
        f"{f.left['torn']} |"
        for name, f in results.items()
    ]
    torn = [f"- {line}" for f in results.values() for line in f.torn]
    return "\n".join(
        [
            "# Writing commands, stopped",
            "",
            "Written by `python -m tests.faults.kills`; what is counted stands in that file.",
            "",
            f"{total['step'] + total['moment']} kills and {total['full disk']} full disks over {len(results)} writing "
            f"commands: "
            f"{left['old']} left the old, {left['new']} the new, **{left['torn']} torn**. "
            f"Python {platform.python_version()}, {platform.system()}, {multiprocessing.cpu_count()} cores.",
            "",
            "| command | steps that change the disk | killed at a step | killed at a random moment | disk full from a "
            "step on | old stands | new stands | torn |",
            "|---|---|---|---|---|---|---|---|",
            *rows,
            *(["", "Torn:", "", *torn] if torn else []),
            "",
        ]
    )


def main(words: list[str]) -> int:
    """The exit code is the number of stops that left something torn."""
    chosen = [n for n in WRITERS if not words or any(w in n for w in words)]
    results = {}
    with tempfile.TemporaryDirectory() as folder:
        source = assessments(Path(folder))
        with fork_server("tests.faults.stopped") as forks:
            for n, name in enumerate(chosen):
                results[name] = tried(name, forks, Path(folder) / f"{n}", source)
                print(f"{name:<22} {dict(results[name].stops)} {dict(results[name].left)}", flush=True)
    if words:
        print(page(results))
    else:
        PAGE.write_text(page(results), encoding="utf-8")
        print(f"Written to {PAGE.name}")
    return sum(f.left["torn"] for f in results.values())


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
