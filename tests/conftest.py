"""Fixtures shared by all tests."""

import functools
import gc
import pickle
import subprocess
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from filelock import FileLock

from cmkit.assess import assess
from cmkit.assessment import Assessment
from cmkit.books.content.open_assessment import open_assessment
from cmkit.combine import combine
from cmkit.learn import learn
from cmkit.learnt import Learnt
from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.settings import parse_settings
from cmkit.tables.frames import empty
from cmkit.tables.records import TABLES

ROOT = Path(__file__).parent.parent
# Handed out first, in this order: files that make books, while the process's one fork server has loaded what books need;
# files that start a server of their own; then the others that take longest, longest first, so that at the end no process
# waits long for another.
FIRST = (
    "test_cli.py", "test_publish_months.py", "test_books_pages.py", "test_kernels_warm.py", "test_run_faults.py",
    "test_books_fleet.py", "test_own_data.py", "test_small_fleet.py", "test_books_round.py", "test_run_cluster.py",
    "test_writers.py", "test_records_store.py", "test_surroundings.py",
    "test_misleading_results.py", "test_few_records.py", "test_by_site.py", "test_wheel.py", "test_by_store.py",
    "test_hostile_files.py", "test_decide.py", "test_posterior.py", "test_examples.py", "test_dictionary.py",
    "test_review.py", "test_combine.py", "test_books_sections.py", "test_from_alarm_to_finding.py", "test_signals.py",
    "test_assess.py", "test_closed_loop.py", "test_books_truth.py", "test_static_pages.py", "test_learn.py",
)  # fmt: skip


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """In the order in which `--dist loadfile --no-loadscope-reorder` hands files out; what takes minutes only when
    asked for.
    """
    if not config.option.markexpr:
        slow = [item for item in items if item.get_closest_marker("slow")]
        config.hook.pytest_deselected(items=slow)
        items[:] = [item for item in items if item not in slow]
    items.sort(key=lambda item: FIRST.index(item.path.name) if item.path.name in FIRST else len(FIRST))


def pytest_collection_finish() -> None:
    """What is imported by now stays: the collector of garbage need not look at it again and again."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def design_data() -> Path:
    """Open data files with origin and licence in their README."""
    return ROOT / "tests" / "data"


@pytest.fixture(scope="session")
def until() -> Callable[..., None]:
    """`until(condition, process)`: wait for it, as long as the process that brings it about runs; ten minutes at
    most, since a process may start slowly on a loaded machine.
    """

    def wait(condition: Callable[[], bool], process: subprocess.Popen | None = None) -> None:
        last = time.monotonic() + 600
        while not condition():
            assert process is None or process.poll() is None or condition(), f"ended with {process.returncode}"
            assert time.monotonic() < last, "not so after ten minutes"
            time.sleep(0.01)

    return wait


def table(name: str, rows: list[dict]) -> pd.DataFrame:
    """One table of `tables.records` with every column and dtype the loader gives, from rows that name only what
    matters.
    """
    frame = pd.DataFrame(rows).reindex(columns=TABLES[name].names)
    for column in TABLES[name].columns:
        if column.kind == "date":
            frame[column.name] = pd.to_datetime(frame[column.name]).astype("datetime64[us]")
        else:
            frame[column.name] = frame[column.name].astype(column.dtype)
    if TABLES[name].results:
        given = pd.DataFrame(rows)
        results = {}
        for analyte in analyte_register().index:
            results[analyte] = (
                given[analyte].astype(float) if analyte in given else pd.Series(float("nan"), index=frame.index)
            )
            flag = below(analyte)
            results[flag] = (
                given[flag].fillna(False).astype(bool) if flag in given else pd.Series(False, index=frame.index)
            )
        frame = pd.concat([frame, pd.DataFrame(results, index=frame.index)], axis=1)
    return frame


@pytest.fixture(scope="session")
def make_fleet() -> Callable[..., Fleet]:
    """`make_fleet(samples=[{...}], machines=[...], settings={...})` -> Fleet; a table left out is empty."""

    def make(settings: dict | None = None, **rows: list[dict]) -> Fleet:
        tables = {name: table(name, rows.get(name, [])) for name in TABLES}
        return Fleet(
            settings=parse_settings({"name": "Test fleet", **(settings or {})}, "fleet.toml"),
            **tables,
            set_aside=empty("set_aside"),
            repairs=empty("repairs"),
            counts=empty("counts"),
        )

    return make


Once = Callable[[str, Callable[[], Any]], Any]


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Once:
    """`once(name, make)`: what `make()` gives, made by the first of the run's processes that asks and read by the
    others. Not to be changed.
    """
    own = tmp_path_factory.getbasetemp()
    folder = own if worker_id == "master" else own.parent

    def made(name: str, make: Callable[[], Any]) -> Any:
        path = folder / f"{name}.pickle"
        with FileLock(f"{path}.lock"):
            if not path.exists():
                path.write_bytes(pickle.dumps(make()))
        return pickle.loads(path.read_bytes())

    return made


@pytest.fixture(scope="session")
def demo_fleet(root: Path, once: Once) -> Fleet:
    """The demo fleet's records."""
    return once("demo", lambda: load_fleet(root / "sample_data"))


