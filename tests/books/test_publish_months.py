"""A month is built aside and swapped in whole; only what changed is made again; what fails leaves what was there
before.
"""

import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest
from filelock import FileLock
from playwright.sync_api import Browser

from cmkit import files
from cmkit.assessment import load_assessment
from cmkit.books.publishing import publish
from cmkit.books.publishing.export import page_facts
from cmkit.books.publishing.folders import site_folders
from cmkit.books.publishing.month import MonthResult, run_books
from cmkit.books.publishing.publish import built_aside, one_run
from cmkit.books.running.progress import shown_progress
from cmkit.books.running.run import run_book
from cmkit.engine import Workers
from cmkit.errors import BookError, ParameterError
from cmkit.practice.published import read_published
from tests.books.conftest import small_assessment, write_books
from tests.lengths import short_or_full, some_or_all

Save = Callable[..., Path]
MONTH = "2026-06"


def make(assessment: Path, notebooks: Path, out: Path, **how: object) -> MonthResult:
    return run_books(assessment, MONTH, out, notebooks=notebooks, **({"workers": Workers()} | how))  # type: ignore[arg-type]


def dead_links(out: Path) -> list[str]:
    """Links of any page to a file that is not there."""
    return [
        f"{page.relative_to(out)} -> {target}"
        for page in out.rglob("*.html")
        for target in page_facts(page.read_text(encoding="utf-8")).links
        if not target.startswith("#") and not (page.parent / target.split("#")[0]).resolve().exists()
    ]


