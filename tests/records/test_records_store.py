"""The store: exactly once, whole or not at all, never mixed, readable again. Processes are really killed; no outside
source is needed.
"""

import os
import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import fields
from datetime import date
from multiprocessing.context import BaseContext
from pathlib import Path
from typing import Any

import fsspec
import pandas as pd
import pytest
from click.testing import CliRunner
from filelock import FileLock

from cmkit import files
from cmkit.cli import main
from cmkit.errors import SettingsError, StoreError
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.reading.start import start_fleet
from cmkit.records.storing import store as store_module
from cmkit.records.storing.history import damaged_files, history, unused_files
from cmkit.records.storing.sites import site_records
from cmkit.records.storing.source import open_fleet
from cmkit.records.storing.store import take_in
from cmkit.records.storing.versions import read_store, read_table, store_place
from tests.fork_server import fork_server
from tests.lengths import short_or_full

TODAY = date(2026, 1, 31)
SITES = ("North", "South", "<script>", "../../x")
PLACES = {
    "sites.csv": "site\n" + "".join(f"{s}\n" for s in SITES),
    "machines.csv": "machine,site,kind\n" + "".join(f"M{i},{s},wheel loader\n" for i, s in enumerate(SITES)),
    "compartments.csv": "compartment,machine,kind\n" + "".join(f"M{i}/engine,M{i},engine\n" for i in range(len(SITES))),
    "samples.csv": None,
    "inbox/none.txt": "sample,compartment,drawn_on\n",
}


def month(k: int, per_site: int = 1) -> str:
    """A laboratory file of invention: `per_site` bottles of each site, numbered by month."""
    rows = [
        f"B{k}-{i}-{j},M{i}/engine,2025-01-{k % 28 + 1:02d},{k + j}" for i in range(len(SITES)) for j in range(per_site)
    ]
    return "sample,compartment,drawn_on,Fe_ppm\n" + "\n".join(rows) + "\n"


def frames(fleet: Fleet) -> dict[str, pd.DataFrame]:
    return {f.name: getattr(fleet, f.name) for f in fields(Fleet) if isinstance(getattr(fleet, f.name), pd.DataFrame)}


def same(a: Fleet, b: Fleet) -> None:
    for name, frame in frames(a).items():
        pd.testing.assert_frame_equal(frame, frames(b)[name], obj=name)


def test_a_store_gives_back_what_was_loaded_and_repeats_nothing(write: Callable[..., Path]) -> None:
    folder = write(
        {
            "services.csv": "service,compartment,done_on,kind\nW1,WL-01/engine,2025-01-11,change\nW2,nowhere,2025-01-11,change\n"
        }
    )
    first = take_in(folder, today=TODAY)
    assert (first.version, first.added["samples"], first.added["services"], first.changed) == (1, 3, 1, True)
    same(read_store(folder / "store"), load_fleet(folder, TODAY))
    again = take_in(folder, today=TODAY)
    assert (again.version, again.changed, again.words) == (1, False, "Nothing new: version 1 holds it all.")
    assert damaged_files(folder / "store") == unused_files(folder / "store") == []


def test_a_column_that_came_into_the_tables_later_is_empty_in_an_older_store(write: Callable[..., Path]) -> None:
    folder = write(
        {"services.csv": "service,compartment,done_on,kind,batch\nW1,WL-01/engine,2025-01-11,change,drum 7\n"}
    )
    take_in(folder, today=TODAY)
    [path] = (folder / "store").rglob("*services*.parquet")
    pd.read_parquet(path).drop(columns="batch").to_parquet(path)
    services = read_store(folder / "store").services
    assert services["batch"].isna().all()
    assert str(services["batch"].dtype) == "str"
    assert services["done_on"].tolist() == [pd.Timestamp("2025-01-11")]


