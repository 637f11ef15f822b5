"""Commands as a person types them, wrong ones included; and the main job end to end on the demo fleet."""

import functools
import json
import re
import shutil
import subprocess
import sys
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlparse

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from cmkit.books.publishing.fleet_month import month_asked
from cmkit.cli import main
from cmkit.errors import CmkitError
from cmkit.files import seal
from cmkit.review import KIND as REVIEW
from tests.faults.hostile import base_fleet
from tests.few_machines import only_machines


def run(*words: str):
    return CliRunner().invoke(main, list(words))


def test_help_names_every_command_and_loads_nothing_heavy() -> None:
    heavy = (
        "import sys; import cmkit.cli; print(sorted(m for m in ('numpy', 'pandas', 'scipy', 'plotly', "
        "'papermill', 'pint') if m in sys.modules))"
    )
    loaded = subprocess.run([sys.executable, "-c", heavy], capture_output=True, text=True, check=True).stdout.strip()
    assert loaded == "[]"
    text = run("--help").output
    for name in ("assess", "books", "check", "demo", "history", "intervals", "match", "returned", "start", "take-in"):
        assert f"\n  {name}" in text


@pytest.mark.parametrize(
    ("asked", "today", "month"),
    [
        ("last", date(2026, 3, 31), "2026-02"),
        ("last", date(2026, 1, 1), "2025-12"),
        ("2026-06", date(2026, 6, 1), "2026-06"),
        ("newest", date(2026, 1, 1), "newest"),
    ],
)
def test_month_asked(asked: str, today: date, month: str) -> None:
    assert month_asked(asked, today) == month


@pytest.mark.parametrize("asked", ["2026", "06-2026", "2026-13", "June", "../x"])
def test_a_month_that_is_none(asked: str) -> None:
    with pytest.raises(CmkitError, match="wanted a month such as 2026-06"):
        month_asked(asked)


