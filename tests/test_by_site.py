"""A fleet assessed site by site: the same tables whoever does it, and only what changed is done again."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from cmkit.assess import assess
from cmkit.assessment import Assessment, table_names
from cmkit.by_site import ENOUGH_BOTTLES, FEWEST_BOTTLES, SiteDone, assess_by_site, sites_of_tasks
from cmkit.combine import combine
from cmkit.engine import Workers
from cmkit.errors import CmkitError
from cmkit.learnt import Learnt
from cmkit.records.fleet import Fleet

DAY = "2026-06-30"


@pytest.fixture(scope="module")
def learnt(two_kinds_learnt: Callable[[str], Learnt]) -> Learnt:
    return two_kinds_learnt(DAY)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where `serial` keeps its sites' parts; not to be changed."""
    return tmp_path_factory.mktemp("parts")


@pytest.fixture(scope="module")
def serial(two_kinds: Fleet, learnt: Learnt, parts: Path) -> Assessment:
    return assess_by_site(two_kinds, DAY, learnt=learnt, keep=parts)


@pytest.fixture
def place(serial: Assessment, parts: Path, tmp_path: Path) -> Path:
    """A copy of those parts."""
    return shutil.copytree(parts, tmp_path / "parts")


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_processes_give_the_same_files_byte_for_byte(
    two_kinds: Fleet, learnt: Learnt, serial: Assessment, tmp_path: Path
) -> None:
    by_processes = assess_by_site(two_kinds, DAY, learnt=learnt, workers=Workers(processes=2))
    serial.save(tmp_path / "serial")
    by_processes.save(tmp_path / "processes")
    assert contents(tmp_path / "serial") == contents(tmp_path / "processes")