def test_what_changed_is_said_in_one_line_and_comments_make_no_version(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    said = [take_in(folder, today=TODAY).words]
    settings = folder / "fleet.toml"
    for text in (
        '# a remark\nname="Small fleet"\n',
        'name = "Small fleet"\n[accepted_intervals]\n"M0/engine" = 500\n',
        "\ufeff",
    ):
        settings.write_text(text if len(text) > 1 else text + settings.read_text())
        said.append(take_in(folder, today=TODAY).words)
    places = (folder / "compartments.csv").read_text()
    (folder / "compartments.csv").write_text(places + "M0/hydraulic,M0,hydraulic\n")
    (folder / "inbox" / "2.csv").write_text(month(2) + "B9,M9/engine,2025-01-01,5\n")
    said.append(take_in(folder, today=TODAY).words)
    assert said == [
        "Version 1: 4 samples.",
        "Nothing new: version 1 holds it all.",
        "Version 2: no new rows; changed: fleet.toml.",
        "Nothing new: version 2 holds it all.",
        "Version 3: 4 samples; changed: compartments; 1 set aside so far (cmkit check says why).",
    ]
    assert read_store(folder / "store").settings.accepted_intervals == {"M0/engine": 500}


def test_an_empty_fleet_has_no_version_yet(tmp_path: Path) -> None:
    start_fleet(tmp_path / "new")
    taken = take_in(tmp_path / "new")
    assert (taken.version, taken.changed, taken.words) == (0, False, "Nothing to take in yet: the tables hold no rows.")
    assert history(tmp_path / "new").empty
    assert open_fleet(tmp_path / "new").samples.empty, "the folder itself is read while the store holds no version"


def test_a_folder_that_is_no_fleets_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("x")
    with pytest.raises(SettingsError, match=r"needs a fleet\.toml"):
        take_in(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_versions_add_up_and_can_be_read_again(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    take_in(folder, today=TODAY)
    (folder / "inbox" / "1.csv").unlink()
    (folder / "inbox" / "2.csv").write_text(month(2) + "B9,M9/engine,2025-01-01,5\n")
    (folder / "fleet.toml").write_text('name = "Renamed"\n')
    second = take_in(folder, today=TODAY)
    assert second.added["samples"] == len(SITES)
    past = history(folder)
    assert past["version"].tolist() == [1, 2]
    assert past["new_samples"].tolist() == [4, 4]
    assert past["samples"].tolist() == [4, 8]
    old, new = read_store(folder / "store", version=1), read_store(folder / "store")
    assert (len(old.samples), old.settings.name, len(new.samples), new.settings.name) == (
        4,
        "Small fleet",
        8,
        "Renamed",
    )
    assert [n for n in new.sources if n.startswith("store version")] == ["store version 2"]
    assert new.set_aside[["file", "value", "what"]].values.tolist() == [["inbox/2.csv", "M9/engine", "row"]]
    # the file that is gone still stands in the counts
    assert new.counts[["file", "read", "used", "set_aside"]].values.tolist()[3:] == [
        ["inbox/1.csv", 4, 4, 0],
        ["inbox/2.csv", 5, 4, 1],
    ] or (
        new.counts.set_index("file").loc[["inbox/1.csv", "inbox/2.csv"], ["read", "used", "set_aside"]].values.tolist()
        == [[4, 4, 0], [5, 4, 1]]
    )


def test_a_row_comes_in_once_its_compartment_is_known(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1) + "B9,M9/engine,2025-01-01,5\n"})
    take_in(folder, today=TODAY)
    (folder / "machines.csv").write_text(PLACES["machines.csv"] + "M9,South,wheel loader\n")
    (folder / "compartments.csv").write_text(PLACES["compartments.csv"] + "M9/engine,M9,engine\n")
    assert take_in(folder, today=TODAY).added["samples"] == 1
    now = read_store(folder / "store")
    assert "B9" in now.samples["sample"].tolist()
    assert now.set_aside.empty
    assert len(read_store(folder / "store", version=1).set_aside) == 1


def test_a_stored_row_is_never_taken_back(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": "sample,compartment,drawn_on,Fe_ppm\nB1,M0/engine,2025-02-01,5\n"})
    take_in(folder, today=TODAY)
    text = "sample,compartment,drawn_on,Fe_ppm\nB1,M1/engine,2025-01-01,6\nB1,M0/engine,2025-02-01,7\n"
    (folder / "inbox" / "2.csv").write_text(text)
    assert take_in(folder, today=TODAY).added["samples"] == 0
    now = read_store(folder / "store")
    assert now.samples[["compartment", "Fe_ppm"]].values.tolist() == [["M0/engine", 5]]
    aside = now.set_aside[["file", "row", "reason"]].values.tolist()
    assert [(f, r) for f, r, _ in aside] == [("inbox/2.csv", 2), ("inbox/2.csv", 3)]
    assert aside[0][2].startswith(
        "the store holds another row of this key; two bottles with one number; inbox/1.csv row 2"
    )
    counts = now.counts.set_index("file")
    assert counts.loc["inbox/1.csv", ["read", "used", "set_aside"]].tolist() == [1, 1, 0]
    assert counts.loc["inbox/2.csv", ["read", "used", "set_aside"]].tolist() == [2, 0, 2]
    assert take_in(folder, today=TODAY).changed is False


def test_a_re_issue_comes_in_beside_the_first_result(write: Callable[..., Path]) -> None:
    head = "sample,compartment,drawn_on,reported_on,Fe_ppm\n"
    folder = write(PLACES | {"inbox/1.csv": head + "B1,M0/engine,2025-02-01,2025-02-05,5\n"})
    take_in(folder, today=TODAY)
    (folder / "inbox" / "2.csv").write_text(head + "B1,M0/engine,2025-02-01,2025-02-09,7\n")
    take_in(folder, today=TODAY)
    now = read_store(folder / "store")
    assert now.as_of("2025-02-08").samples["Fe_ppm"].tolist() == [5]
    assert now.as_of("2025-02-09").samples["Fe_ppm"].tolist() == [7]


def test_a_machine_that_moves_takes_its_records_with_it(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    take_in(folder, today=TODAY)
    (folder / "machines.csv").write_text(PLACES["machines.csv"].replace("M0,North", "M0,South"))
    take_in(folder, today=TODAY)
    assert read_table(folder / "store", "samples", "North").empty
    assert sorted(read_table(folder / "store", "samples", "South")["compartment"]) == ["M0/engine", "M1/engine"]
    assert read_table(folder / "store", "samples", "North", version=1)["compartment"].tolist() == ["M0/engine"]


def test_one_site_only_and_hostile_names_stay_inside_the_store(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    take_in(folder, today=TODAY)
    one = site_records(folder / "store", ["../../x"])
    assert one.machines["machine"].tolist() == ["M3"]
    assert one.samples["sample"].tolist() == ["B1-3-0"]
    data = sorted(p.name for p in (folder / "store" / "data").iterdir())
    assert all(all(c.isalnum() or c == "-" for c in name) for name in data)
    assert sorted(p.name for p in folder.parent.iterdir()) == ["fleet"]


def test_a_correction_may_refer_to_a_stored_bottle(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    take_in(folder, today=TODAY)
    (folder / "inbox" / "1.csv").unlink()
    (folder / "corrections.csv").write_text(
        "correction,sample,field,value,decided_on\nC1,B1-0-0,meter_h,77,2025-03-01\n"
    )
    assert take_in(folder, today=TODAY).added["corrections"] == 1
    known = site_records(folder / "store", ["North"]).as_of("2025-04-01")
    assert known.samples[["sample", "meter_h"]].values.tolist() == [["B1-0-0", 77]]


def test_an_analyte_added_later_is_empty_before(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    take_in(folder, today=TODAY)
    (folder / "fleet.toml").write_text('name = "F"\n[analytes.W_ppm]\nunit = "ppm"\n')
    (folder / "inbox" / "2.csv").write_text("sample,compartment,drawn_on,W_ppm\nB2,M0/engine,2025-02-01,<5\n")
    take_in(folder, today=TODAY)
    got = read_store(folder / "store").samples
    assert str(got["W_ppm_below"].dtype) == "bool"
    assert got["W_ppm"].notna().sum() == 1


def test_a_store_anywhere_fsspec_reaches(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    url = "memory://cmkit-test-store"
    take_in(folder, url, TODAY)
    same(read_store(url), load_fleet(folder, TODAY))
    assert damaged_files(url) == []
    fsspec.filesystem("memory").rm("/cmkit-test-store", recursive=True)


def test_clear_errors(write: Callable[..., Path]) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    with pytest.raises(StoreError, match="no store here yet; `cmkit take-in FLEET` makes its first version"):
        read_store(folder / "store")
    take_in(folder, today=TODAY)
    with pytest.raises(StoreError, match="no version 7; the store holds 1"):
        read_store(folder / "store", version=7)
    with pytest.raises(StoreError, match=r"no site 'East'; found \.\./\.\./x, <script>, North, South"):
        site_records(folder / "store", ["East"])
    victim = next((folder / "store" / "data").glob("north-*/samples-*.parquet"))
    victim.write_bytes(victim.read_bytes()[:100])
    with pytest.raises(StoreError, match=r"missing or damaged .* Bring it back from a backup"):
        read_store(folder / "store")
    assert len(damaged_files(folder / "store")) == 1
    told = CliRunner().invoke(main, ["history", str(folder)])
    assert told.exit_code == 2
    assert "1 file(s) are missing or changed" in told.output
    (folder / "store" / "CURRENT").write_text("two")
    with pytest.raises(StoreError, match="found 'two', wanted the number of a version"):
        read_store(folder / "store")


def test_a_second_writer_waits_or_is_told(write: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    waiting = threading.Event()

    class Watched(FileLock):
        def acquire(self, *args: Any, **how: Any) -> Any:
            waiting.set()
            return super().acquire(*args, **how)

    folder = write(PLACES | {"inbox/1.csv": month(1)})
    place = store_place(folder / "store")
    with (
        store_module._writer(place, 1.0),
        pytest.raises(StoreError, match=r"another take-in is running .* waited 0.1 s"),
    ):
        take_in(folder, today=TODAY, wait_s=0.1)
    done = []
    with store_module._writer(place, 1.0):
        monkeypatch.setattr(files, "FileLock", Watched)
        thread = threading.Thread(target=lambda: done.append(take_in(folder, today=TODAY, wait_s=120)))
        thread.start()
        assert waiting.wait(120)  # it asks for the lock, which another holds
        assert not done
    thread.join()
    assert done[0].version == 1


@pytest.fixture(scope="module")
def forks() -> Iterator[BaseContext]:
    """Processes from a server that has cmkit imported, so that a start costs milliseconds."""
    with fork_server("cmkit.records.storing.store") as context:
        yield context


@short_or_full("kills", 8, 50)
def test_kills_lose_and_double_nothing(write: Callable[..., Path], forks: BaseContext, kills: int) -> None:
    folder = write(PLACES | {"inbox/0.csv": month(0)})
    store = folder / "store"
    for _ in range(2):  # the first start also loads the package, so the second one is timed
        (folder / "inbox" / "0.csv").write_text(month(0))
        begin = time.monotonic()
        first = forks.Process(target=take_in, args=(folder, None, TODAY))
        first.start()
        first.join()
        usual = time.monotonic() - begin
    rng = random.Random(11)
    before, killed, tries = set(read_store(store).samples["sample"]), 0, 0
    while killed < kills and tries < 3 * kills:
        tries += 1
        part = folder / "inbox" / ".part"
        part.write_text(month(tries))
        part.rename(folder / "inbox" / f"{tries % 7}.csv")  # a file of the same name replaces an older one now and then
        writer = forks.Process(target=take_in, args=(folder, None, TODAY))
        writer.start()
        time.sleep(rng.uniform(0.02, 1.0) * usual)
        if writer.is_alive():
            os.kill(writer.pid, signal.SIGKILL)
            killed += 1
        writer.join()
        now = read_store(store).samples["sample"]
        assert now.is_unique
        assert len(now) % len(SITES) == 0, "a version holds a laboratory's file for every site or for none"
        assert before <= set(now), "nothing that was taken in is lost"
        before = set(now)
    assert killed == kills
    assert damaged_files(store) == []
    take_in(folder, today=TODAY)
    final = read_store(store).samples["sample"]
    there = {ln.split(",")[0] for p in (folder / "inbox").glob("*.csv") for ln in p.read_text().splitlines()[1:]}
    assert there <= set(final)
    assert final.is_unique
    assert damaged_files(store) == []


def test_a_crash_at_every_single_write_leaves_the_old_version_or_the_new(
    write: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write(PLACES | {"inbox/1.csv": month(1)})
    take_in(folder, today=TODAY)
    (folder / "inbox" / "2.csv").write_text(month(2))
    put = store_module.put_file
    for crash_at in range(1, 100):
        calls = 0

        def failing(*args: object, at: int = crash_at) -> None:
            nonlocal calls
            calls += 1
            if calls == at:
                raise KeyboardInterrupt
            put(*args)  # type: ignore[arg-type]

        monkeypatch.setattr(store_module, "put_file", failing)
        try:
            result = take_in(folder, today=TODAY)
        except KeyboardInterrupt:
            assert len(read_store(folder / "store").samples) == len(SITES)
            continue
        assert result.version == 2
        break
    monkeypatch.setattr(store_module, "put_file", put)
    assert crash_at >= 3  # the last two writes are the manifest and CURRENT
    assert len(read_store(folder / "store").samples) == 2 * len(SITES)
    assert take_in(folder, today=TODAY).changed is False


def test_two_writers_at_once_take_each_bottle_in_once(write: Callable[..., Path], forks: BaseContext) -> None:
    folder = write(PLACES | {f"inbox/{k}.csv": month(k) for k in range(3)})
    writers = [forks.Process(target=take_in, args=(folder, None, TODAY)) for _ in range(3)]
    for w in writers:
        w.start()
    for w in writers:
        w.join()
    assert [w.exitcode for w in writers] == [0, 0, 0]
    samples = read_store(folder / "store").samples["sample"]
    assert samples.is_unique
    assert len(samples) == 3 * len(SITES)
    assert history(folder)["version"].tolist() == [1]


@short_or_full("most", 60, 500)
def test_reads_during_writes_never_mix_versions(write: Callable[..., Path], forks: BaseContext, most: int) -> None:
    """Every version adds one bottle to every site, so a mixture shows as sites of different size."""
    folder = write(PLACES | {"inbox/0.csv": month(0)})
    take_in(folder, today=TODAY)
    stop, sizes, failures = threading.Event(), set(), []

    def writing() -> None:
        for k in range(1, 60):
            if stop.is_set():
                return
            (folder / "inbox" / "next.csv").write_text(month(k))
            writer = forks.Process(target=take_in, args=(folder, None, TODAY))
            writer.start()
            writer.join()

    thread = threading.Thread(target=writing)
    thread.start()
    reads = 0
    while reads < most or (len(sizes) < 4 and thread.is_alive()):
        reads += 1
        per_site = read_table(folder / "store", "samples", columns=["sample", "compartment"])[
            "compartment"
        ].value_counts()
        sizes.add(int(per_site.max()))
        if per_site.max() != per_site.min() or len(per_site) != len(SITES):
            failures.append(per_site.to_dict())
    stop.set()
    thread.join()
    assert failures == []
    assert len(sizes) >= 4, "the reads must have seen several versions"