@dataclass(frozen=True)
class Made:
    """A month of two sites, north and south: what it was made from, where it is and what the run said, at its end and
    on the way.
    """

    assessment: Path
    notebooks: Path
    out: Path
    result: MonthResult
    progress: str


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The month as two threads made it; not to be changed."""
    folder = tmp_path_factory.mktemp("first")
    small_assessment(["north", "south"]).save(folder / "assessment")
    notebooks = write_books(folder / "notebooks")
    out = io.StringIO()
    with shown_progress(out) as progress:
        result = make(folder / "assessment", notebooks, folder / "books", workers=Workers(threads=2), progress=progress)
    return Made(folder / "assessment", notebooks, folder / "books", result, out.getvalue())


@pytest.fixture
def month(first: Made, tmp_path: Path) -> Made:
    """A copy of that month, beside copies of what it was made from; `save_assessment` gives it the fleet's next
    state.
    """
    shutil.copytree(first.assessment.parent, tmp_path, dirs_exist_ok=True)
    return replace(first, assessment=tmp_path / "assessment", notebooks=tmp_path / "notebooks", out=tmp_path / "books")


def test_a_month_has_all_its_books_and_every_link_leads_somewhere(first: Made) -> None:
    out, result = first.out, first.result
    assert result.exit_code == 0
    assert sorted(result.made) == ["fleet", "north/book", "south/book"]
    wanted = [
        "index.html",
        "index.ipynb",
        "sites/north/book.html",
        "sites/south/book.ipynb",
        "run.json",
        "tables/verdicts.csv",
    ]
    assert [w for w in wanted if not (out / MONTH / w).exists()] == []
    assert dead_links(out) == []
    lines = [json.loads(line) for line in (out / "run.log").read_text().splitlines()]
    assert [line["event"] for line in lines] == ["book"] * 3 + ["run"]


def test_nothing_changed_means_nothing_made(month: Made, save_assessment: Save) -> None:
    out = month.out
    before = {p: (p.stat().st_ino, p.stat().st_mtime_ns) for p in (out / MONTH).rglob("*")}
    result = make(save_assessment(["north", "south"]), month.notebooks, out)
    assert (result.made, result.exit_code) == ([], 0)
    assert "nothing changed" in result.words
    assert {p: (p.stat().st_ino, p.stat().st_mtime_ns) for p in (out / MONTH).rglob("*")} == before


def page_bytes(out: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(out)): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.suffix in (".html", ".ipynb", ".csv", ".xlsx")
    }


@some_or_all("workers", [Workers(executor="serial"), Workers(warm=False, threads=2)])
def test_the_same_inputs_give_the_same_bytes_in_any_order(first: Made, tmp_path: Path, workers: Workers) -> None:
    """Against two threads with warm kernels; that plain kernels give the same is tried in test_kernels_warm.py too."""
    assert make(first.assessment, first.notebooks, tmp_path / "books", workers=workers).exit_code == 0
    wanted = page_bytes(first.out)
    assert len(wanted) > 7
    assert page_bytes(tmp_path / "books") == wanted


def test_one_sites_change_makes_that_site_and_the_fleet_again(month: Made) -> None:
    out = month.out
    kept = (out / MONTH / "sites/south/book.html").stat().st_ino
    result = make(small_state(month.assessment, "north engine"), month.notebooks, out)
    assert sorted(result.made) == ["fleet", "north/book"]
    assert result.kept == ["south/book"]
    assert (out / MONTH / "sites/south/book.html").stat().st_ino == kept
    assert sorted(result.record["books"]) == ["fleet", "north/book", "south/book"]
    assert dead_links(out) == []


def small_state(assessment: Path, compartment: str) -> Path:
    """The same fleet with one result of a compartment corrected."""
    found = load_assessment(assessment)
    samples = found.samples.copy()
    samples.loc[samples.index[samples["compartment"] == compartment][0], "Fe_ppm"] = 99.0
    replace(found, samples=samples).save(assessment)
    return assessment


def test_a_mended_notebook_makes_its_books_again(month: Made) -> None:
    nb = nbformat.read(month.notebooks / "site_book.ipynb", 4)
    nb.cells[1].source = "## Another headline"
    nbformat.write(nb, month.notebooks / "site_book.ipynb")
    made = make(month.assessment, month.notebooks, month.out).made
    assert sorted(made) == ["north/book", "south/book"]
    assert "Another headline" in (month.out / MONTH / "sites/north/book.html").read_text(encoding="utf-8")


def test_a_failing_site_does_not_stop_the_others(tmp_path: Path, save_assessment: Save, notebooks: Path) -> None:
    out, assessment = tmp_path / "books", save_assessment(["north", "south"])
    good = nbformat.read(notebooks / "site_book.ipynb", 4)
    bad = nbformat.from_dict(good)
    bad.cells[2]["source"] += "\nassert site != 'south', 'south is broken'"
    nbformat.write(bad, notebooks / "site_book.ipynb")
    result = make(assessment, notebooks, out)
    assert result.exit_code == 1
    assert result.failed == {"south/book": "code cell 3 failed: AssertionError: south is broken"}
    assert sorted(result.made) == ["fleet", "north/book"]
    south = out / MONTH / "sites/south"
    assert "not made" in (south / "book.html").read_text(encoding="utf-8")
    assert (south / "book.half-run.ipynb").exists()
    assert dead_links(out) == []
    assert "south, June 2026" in (out / "index.html").read_text(encoding="utf-8")
    again = make(assessment, notebooks, out)  # only what failed is tried again
    assert (again.made, sorted(again.failed), again.exit_code) == ([], ["south/book"], 1)
    nbformat.write(good, notebooks / "site_book.ipynb")
    assert make(assessment, notebooks, out).exit_code == 0
    assert not (south / "book.error.html").exists()


def test_a_site_that_fails_later_keeps_its_last_good_book(month: Made) -> None:
    out = month.out
    good = (out / MONTH / "sites/north/book.html").read_bytes()
    nb = nbformat.read(month.notebooks / "site_book.ipynb", 4)
    nb.cells[2]["source"] += "\n1 / 0"
    nbformat.write(nb, month.notebooks / "site_book.ipynb")
    result = make(month.assessment, month.notebooks, out, sites=["north"])
    assert list(result.failed) == ["north/book"]
    assert (out / MONTH / "sites/north/book.html").read_bytes() == good
    assert (out / MONTH / "sites/north/book.error.html").exists()


def test_older_months_stay_and_the_index_lists_them(month: Made, save_assessment: Save) -> None:
    before = page_bytes(month.out / MONTH)
    later = save_assessment(["north"], as_of="2026-07-31")
    assert run_books(later, "2026-07", month.out, notebooks=month.notebooks).exit_code == 0
    assert page_bytes(month.out / MONTH) == before
    index = (month.out / "index.html").read_text(encoding="utf-8")
    assert index.index("2026-07/index.html") < index.index("2026-06/index.html")
    assert dead_links(month.out) == []


def in_alarm(assessment: Path, compartment: str, site: str) -> Path:
    """The saved assessment with one compartment in alarm."""
    whole = load_assessment(assessment)
    row = {
        "compartment": compartment,
        "site": site,
        "state": "alarm",
        "chance": 0.62,
        "cause": "coolant leak",
        "severity": "clear",
        "sample": "S0-1",
    }
    verdicts = pd.DataFrame([row]).reindex(columns=whole.verdicts.columns)
    text = [c for c, kind in whole.verdicts.dtypes.items() if kind == "str"]
    replace(whole, verdicts=verdicts.astype(dict.fromkeys(text, "str")).fillna(dict.fromkeys(text, ""))).save(
        assessment
    )
    return assessment


def test_what_a_month_said_is_kept_beside_the_months_and_laid_beside_later_books(
    tmp_path: Path, save_assessment: Save, notebooks: Path
) -> None:
    """A month is never written over, a book sees only earlier months, and making it again adds nothing."""
    out = tmp_path / "books"
    first = in_alarm(save_assessment(["north"]), "north engine", "north")
    run_books(first, "2026-05", out, notebooks=notebooks, workers=Workers())
    kept = (out / "published.csv").read_bytes()
    assert read_published(out)[["month", "compartment", "state", "chance"]].to_numpy().tolist() == [
        ["2026-05", "north engine", "alarm", 0.62]
    ]
    assert read_published(out / "2026-05" / "sites" / "north" / "data").empty
    assert run_books(first, "2026-05", out, notebooks=notebooks, workers=Workers(), again=True).made
    assert (out / "published.csv").read_bytes() == kept
    make(save_assessment(["north"]), notebooks, out)
    assert (out / "published.csv").read_bytes() == kept  # no compartment was judged in June
    beside = read_published(out / MONTH / "sites" / "north" / "data")
    assert beside["month"].tolist() == ["2026-05"]


def test_only_the_sites_asked_for(month: Made) -> None:
    out = month.out
    result = make(month.assessment, month.notebooks, out, sites=["north"], again=True)
    assert sorted(result.made) == ["fleet", "north/book"]
    assert (out / MONTH / "sites/south/book.html").exists()
    assert "south/book" in result.record["books"]
    with pytest.raises(ParameterError, match="no site 'east' in this assessment; it has 'north', 'south'"):
        make(month.assessment, month.notebooks, out, sites=["east"])


@pytest.mark.parametrize("asked", ["2026-13", "../2026-06", "June", "2026-6", ""])
def test_a_month_that_is_none_is_refused(first: Made, tmp_path: Path, asked: str) -> None:
    with pytest.raises(ParameterError, match="wanted one such as 2026-06"):
        run_books(first.assessment, asked, tmp_path / "books", notebooks=first.notebooks)


def test_two_runs_at_once_are_refused(month: Made) -> None:
    later = small_state(month.assessment, "north engine")
    before = page_bytes(month.out)
    with FileLock(month.out / ".lock"), pytest.raises(BookError, match="another run is making books here"):
        make(later, month.notebooks, month.out)
    assert page_bytes(month.out) == before
    assert sorted(make(later, month.notebooks, month.out).made) == ["fleet", "north/book"]
    assert page_bytes(month.out) != before


HOSTILE = [
    "../../x",
    "<script>alert(1)</script>",
    "=1+1",
    "con",
    "a/b\\c",
    "North  Pit",
    "north-pit",
    "..",
    "é" * 80,
    "{{ 7*7 }}",
    "{site.__class__}",
    " ",
]


def test_folders_of_sites_stay_in_their_place() -> None:
    folders = site_folders([*HOSTILE, "North Pit", "plain-1"])
    assert folders["plain-1"] == "plain-1"
    assert len(set(folders.values())) == len(folders)
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9-]{0,59}", f) and f != "con" for f in folders.values())
    assert folders == site_folders(["plain-1", "North Pit", *reversed(HOSTILE)])


def test_hostile_names_and_notes_stay_text_in_their_own_folders(
    tmp_path: Path, save_assessment: Save, notebooks: Path, chromium: Browser
) -> None:
    out = tmp_path / "inner" / "books"
    sites = HOSTILE[:4]
    result = make(save_assessment(sites, note="=cmd()<script>window.PWN=1</script>"), notebooks, out)
    assert result.failed == {}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["assessment", "inner", "notebooks"]
    assert len(list((out / MONTH / "sites").iterdir())) == len(sites)
    assert dead_links(out) == []
    page = chromium.new_page()
    for path in out.rglob("*.html"):
        page.goto(path.as_uri())
        page.wait_for_timeout(50)
        assert page.evaluate("window.PWN") is None
        assert page.locator("main script:not([type='application/json'])").count() == 0
    page.close()


def test_a_fleet_of_one_site_without_samples_has_its_books(
    tmp_path: Path, save_assessment: Save, notebooks: Path
) -> None:
    result = make(save_assessment(["north"], each=0), notebooks, tmp_path / "books")
    assert (result.exit_code, sorted(result.made)) == (0, ["fleet", "north/book"])


PUBLISHER = """\
import os, sys
from pathlib import Path
from cmkit.books.publishing.publish import built_aside, one_run
from cmkit.files import swap_in, write_file
books = Path(sys.argv[1])
for number in range(100000):
    run = f"{os.getpid()}-{number}"
    with one_run(books), built_aside(books, "2026-06") as built:
        for n in range(12):
            (built / f"{n}").mkdir()
            write_file(built / f"{n}" / "book.html", f"run {run}")
        write_file(built / "run.json", f"run {run}")
        swap_in(built, books / "2026-06")
