"""A fleet assessed site by site: the same tables whoever does it, and only what changed is done again."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from cmkit.assessment import Assessment, table_names
from cmkit.by_site import SiteDone, assess_by_site
from cmkit.combine import combine
from cmkit.engine import Workers
from cmkit.errors import CmkitError
from cmkit.learnt import Learnt
from cmkit.records.fleet import Fleet

DAY = "2026-06-30"


@pytest.fixture(scope="module")
def learnt(small_learnt: Callable[[str], Learnt]) -> Learnt:
    return small_learnt(DAY)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where `serial` keeps its sites' parts; not to be changed."""
    return tmp_path_factory.mktemp("parts")


@pytest.fixture(scope="module")
def serial(small: Fleet, learnt: Learnt, parts: Path) -> Assessment:
    return assess_by_site(small, DAY, learnt=learnt, keep=parts)


@pytest.fixture
def place(serial: Assessment, parts: Path, tmp_path: Path) -> Path:
    """A copy of those parts."""
    return shutil.copytree(parts, tmp_path / "parts")


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_processes_give_the_same_files_byte_for_byte(
    small: Fleet, learnt: Learnt, serial: Assessment, tmp_path: Path
) -> None:
    by_processes = assess_by_site(small, DAY, learnt=learnt, workers=Workers(processes=2))
    serial.save(tmp_path / "serial")
    by_processes.save(tmp_path / "processes")
    assert contents(tmp_path / "serial") == contents(tmp_path / "processes")


def in_order(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in an order of their own content: a site's files come one after another."""
    return table.sort_values(list(table.columns), key=lambda c: c.astype("str"), kind="stable", ignore_index=True)


def test_tasks_and_files_add_nothing(serial: Assessment, small_sites: Callable[[str], list[Assessment]]) -> None:
    """Equal to the sites assessed in memory and combined, which `test_combine.py` holds against the fleet assessed at
    once.
    """
    parts = combine(small_sites(DAY))
    assert json.dumps(serial.about, sort_keys=True) == json.dumps(parts.about, sort_keys=True)
    for name in table_names():
        pd.testing.assert_frame_equal(in_order(getattr(serial, name)), in_order(getattr(parts, name)), check_exact=True)


def kept_sites(fleet: Fleet, learnt: Learnt, place: Path, day: str = DAY) -> set[str]:
    """Sites that were not assessed again."""
    done: list[SiteDone] = []
    assess_by_site(fleet, day, learnt=learnt, keep=place, progress=lambda d, n, total: done.append(d))
    assert len(done) == len(fleet.sites)
    return {d.site for d in done if d.kept}


def test_only_a_changed_site_is_assessed_again(small: Fleet, learnt: Learnt, place: Path) -> None:
    sites = set(small.sites["site"])
    assert len(sites) > 1
    last = small.samples[small.samples["reported_on"] <= DAY].iloc[-1]
    machine = small.compartments.set_index("compartment")["machine"][last["compartment"]]
    site = small.machines.set_index("machine")["site"][machine]
    samples = small.samples.copy()
    samples.loc[samples["sample"] == last["sample"], "Fe_ppm"] += 1.0
    assert kept_sites(replace(small, samples=samples), learnt, place) == sites - {site}


def test_settings_another_day_and_other_numbers_concern_every_site(small: Fleet, learnt: Learnt, place: Path) -> None:
    """Shown on one site, whose part is kept as long as none of them changes."""
    one = small.for_site(small.sites["site"].iloc[0])
    one = replace(one, sites=one.sites[one.sites["site"] == small.sites["site"].iloc[0]])
    assert len(kept_sites(one, learnt, place)) == 1
    assert kept_sites(replace(one, settings=replace(one.settings, currency="XYZ")), learnt, place) == set()
    assert kept_sites(one, replace(learnt, pace=learnt.pace + 1), place) == set()
    assert kept_sites(one, learnt, place, "2026-07-01") == set()


def test_a_part_that_is_kept_gives_the_tables_of_one_made_anew(
    small: Fleet, learnt: Learnt, serial: Assessment, place: Path, tmp_path: Path
) -> None:
    again = assess_by_site(small, DAY, learnt=learnt, keep=place)
    serial.save(tmp_path / "serial")
    again.save(tmp_path / "again")
    assert contents(tmp_path / "serial") == contents(tmp_path / "again")
    assert kept_sites(small, learnt, place) == set(small.sites["site"])


def test_a_damaged_part_is_made_again(small: Fleet, learnt: Learnt, place: Path) -> None:
    part = sorted((place / "sites").iterdir())[0]
    (part / "verdicts.parquet").write_bytes(b"cut short")
    assert len(kept_sites(small, learnt, place)) == len(small.sites) - 1


def test_numbers_of_a_later_day_are_refused(small: Fleet, learnt: Learnt) -> None:
    with pytest.raises(CmkitError, match="learnt on 2026-06-30, after 2026-05-31"):
        assess_by_site(small, "2026-05-31", learnt=learnt)
