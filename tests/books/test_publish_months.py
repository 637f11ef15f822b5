"""A month is built aside and swapped in whole; only what changed is made again; what fails leaves what was there before."""

import json
from collections.abc import Callable
from pathlib import Path

from cmkit.books.export import page_facts
from cmkit.books.month import MonthResult, Workers, run_books

Save = Callable[..., Path]
MONTH = "2026-06"
SERIAL = Workers(executor="serial")


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


def test_a_month_has_all_its_books_and_every_link_leads_somewhere(
    tmp_path: Path, save_assessment: Save, notebooks: Path
) -> None:
    out = tmp_path / "books"
    result = make(save_assessment(["north", "south"]), notebooks, out)
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


def test_nothing_changed_means_nothing_made(tmp_path: Path, save_assessment: Save, notebooks: Path) -> None:
    out = tmp_path / "books"
    make(save_assessment(["north", "south"]), notebooks, out)
    before = {p: (p.stat().st_ino, p.stat().st_mtime_ns) for p in (out / MONTH).rglob("*")}
    result = make(save_assessment(["north", "south"]), notebooks, out)
    assert (result.made, result.exit_code) == ([], 0)
    assert "nothing changed" in result.words
    assert {p: (p.stat().st_ino, p.stat().st_mtime_ns) for p in (out / MONTH).rglob("*")} == before