"""


def whole_run(month: Path) -> str:
    """What run a month is of; fails when its files are of several. Read through one open folder, as a reader holding it
    would.
    """
    folder = os.open(month, os.O_RDONLY)
    try:
        names = ["run.json", *(f"{n}/book.html" for n in range(12))]
        texts = set()
        for name in names:
            with open(os.open(name, os.O_RDONLY, dir_fd=folder)) as file:
                texts.add(file.read())
    finally:
        os.close(folder)
    assert len(texts) == 1
    return texts.pop()


def published_by(month: Path, process: int) -> bool:
    """Whether what stands there is of that process; not while it is being exchanged."""
    try:
        return (month / "run.json").read_text().startswith(f"run {process}-")
    except OSError:
        return False


@short_or_full("kills", 8, 20)
def test_a_run_killed_while_publishing_leaves_a_whole_month(
    tmp_path: Path, until: Callable[..., None], kills: int
) -> None:
    rng = np.random.default_rng(5)
    seen = []
    for _ in range(kills):
        process = subprocess.Popen([sys.executable, "-c", PUBLISHER, str(tmp_path)], stderr=subprocess.PIPE)
        until(partial(published_by, tmp_path / MONTH, process.pid), process)
        time.sleep(0.15 * rng.random())
        process.send_signal(signal.SIGKILL)
        process.communicate()
        assert process.returncode == -signal.SIGKILL
        seen.append(whole_run(tmp_path / MONTH))
    assert len(set(seen)) > 1
    with one_run(tmp_path), built_aside(tmp_path, MONTH):
        pass
    assert sorted(p.name for p in tmp_path.iterdir()) == [".lock", MONTH]


def test_a_reader_sees_whole_months_while_they_are_swapped(tmp_path: Path, until: Callable[..., None]) -> None:
    process = subprocess.Popen([sys.executable, "-c", PUBLISHER, str(tmp_path)], stderr=subprocess.PIPE)
    try:
        until((tmp_path / MONTH).exists, process)
        runs: set[str] = set()

        def look() -> bool:
            # the folder it held may be the old one, removed meanwhile
            with suppress(FileNotFoundError):
                runs.add(whole_run(tmp_path / MONTH))
            assert (tmp_path / MONTH / "run.json").exists()
            return len(runs) > 3

        until(look, process)
    finally:
        process.kill()
        process.communicate()


def test_a_swap_stopped_between_two_renames_is_finished(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "exchange", lambda one, other: False)
    for run in ("old", "new"):
        with publish.built_aside(tmp_path, MONTH) as built:
            (built / "run.json").write_text(run)
            files.swap_in(built, tmp_path / MONTH)
        assert (tmp_path / MONTH / "run.json").read_text() == run
    (tmp_path / ".building").mkdir()
    dead = subprocess.run(
        [sys.executable, "-c", "import os; from cmkit import files; print(files._HOST, os.getpid())"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    (tmp_path / MONTH).rename(tmp_path / f".cmkit-{dead[0]}-{dead[1]}-0-{MONTH}.old")
    publish.sweep(tmp_path)
    assert (tmp_path / MONTH / "run.json").read_text() == "new"
    assert not (tmp_path / ".building").exists()


def test_progress_is_plain_lines_off_a_terminal(first: Made) -> None:
    lines = first.progress.splitlines()
    assert len(lines) == 3
    books = "(fleet|north/book|south/book)"
    assert all(re.match(rf"\d{{4}}-\d\d-\d\dT\S+ [123]/3 {books}: made \(\d+\.\d s\)$", line) for line in lines)
    assert "\r" not in first.progress


@pytest.mark.slow
def test_many_sites_of_little_data(tmp_path: Path, save_assessment: Save, notebooks: Path) -> None:
    """As the two sites of `first`, of which the tests above are."""
    sites, count = [f"site {n:03d}" for n in range(300)], 300
    result = make(save_assessment(sites, each=1), notebooks, tmp_path / "books")
    assert (len(result.made), result.exit_code) == (count + 1, 0)
    assert dead_links(tmp_path / "books") == []


def test_the_time_zone_changes_nothing_in_a_page(
    tmp_path: Path, save_assessment: Save, notebooks: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assessment = save_assessment(["north"])
    for zone in ("Etc/GMT+12", "Pacific/Kiritimati"):  # 26 hours apart: never the same day
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        make(assessment, notebooks, tmp_path / zone.replace("/", "-"))
    monkeypatch.undo()
    time.tzset()
    one, other = (page_bytes(tmp_path / z) for z in ("Etc-GMT+12", "Pacific-Kiritimati"))
    assert one == other


def test_an_analyst_can_run_a_published_notebook_again(first: Made, tmp_path: Path) -> None:
    moved = tmp_path / "desk"  # a book's folder is all its notebook needs, wherever it is carried
    shutil.copytree(first.out / MONTH / "sites" / "north", moved)
    nb = nbformat.read(moved / "book.ipynb", 4)
    nbformat.validate(nb)
    again = run_book(moved / "book.ipynb", {}, moved, name="again", page={"title": "Again"})
    assert (again.made, again.error) == (True, "")
    assert page_facts((moved / "again.html").read_text(encoding="utf-8")).charts == 1
    assert str(first.out.parent) not in (moved / "book.ipynb").read_text(encoding="utf-8")