@pytest.fixture(scope="session")
def demo(root: Path, once: Once) -> Assessment:
    """The demo fleet on 30 June 2026, the day of its newest record."""
    return once("demo assessed", lambda: open_assessment(root / "sample_data"))


@pytest.fixture(scope="session")
def small(demo_fleet: Fleet) -> Fleet:
    """Five machines of the demo fleet, of four kinds and three sites."""
    machines = ["WL-04", "WL-05", "RH-04", "EX-02", "DR-02"]
    return only_places(demo_fleet, demo_fleet.compartments["machine"].isin(machines))


@pytest.fixture(scope="session")
def two_kinds(small: Fleet) -> Fleet:
    """Engines and final drives of those five machines."""
    return only_places(small, small.compartments["kind"].isin(["engine", "final drive"]))


@pytest.fixture(scope="session")
def two_kinds_learnt(two_kinds: Fleet, once: Once) -> Callable[[str], Learnt]:
    """`two_kinds_learnt(day)`: what those compartments teach."""
    return functools.cache(lambda day: once(f"two-kinds-{day}", lambda: learn(two_kinds, day)))


def only_places(fleet: Fleet, chosen: pd.Series) -> Fleet:
    """The fleet with those rows of its compartments alone, their machines and their records."""
    places = fleet.compartments[chosen]
    tables = {name: getattr(fleet, name) for name in TABLES}
    own = {n: f[f["compartment"].isin(places["compartment"])] for n, f in tables.items() if "compartment" in f.columns}
    own["machines"] = fleet.machines[fleet.machines["machine"].isin(places["machine"])]
    own["meters"] = fleet.meters[fleet.meters["machine"].isin(places["machine"])]
    own["corrections"] = fleet.corrections[fleet.corrections["sample"].isin(own["samples"]["sample"])]
    return replace(fleet, **{n: f.reset_index(drop=True) for n, f in own.items()})


@pytest.fixture(scope="session")
def small_learnt(small: Fleet, once: Once) -> Callable[[str], Learnt]:
    """`small_learnt(day)`: what those five machines teach."""
    return functools.cache(lambda day: once(f"learnt-{day}", lambda: learn(small, day)))


@pytest.fixture(scope="session")
def small_part(small: Fleet, small_learnt: Callable[[str], Learnt], once: Once) -> Callable[[str], Assessment]:
    """`small_part(day)`: what `assess` says of those five machines, before anything is combined."""
    return functools.cache(lambda day: once(f"part-{day}", lambda: assess(small, day, small_learnt(day))))


@pytest.fixture(scope="session")
def small_assessed(small_part: Callable[[str], Assessment], once: Once) -> Callable[[str], Assessment]:
    """`small_assessed(day)`: what `assess_fleet` says of those five machines, by its three steps."""
    return functools.cache(lambda day: once(f"assessed-{day}", lambda: combine([small_part(day)])))