def by_key(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in the order of what is no number in them: a site's files come one after another."""
    names = [c for c in table.columns if not pd.api.types.is_float_dtype(table[c]) and c != "words"]
    return table.sort_values(names, key=lambda c: c.astype("str"), kind="stable", ignore_index=True)


def test_tasks_and_files_add_nothing(two_kinds: Fleet, learnt: Learnt, serial: Assessment) -> None:
    """Equal to the sites assessed one by one in memory and combined, which `test_combine.py` holds against the fleet
    assessed at once; but for the sixth decimal, since sums run over other neighbours.
    """
    parts = combine([assess(two_kinds.for_site(site), DAY, learnt) for site in two_kinds.sites["site"]])
    assert json.dumps(serial.about, sort_keys=True) == json.dumps(parts.about, sort_keys=True)
    for name in table_names():
        money = name in ("intervals", "curves")
        pd.testing.assert_frame_equal(
            by_key(getattr(serial, name)), by_key(getattr(parts, name)), rtol=2e-5, atol=0.05 if money else 1e-5
        )


def again(fleet: Fleet, learnt: Learnt, place: Path, day: str = DAY) -> tuple[Assessment, set[str]]:
    """What is said with parts of an earlier run at hand, and the sites that were not assessed again."""
    done: list[SiteDone] = []
    said = assess_by_site(fleet, day, learnt=learnt, keep=place, progress=lambda d, n, total: done.append(d))
    assert len(done) == len(fleet.sites)
    return said, {d.site for d in done if d.kept}


def kept_sites(fleet: Fleet, learnt: Learnt, place: Path, day: str = DAY) -> set[str]:
    return again(fleet, learnt, place, day)[1]


@pytest.fixture
def no_work(serial: Assessment, monkeypatch: pytest.MonkeyPatch) -> None:
    """A site that is assessed again gets the tables it had: asked is only which sites are."""
    monkeypatch.setattr("cmkit.by_site.assess_known", lambda known, before, learnt: serial)
    monkeypatch.setattr("cmkit.by_site.combine", lambda parts, reading: serial)


@pytest.mark.usefixtures("no_work")
def test_only_a_changed_site_is_assessed_again(two_kinds: Fleet, learnt: Learnt, place: Path) -> None:
    sites = set(two_kinds.sites["site"])
    assert len(sites) > 1
    last = two_kinds.samples[two_kinds.samples["reported_on"] <= DAY].iloc[-1]
    machine = two_kinds.compartments.set_index("compartment")["machine"][last["compartment"]]
    site = two_kinds.machines.set_index("machine")["site"][machine]
    samples = two_kinds.samples.copy()
    samples.loc[samples["sample"] == last["sample"], "Fe_ppm"] += 1.0
    assert kept_sites(replace(two_kinds, samples=samples), learnt, place) == sites - {site}


@pytest.mark.usefixtures("no_work")
def test_settings_another_day_and_other_numbers_concern_every_site(
    two_kinds: Fleet, learnt: Learnt, place: Path
) -> None:
    """Shown on one site, whose part is kept as long as none of them changes."""
    one = two_kinds.for_site(two_kinds.sites["site"].iloc[0])
    one = replace(one, sites=one.sites[one.sites["site"] == two_kinds.sites["site"].iloc[0]])
    assert len(kept_sites(one, learnt, place)) == 1
    assert kept_sites(replace(one, settings=replace(one.settings, currency="XYZ")), learnt, place) == set()
    assert kept_sites(one, replace(learnt, pace=learnt.pace + 1), place) == set()
    assert kept_sites(one, learnt, place, "2026-07-01") == set()


def test_a_part_that_is_kept_gives_the_tables_of_one_made_anew(
    two_kinds: Fleet, learnt: Learnt, serial: Assessment, place: Path, tmp_path: Path
) -> None:
    said, kept = again(two_kinds, learnt, place)
    serial.save(tmp_path / "serial")
    said.save(tmp_path / "again")
    assert contents(tmp_path / "serial") == contents(tmp_path / "again")
    assert kept == set(two_kinds.sites["site"])


@pytest.mark.usefixtures("no_work")
def test_a_damaged_part_is_made_again(two_kinds: Fleet, learnt: Learnt, place: Path) -> None:
    part = sorted((place / "sites").iterdir())[0]
    (part / "verdicts.parquet").write_bytes(b"cut short")
    assert len(kept_sites(two_kinds, learnt, place)) == len(two_kinds.sites) - 1


def test_numbers_of_a_later_day_are_refused(two_kinds: Fleet, learnt: Learnt) -> None:
    with pytest.raises(CmkitError, match="learnt on 2026-06-30, after 2026-05-31"):
        assess_by_site(two_kinds, "2026-05-31", learnt=learnt)


@pytest.mark.parametrize(
    "bottles",
    [
        {"a": 300, "b": 500, "c": 1700},
        {f"s{n}": 100 + n for n in range(270)},
        {f"s{n}": 900 for n in range(600)} | {"large": 150_000},
        {"empty": 0},
    ],
)
def test_small_sites_share_a_task_and_none_is_in_two(bottles: dict[str, int]) -> None:
    tasks = sites_of_tasks(bottles)
    assert sorted(site for task in tasks for site in task) == sorted(bottles)
    held = [sum(bottles[site] for site in task) for task in tasks]
    assert held == sorted(held, reverse=True)
    largest = max(bottles.values())
    assert all(n <= 2 * max(ENOUGH_BOTTLES, largest) for n in held)
    if len(tasks) > 1:
        assert min(held) >= FEWEST_BOTTLES / 2


def test_a_site_without_machines_is_nobodys(two_kinds: Fleet, learnt: Learnt, serial: Assessment) -> None:
    """It shares a task with others, and their machines are not its own."""
    empty_site = two_kinds.sites.iloc[[0]].assign(site="closed pit")
    more = replace(two_kinds, sites=pd.concat([empty_site, two_kinds.sites], ignore_index=True))
    made = assess_by_site(more, DAY, learnt=learnt)
    assert sorted(made.machines["machine"]) == sorted(serial.machines["machine"])
    assert len(made.verdicts) == len(serial.verdicts)
