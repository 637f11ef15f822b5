"""Questions over a whole store: the same answer as pandas on the same rows (a general library as the peer), and nothing
else within reach.
"""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from cmkit.errors import StoreError
from cmkit.records.storing.query import fleet_query
from cmkit.records.storing.store import take_in
from cmkit.records.storing.versions import read_table

TODAY = date(2026, 1, 31)
MEANS = """
    SELECT m.site, c.kind, count(*) AS n, avg(s.Fe_ppm) AS mean, quantile_cont(s.Fe_ppm, .98) AS high
    FROM samples s JOIN compartments c USING (compartment) JOIN machines m USING (machine)
    WHERE s.drawn_on >= ? GROUP BY ALL ORDER BY ALL
"""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, root: Path) -> Path:
    place = tmp_path_factory.mktemp("query") / "it's a store"
    take_in(root / "sample_data", place)
    return place


def test_the_answer_is_that_of_pandas(store: Path) -> None:
    found = fleet_query(store, MEANS, [date(2024, 6, 1)])
    tables = {name: read_table(store, name) for name in ("samples", "compartments", "machines")}
    rows = tables["samples"].merge(tables["compartments"], on="compartment").merge(tables["machines"], on="machine")
    rows = rows[rows["drawn_on"] >= "2024-06-01"]
    by = rows.groupby(["site", "kind_x"])["Fe_ppm"]
    wanted = by.agg(n="size", mean="mean", high=lambda v: v.quantile(0.98)).reset_index(names=["site", "kind"])
    assert len(found) > 5
    pd.testing.assert_frame_equal(found, wanted, check_exact=False, rtol=1e-12)


def test_every_table_is_there_by_its_name(store: Path) -> None:
    for name in ("sites", "machines", "compartments", "samples", "services", "meters", "findings", "corrections"):
        assert fleet_query(store, f'SELECT count(*) AS n FROM "{name}"')["n"][0] == len(read_table(store, name))  # noqa: S608
    days = fleet_query(store, "SELECT drawn_on, sample FROM samples LIMIT 1")
    assert [str(kind) for kind in days.dtypes] == ["datetime64[us]", "str"]


def test_an_earlier_version_and_another_place(tmp_path: Path, write: Callable[..., Path]) -> None:
    folder = write()
    url = f"memory://cmkit-query-{tmp_path.name}"
    take_in(folder, url, TODAY)
    count = "SELECT count(*) AS n FROM samples"
    first = fleet_query(url, count)["n"][0]
    (folder / "inbox").mkdir()
    (folder / "inbox" / "more.csv").write_text("sample,compartment,drawn_on\nX9,WL-01/engine,2025-01-20\n")
    take_in(folder, url, TODAY)
    assert fleet_query(url, count)["n"][0] == first + 1
    assert fleet_query(url, count, version=1)["n"][0] == first


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("SELECT nothing FROM samples", "nothing"),
        ("SELEC 1", "syntax"),
        ("", "no statement"),
        ("SELECT 1; SELECT 2", "SELECT, SELECT; wanted one SELECT"),
        ("CREATE TABLE x AS SELECT 1", "CREATE; wanted one SELECT"),
        ("COPY samples TO 'out.csv'", "COPY; wanted one SELECT"),
        ("SELECT * FROM read_csv('/etc/hostname')", "disabled by configuration"),
        ("SELECT * FROM '/etc/hostname'", "disabled by configuration|does not exist"),
        ("SELECT * FROM samples WHERE sample = ?", "parameter"),
    ],
)
def test_what_is_no_question_to_these_tables_is_refused(store: Path, sql: str, words: str) -> None:
    with pytest.raises(StoreError, match=f"(?is){words}"):
        fleet_query(store, sql)


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("SELECT count(*) FROM range(10000000000) a, range(10000) b", "took longer than 0.5 s and was stopped"),
        ("SELECT list(range) FROM range(100000000)", "needs more than 64 MB of memory"),
        ("SELECT * FROM range(150000000)", "needs more than 64 MB of memory"),
        ("SELECT repeat('x', 1000) AS words FROM range(1500000)", "needs more than 64 MB of memory"),
    ],
)
def test_a_question_or_an_answer_without_end_is_stopped(store: Path, sql: str, words: str) -> None:
    with pytest.raises(StoreError, match=words):
        fleet_query(store, sql, most_mb=64, most_s=0.5 if "longer" in words else 60)
    assert fleet_query(store, "SELECT 1 AS one")["one"].tolist() == [1]


def test_a_store_or_version_that_is_not_there(store: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store here yet"):
        fleet_query(tmp_path / "none", "SELECT 1")
    with pytest.raises(StoreError, match="no version 7; the store holds 1"):
        fleet_query(store, "SELECT 1", version=7)
