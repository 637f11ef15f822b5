"""A fleet assessed from its store, each site read by its own task: the same tables as with all records in memory."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from cmkit.assessment import load_assessment, table_names
from cmkit.by_site import SiteDone, assess_by_site, assess_store
from cmkit.cli import main
from cmkit.engine import Workers
from cmkit.errors import StoreError
from cmkit.learn import newest_record
from cmkit.records.storing.sites import FEWEST_MACHINES, chosen_records, newest_day, site_contents, site_records
from cmkit.records.storing.versions import StoredVersion, read_store, read_table
from cmkit.simulate.large import write_large
from cmkit.simulate.recipe import Recipe, demo_recipe
from cmkit.tables.records import TABLES

DAY = "2026-06-30"


def recipe_of(*machines: str) -> Recipe:
    """The demo's first site with some of its machines."""
    recipe = demo_recipe()
    return replace(recipe, sites=recipe.sites[:1], machines=[m for m in recipe.machines if m.machine in machines])


FEW = recipe_of("RH-01", "RH-02", "WL-01", "EX-01")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four machines of one of the demo's sites over a year and a half, once more under another name."""
    folder = tmp_path_factory.mktemp("large") / "store"
    write_large(FEW, folder, 2, 1.5)
    return folder


def rows(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.sort_values(list(frame.columns[:3]), kind="stable", ignore_index=True)


def test_a_site_read_alone_is_the_site_of_the_whole(store: Path) -> None:
    """By another route: everything read, then cut."""
    whole = read_store(store)
    assert len(whole.corrections)
    for site in whole.sites["site"]:
        own, cut = site_records(store, [site]), whole.for_site(site)
        for name in TABLES:
            pd.testing.assert_frame_equal(getattr(own, name), getattr(cut, name))
        assert own.elsewhere == cut.elsewhere


def test_a_bottle_that_a_correction_moves_to_a_site_is_read_with_it(store: Path) -> None:
    whole = read_store(store)
    first, other = whole.sites["site"].iloc[[0, 1]]
    bottle = whole.for_site(first).samples["sample"].iloc[0]
    place = whole.for_site(other).compartments["compartment"].iloc[0]
    moved = whole.corrections.iloc[:1].assign(sample=bottle, value=place)
    before = site_contents(store, [first, other])
    with pytest.MonkeyPatch.context() as patch:
        kept = StoredVersion.table
        patch.setattr(
            StoredVersion,
            "table",
            lambda v, t, *a, **k: moved.assign(file="x", row=2) if t == "corrections" else kept(v, t, *a, **k),
        )
        assert bottle in set(site_records(store, [other]).samples["sample"])
        now = site_contents(store, [first, other])
    assert now[first] != before[first]
    assert now[other] != before[other]


def test_the_copies_have_names_of_their_own(store: Path) -> None:
    whole = read_store(store)
    assert whole.sites["site"].is_unique
    assert len(whole.sites) == 2
    assert not whole.samples.duplicated(["sample", "reported_on"]).any()
    assert whole.samples["drawn_on"].min() >= pd.Timestamp("2025-01-01")
    assert pd.Timestamp("2026-06-01") <= whole.samples["drawn_on"].max() <= pd.Timestamp("2026-06-30")


def test_records_of_ten_years_reach_from_the_first_to_the_last(tmp_path: Path) -> None:
    recipe = recipe_of("RH-01")
    write_large(recipe, tmp_path / "store", 1, 10)
    drawn = read_table(tmp_path / "store", "samples", columns=["drawn_on"])["drawn_on"]
    assert set(drawn.dt.year) == set(range(2016, 2027))
    assert drawn.max() <= pd.Timestamp(recipe.end)


def test_processes_simulate_the_same(store: Path, tmp_path: Path) -> None:
    write_large(FEW, tmp_path / "store", 2, 1.5, each=Workers(processes=2).each)
    for name in ("samples", "services"):
        found = (
            read_table(s, name).sort_values(["file", "row"], ignore_index=True) for s in (store, tmp_path / "store")
        )
        pd.testing.assert_frame_equal(*found)
    with pytest.raises(StoreError, match="a store is here already"):
        write_large(FEW, tmp_path / "store", 1, 1.5)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the tables of the store's sites are kept."""
    return tmp_path_factory.mktemp("parts")


@pytest.fixture(scope="module")
def done(store: Path, parts: Path) -> dict[str, SiteDone]:
    return assess_store(store, DAY, parts)


def test_the_store_gives_the_tables_that_memory_gives(store: Path, done: dict[str, SiteDone], tmp_path: Path) -> None:
    whole = assess_by_site(read_store(store), DAY, keep=tmp_path / "memory")
    assert sorted(done) == whole.sites["site"].tolist()
    for site, part in done.items():
        own, wanted = (
            load_assessment(part.folder),
            load_assessment(tmp_path / "memory" / "sites" / Path(part.folder).name),
        )
        assert site in set(own.sites["site"])
        for name in table_names():
            pd.testing.assert_frame_equal(getattr(own, name), getattr(wanted, name))


def test_a_month_without_news_keeps_every_site(store: Path, done: dict[str, SiteDone], parts: Path) -> None:
    assert not any(part.kept for part in done.values())
    assert all(part.kept for part in assess_store(store, DAY, parts).values())


def test_a_large_fleet_is_learnt_from_some_machines_of_every_kind_and_site(store: Path) -> None:
    whole = read_store(store)
    some = chosen_records(store, len(whole.samples) // 2)
    assert set(some.sites["site"]) == set(whole.sites["site"])
    counts = whole.machines.groupby(["kind", "size_class"]).size()
    kept = some.machines.groupby(["kind", "size_class"]).size()
    assert (kept.reindex(counts.index) >= counts.clip(upper=FEWEST_MACHINES)).all()
    assert set(some.elsewhere) | set(some.compartments["compartment"]) == set(whole.compartments["compartment"])
    pd.testing.assert_frame_equal(rows(chosen_records(store, 10**9).samples), rows(whole.samples))


def test_the_command_assesses_a_store_site_by_site(store: Path, done: dict[str, SiteDone], tmp_path: Path) -> None:
    """One folder and one row of the record a site, the same tables as the function; the second run keeps them all."""
    own, out = done, tmp_path / "out"
    asked = ["assess-sites", str(store), "--out", str(out), "--as-of", DAY]
    first = CliRunner().invoke(main, asked)
    assert first.exit_code == 0, first.output
    record = pd.read_csv(out / "sites.csv")
    assert record["site"].tolist() == list(own)
    assert record["compartments"].tolist() == [part.compartments for part in own.values()]
    assert set(record["what"]) == {"assessed"}
    assert first.stderr.count("assessed in") == len(own)
    states = pd.concat([load_assessment(part.folder).verdicts["state"] for part in own.values()])
    assert f"{len(states)} compartments as known on {DAY}: {(states == 'alarm').sum()} alarm" in first.stdout
    whole = read_store(store).as_of(DAY)
    every = len(whole.compartments)
    assert f"Learnt from {every} of {every} compartments, {len(whole.samples):,} bottles." in first.stdout
    for folder, part in zip(record["folder"], own.values(), strict=True):
        found, wanted = load_assessment(out / folder), load_assessment(part.folder)
        for name in table_names():
            pd.testing.assert_frame_equal(getattr(found, name), getattr(wanted, name))
    again = CliRunner().invoke(main, [*asked, "--keep-learnt", "--processes", "1"])
    assert again.stderr.count("unchanged") == len(own)


def test_the_newest_day_of_a_store_is_that_of_its_records(store: Path) -> None:
    assert newest_day(store) == newest_record(read_store(store))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["sample_data", "--out", "{tmp}/x"], "no store"),
        (["{store}", "--out", "{tmp}"], "holds mine.txt; wanted a new folder"),
        (["{store}", "--out", "{tmp}/x", "--keep-learnt"], "no learnt.json"),
        (["{store}", "--out", "{tmp}/x", "--as-of", "30.6."], "--as-of: found '30.6.'"),
        (["{store}", "--out", "{tmp}/x", "--version", "9"], "version"),
        (["{store}"], "--out"),
    ],
)
def test_wrong_arguments_are_said_before_any_work(
    store: Path, tmp_path: Path, arguments: list[str], words: str
) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    said = CliRunner().invoke(main, ["assess-sites", *(a.format(store=store, tmp=tmp_path) for a in arguments)])
    assert said.exit_code == 2
    assert words in said.stderr
    assert {p.name for p in tmp_path.iterdir()} == {"mine.txt"}