def test_a_month_to_come_is_refused() -> None:
    with pytest.raises(CmkitError, match="2026-07 is still to come; wanted a month up to 2026-06"):
        month_asked("2026-07", date(2026, 6, 30))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check", "nowhere"], "nowhere"),
        (["check", "README.md"], "README.md: a file, not a folder; wanted a fleet folder"),
        (["take-in", "README.md"], "README.md: a file, not a folder; wanted a fleet folder"),
        (["match", "tests"], "tests: a folder, not a file; wanted a CSV or XLSX"),
        (["match", "README.md", "--fleet", "README.md"], "README.md: a file, not a folder"),
        (["returned", "sample_data", "tests"], "tests: a folder, not a file; wanted the filled"),
        (["take-in", "tests"], "tests/fleet.toml: not found"),
        (["books", "nowhere", "--month", "last"], "no such folder"),
        (["books", "nowhere", "--month", "lats"], "--month: found 'lats'"),
        (["assess", "sample_data"], "nothing to write to"),
        (["assess", "sample_data", "--as-of", "30.6.2026", "--out", "x"], "--as-of: found '30.6.2026'"),
        (
            ["books", "sample_data", "--month", "2019-01", "--out", "x"],
            "no record had reached the office by 2019-01-31",
        ),
        (
            ["books", "sample_data", "--month", "last", "--version", "1", "--records", "sqlite:///x.db"],
            "wanted one of them",
        ),
        (
            ["assess", "sample_data", "--out", "x", "--version", "1", "--records", "sqlite:///x.db"],
            "wanted one of them",
        ),
        (["returned", "sample_data", "nowhere.xlsx"], "nowhere.xlsx: no such file"),
        (["history", "sample_data"], "no store here yet"),
        (["intervals", "sample_data", "--accept", "WL-01/engine=often"], "wanted NAME=HOURS"),
        (["intervals", "sample_data", "--accept", "no such thing=500"], "no compartment, family or kind"),
        (["returned", "sample_data", "README.md"], "not a field sheet"),
        (["match", "nowhere.csv"], "nowhere.csv"),
        (["take-in", "nowhere"], "nowhere: no such folder"),
        (["history", "nowhere"], "nowhere: no such folder"),
    ],
)
def test_wrong_arguments_get_one_line_and_code_2(words: list[str], said: str, root: Path, monkeypatch) -> None:
    monkeypatch.chdir(root)
    result = run(*words)
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["assess", "sample_data", "--out", "README.md/x"], "README.md: Not a directory"),
        (["assess", "sample_data", "--out", "tests"], "nothing is written over"),
        (["assess", "sample_data", "--out", "README.md"], "README.md: a file, and nothing is written over"),
        (["intervals", "sample_data", "--out", "tests"], "tests: a folder, wanted the name of a file"),
        (["intervals", "sample_data", "--out", "README.md"], "README.md: there already and not this table"),
        (["demo", "tests"], "nothing is written over"),
    ],
)
def test_where_nothing_can_be_written_is_said_before_any_work(
    words: list[str], said: str, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(root)
    for work in ("cmkit.records.storing.source.open_fleet", "cmkit.simulate.write.simulate_fleet"):
        monkeypatch.setattr(work, lambda *_, **__: pytest.fail("work was begun"))
    result = run(*words)
    assert result.exit_code == 2
    assert said in " ".join(result.output.split())


@pytest.mark.parametrize(
    "words",
    [
        ["assess", "fleet", "--out", "fleet"],
        ["intervals", "fleet", "--out", "fleet/services.csv"],
        ["books", "fleet", "--month", "2026-03", "--out", "books"],
    ],
)
def test_what_is_not_ours_is_never_replaced(words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fleet's own records, and a folder of one's own that has the name of a month."""
    monkeypatch.chdir(tmp_path)
    base_fleet(tmp_path / "fleet")
    (tmp_path / "books" / "2026-03").mkdir(parents=True)
    (tmp_path / "books" / "2026-03" / "mine.txt").write_text("mine")
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    result = run(*words)
    assert result.exit_code == 2
    assert re.search(r"(nothing|no record) is written over", " ".join(result.output.split()))
    assert {p: p.read_bytes() for p in before} == before


def test_a_fleet_that_cannot_be_written_can_be_read_by_version(tmp_path: Path, monkeypatch) -> None:
    base_fleet(tmp_path / "fleet")
    assert run("take-in", str(tmp_path / "fleet")).exit_code == 0

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", "fleet/store/LOCK")

    monkeypatch.setattr("cmkit.records.storing.source.take_in", refused)
    result = run("intervals", str(tmp_path / "fleet"), "--as-of", "2026-03-31")
    assert result.exit_code == 2
    assert "fleet/store/LOCK: Permission denied, so what is new cannot be taken in" in result.output
    assert "--version N" in result.output


def test_a_message_holds_no_marks_a_terminal_obeys_and_has_an_end(tmp_path: Path) -> None:
    """Headings and file names are untrusted text."""
    run("start", str(tmp_path / "fleet"))
    (tmp_path / "fleet" / "inbox" / "x.csv").write_text("a\x1b]0;title\x07,\u202eb," + "c" * 9000 + "\n1,2,3\n")
    result = run("check", str(tmp_path / "fleet"))
    assert result.exit_code == 0
    said = " ".join(result.output.split())
    assert "no layout in layouts/ fits this name" in said
    assert all(c.isprintable() or c == "\n" for c in result.output)
    assert len(result.output) < 2100
    assert "widen the `files` pattern" in said


@pytest.fixture
def haulers(root, tmp_path) -> Path:
    """The demo's folder with three machines of one kind and one site, the last to be read on 30 June 2026."""
    return only_machines(shutil.copytree(root / "sample_data", tmp_path / "fleet"), "RH-01", "RH-02", "RH-03")


def test_a_decision_is_listed_shown_written_and_taken_back(haulers) -> None:
    fleet = haulers
    old = (fleet / "decisions.csv").read_bytes()
    listed = run("decide", str(fleet)).output.splitlines()
    assert any(
        "RH-02/final drive/left (alarm): known for" in line and "nobody has taken it on yet" in line for line in listed
    )
    assert listed[-1].endswith("stand on 2026-06-30.")
    given = ["decide", str(fleet), "RH-02/final drive/left", "--owner", "lead, ridge", "--due", "2027-01-31"]
    without = run(*given)
    assert without.exit_code == 2
    assert "why: found nothing" in without.output
    given += ["--why", "filter first"]
    assert "Nothing was written." in run(*given, "--dry-run").output
    assert (fleet / "decisions.csv").read_bytes() == old
    said = run(*given)
    assert said.exit_code == 0, said.output
    assert (fleet / "decisions.csv").read_bytes().count(b"\n") == old.count(b"\n") + 1
    key = "D-RH-02/final drive/left-260630"
    assert f"--undo '{key}'" in said.output
    assert run("decide", str(fleet), "--undo", key).exit_code == 0
    assert (fleet / "decisions.csv").read_bytes() == old
    assert "no row" in run("decide", str(fleet), "--undo", key).output


def test_a_full_folder_is_not_written_over(tmp_path) -> None:
    (tmp_path / "mine.txt").write_text("keep me")
    for command in ("demo", "start"):
        assert run(command, str(tmp_path)).exit_code == 2
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.slow
def test_drift_of_frozen_numbers_is_said_while_they_are_in_use(haulers) -> None:
    """Frozen in the demo's first year, then one family's iron written down to a fifth: that one is named, and the file
    can go again.
    """
    fleet, day = haulers, ("--as-of", "2024-06-30")
    first = run("assess", str(fleet), *day, "--freeze")
    assert first.exit_code == 0, first.output
    assert "frozen on" not in first.output
    numbers = pd.read_csv(fleet / "review" / "numbers.csv")
    row = numbers[(numbers["analyte"] == "Fe_ppm") & (numbers["n_series"] >= 4)].index[0]
    numbers.loc[row, ["rate_mean", "rate_sd"]] /= 5
    numbers.loc[row, "n_series"] = 1000
    numbers.loc[numbers.index != row, "rate_sd"] *= 100
    numbers.loc[numbers.index[-1], "frozen_on"] = "2024-12-31"
    numbers.to_csv(fleet / "review" / "numbers.csv", index=False)
    changed = run("assess", str(fleet), *day, "--freeze")
    assert changed.exit_code == 2
    assert "not as it was written" in changed.output
    limits = pd.read_csv(fleet / "review" / "limits.csv")
    (fleet / "review" / "manifest.json").unlink()
    seal(fleet / "review", REVIEW, {"numbers.csv": len(numbers), "limits.csv": len(limits)})
    said = run("assess", str(fleet), *day, "--freeze").output
    assert "Family numbers frozen on 2024-06-30 and 2024-12-31: " in said
    assert "of a day after 2024-06-30" in said
    assert "Limits frozen on 2024-06-30: " in said
    assert f"{numbers.loc[row, 'family']}, Fe_ppm: " in said
    assert "wears faster than when frozen" in said


class Links(HTMLParser):
    """Targets of links and their ids."""

    def __init__(self) -> None:
        super().__init__()
        self.hrefs: list[str] = []
        self.ids: set[str] = set()

    def handle_starttag(self, tag, attrs) -> None:
        found = dict(attrs)
        if tag == "a" and "href" in found:
            self.hrefs.append(found["href"])
        if "id" in found:
            self.ids.add(found["id"])


@functools.cache
def links(page: Path) -> Links:
    """Of a page that no test changes."""
    found = Links()
    found.feed(page.read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def books(root, tmp_path_factory):
    """The demo fleet's books, made by the command of the README."""
    out = tmp_path_factory.mktemp("books")
    result = run("books", str(root / "sample_data"), "--month", "newest", "--out", str(out))
    assert result.exit_code == 0, result.output
    return out


def test_a_book_for_the_fleet_and_each_site(books) -> None:
    month = books / "2026-06"
    assert (books / "index.html").exists()
    assert (month / "index.html").exists()
    sites = sorted(p.name for p in (month / "sites").iterdir())
    assert sites == ["harbour", "quarry", "ridge"]
    for site in sites:
        assert {"book.html", "book.ipynb", "round.html", "round.xlsx"} <= {
            p.name for p in (month / "sites" / site).iterdir()
        }
        assert (month / "sites" / site / "book.html").stat().st_size < 1.1e6
    record = json.loads((month / "run.json").read_text())
    assert all(b["made"] for b in record["books"].values())


def test_every_link_leads_somewhere(books) -> None:
    broken = []
    for page in books.rglob("*.html"):
        for href in links(page).hrefs:
            target = urlparse(href)
            assert target.scheme in ("", "mailto"), (page, href)
            file = (page.parent / unquote(target.path)).resolve() if target.path else page
            missing = not file.exists()
            if not missing and target.fragment and file.suffix == ".html":
                missing = target.fragment not in links(file).ids
            if missing:
                broken.append((str(page.relative_to(books)), href))
    assert broken == []


def test_again_with_nothing_changed_does_nothing(books, root) -> None:
    before = {p: p.stat().st_mtime_ns for p in books.rglob("*.html")}
    result = run("books", str(root / "sample_data"), "--month", "2026-06", "--out", str(books))
    assert result.exit_code == 0
    assert "nothing changed" in result.output
    assert {p: p.stat().st_mtime_ns for p in books.rglob("*.html")} == before


def test_a_filled_field_sheet_is_taken_in_once(books, root, tmp_path) -> None:
    """Out with the book, filled by hand, back twice: the second time nothing is written and no slip is said again."""
    fleet, sheet = tmp_path / "fleet", tmp_path / "round.xlsx"
    shutil.copytree(root / "sample_data", fleet)
    book = openpyxl.load_workbook(books / "2026-06" / "sites" / "quarry" / "round.xlsx")
    page = book["round"]
    names = [c.value for c in page[1]]
    for name, value in {"drawn_on": "2026-07-01", "meter_h": "many", "fluid_level": "full"}.items():
        page.cell(2, names.index(name) + 1).value = value
    book.save(sheet)
    place = page.cell(2, names.index("compartment") + 1).value
    before = sorted(p.name for p in fleet.rglob("*"))
    dry = run("returned", str(fleet), str(sheet), "--dry-run").output
    assert "1 bottle(s) to take in" in dry
    assert f"{place}: meter_h 'many' is not a usable number; left empty." in dry
    assert "no round of the last months gave it out" not in dry
    assert sorted(p.name for p in fleet.rglob("*")) == before
    first = run("returned", str(fleet), str(sheet))
    assert first.exit_code == 0, first.output
    written = sorted(p.name for p in fleet.rglob("*"))
    assert set(written) - set(before) >= {"not_drawn"}
    assert len(written) == len(before) + 3, "bottles, and a folder of those not drawn"
    again = run("returned", str(fleet), str(sheet)).output
    assert "0 bottle(s) to take in" in again
    assert "taken in before, unchanged: rows 2" in again
    assert "many" not in again
    assert sorted(p.name for p in fleet.rglob("*")) == written
