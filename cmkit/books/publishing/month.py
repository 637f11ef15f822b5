"""A month's books: the fleet's and one per site, only those whose inputs changed, published together.

Each site's book reads its own part of the assessment, laid beside it (`data/`), so a book's folder is all its notebook
needs to run again, and a kernel never loads the whole fleet. A book's inputs are that part, the notebook, the month and
cmkit's own book code.
"""

import json
import os
import platform
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from cmkit.assessment import Assessment, load_assessment
from cmkit.books.content.book import Book
from cmkit.books.content.sections.headline import state_counts
from cmkit.books.content.wording import count, day, month_name, short_day
from cmkit.books.publishing import publish
from cmkit.books.publishing.digest import write_digest
from cmkit.books.publishing.folders import site_folders
from cmkit.books.publishing.static_page import link, plain_page
from cmkit.books.running.run import (
    LIMITS,
    BookJob,
    BookResult,
    Limits,
    check_job,
    lost_book,
    make_book,
    make_once,
)
from cmkit.engine import Workers
from cmkit.errors import BookError, ParameterError
from cmkit.files import MANIFEST, write_file
from cmkit.practice.published import append_published, read_published, said_in, write_published
from cmkit.practice.sheets import write_field_sheet
from cmkit.records.spreadsheets import write_tables

FLEET = "fleet"
SHOWN = (
    "orders", "verdicts", "hypotheses", "reasons", "due", "waiting", "evidence", "trust", "doubts", "wear", "limits",
    "forecast", "intervals", "curves",
    "record", "set_aside",
)  # fmt: skip
VERSIONS = ("cmkit", "numpy", "pandas", "pyarrow", "plotly", "papermill", "nbclient", "nbconvert", "ipykernel")
# what a part of the assessment holds of the whole fleet, and what says when and from which files it was made: no
# reason for a new book
_NOT_INPUTS = frozenset({"about.json", "counts.parquet", "corrections.parquet", "repairs.parquet", MANIFEST})

Progress = Callable[[BookResult, int, int], None]
WORKERS = Workers()


@dataclass(frozen=True)
class MonthResult:
    """What a run came to. made, kept: keys of books; failed: key to what went wrong; record: run.json as published."""

    month: str
    made: list[str]
    kept: list[str]
    failed: dict[str, str]
    record: dict[str, Any]

    @property
    def exit_code(self) -> int:
        """0: every book is there and up to date; 1: some could not be made. An error raised stands for 2."""
        return 1 if self.failed else 0

    @property
    def words(self) -> str:
        """One line for a log."""
        if not self.made and not self.failed:
            return f"{self.month}: nothing changed; all {len(self.kept)} books are up to date"
        failed = f", {len(self.failed)} failed ({', '.join(self.failed)})" if self.failed else ""
        return f"{self.month}: {len(self.made)} made, {len(self.kept)} unchanged{failed}"


def run_books(
    assessment: str | Path,
    month: str,
    out: str | Path,
    *,
    notebooks: str | Path,
    sites: Sequence[str] | None = None,
    workers: Workers = WORKERS,
    limits: Limits = LIMITS,
    progress: Progress | None = None,
    again: bool = False,
) -> MonthResult:
    """Make and publish a month's books from a saved assessment.

    assessment: folder `Assessment.save` wrote. month: YYYY-MM. out: BOOKS. notebooks: folder with site_book.ipynb and
    fleet_book.ipynb (round_sheet.ipynb too if it is there). sites: short names, default all; the others' books of that
    month stay. again: also those whose inputs did not change. Raises CmkitError before anything was started; what fails
    later is in the result.
    """
    if not publish.MONTH.fullmatch(month):
        raise ParameterError(f"month: found {month!r}, wanted one such as 2026-06")
    assessment, out, notebooks = Path(assessment).resolve(), Path(out).resolve(), Path(notebooks).resolve()
    try:
        return _run_alone(
            assessment,
            month,
            out,
            notebooks,
            sites=sites,
            workers=workers,
            limits=limits,
            progress=progress,
            again=again,
        )
    except OSError as error:
        raise BookError(f"{out}: {error}; nothing was published, and what was published before stands") from error


def _run_alone(
    assessment: Path,
    month: str,
    out: Path,
    notebooks: Path,
    *,
    sites: Sequence[str] | None,
    workers: Workers,
    limits: Limits,
    progress: Progress | None,
    again: bool,
) -> MonthResult:
    with publish.one_run(out):
        publish.refuse_other_month(out, month)
        before = publish.read_record(out / month)
        said = read_published(out)
        said = said[said["month"] < month].reset_index(drop=True)
        whole_hash = _inputs_of_run(assessment, notebooks, month, sites, said)
        if not again and before.get("inputs") == whole_hash and all_made(before, out / month):
            publish_index(out)
            return MonthResult(month, [], sorted(before["books"]), {}, before)
        with publish.built_aside(out, month) as built:
            run = _Run(
                load_assessment(assessment),
                said,
                month,
                out,
                built,
                notebooks,
                before.get("books", {}),
                workers,
                limits,
            )
            result = _build(run, sites, progress, again, whole_hash)
            publish.publish_month(built, out / month)
        _keep_what_was_said(run, result)
        publish_index(out)
        publish.log_line(out, event="run", month=month, exit_code=result.exit_code, words=result.words)
        return result


@dataclass(frozen=True)
class _Run:
    """What stays the same while a month is built. said: what the books of earlier months said; before: records of the
    books of this month published earlier."""

    whole: Assessment
    said: pd.DataFrame
    month: str
    out: Path
    built: Path
    notebooks: Path
    before: dict[str, Any]
    workers: Workers
    limits: Limits


def _keep_what_was_said(run: _Run, result: MonthResult) -> None:
    """Add what the books made said to BOOKS/published.csv; a site whose book failed has said nothing."""
    made = [s for s in run.whole.sites["site"] if f"{s}/book" in (*result.made, *result.kept)]
    verdicts = run.whole.verdicts[run.whole.verdicts["site"].isin(made)]
    rows = said_in(run.month, run.whole.as_of, verdicts, run.whole.orders, run.whole.waiting)
    append_published(run.out, rows, pd.Timestamp.now())


def _inputs_of_run(
    assessment: Path, notebooks: Path, month: str, sites: Sequence[str] | None, said: pd.DataFrame
) -> str:
    """One hash over everything a run depends on: nothing changed means the same hash."""
    parts = [publish.hash_files(assessment), _code_hash(), month, *(sorted(sites) if sites is not None else ["all"])]
    parts += [_file_hash(path) for path in sorted(notebooks.glob("*.ipynb"))]
    parts.append(said.to_csv(index=False))
    return sha256("\n".join(parts).encode()).hexdigest()


def _code_hash() -> str:
    """Over cmkit's own book code and template: a corrected book is made again although no record changed."""
    here = Path(__file__).parents[1]
    parts = [version(name) for name in VERSIONS]
    parts += [_file_hash(p) for p in sorted(here.rglob("*")) if p.is_file() and p.suffix != ".pyc"]
    return sha256("\n".join(parts).encode()).hexdigest()


def _file_hash(path: Path) -> str:
    return f"{path.name} {sha256(path.read_bytes()).hexdigest()}"


def all_made(record: dict[str, Any], place: Path) -> bool:
    """Whether every book a month's record names was made and its page is there."""
    books = record.get("books", {})
    return bool(books) and all(b["made"] and (place / b["page"]).exists() for b in books.values())


def _build(
    run: _Run, sites: Sequence[str] | None, progress: Progress | None, again: bool, whole_hash: str
) -> MonthResult:
    started, at = time.monotonic(), publish.now()
    jobs = _jobs(run, _known_sites(run.whole, sites))
    for job in {job.notebook: job for job in jobs}.values():
        check_job(job)
    due = [j for j in jobs if again or not _unchanged(run, j)]
    kept = {j.key: run.before[j.key] for j in jobs if j not in due}
    left = {k: b for k, b in run.before.items() if k not in {j.key for j in jobs} and sites is not None}
    _bring_over(run, [*kept.values(), *left.values()], due)
    with ThreadPoolExecutor(max_workers=1) as aside:  # beside the kernels, which leave this process waiting
        tables = aside.submit(
            write_tables, {n: getattr(run.whole, n) for n in SHOWN}, run.built / "tables", run.whole.as_of
        )
        results = _results(run, due, progress)
    tables.result()
    books = left | kept | {j.key: _book_record(run, j, results[j.key]) for j in due}
    _fill_gaps(run, [j for j in due if not results[j.key].made])
    _write_field_sheets(run)
    write_digest(
        run.whole,
        run.month,
        run.built,
        {s: f"sites/{f}/book.html" for s, f in site_folders(run.whole.sites["site"]).items()},
    )
    for note in run.built.rglob(".*.made.json"):
        note.unlink()
    failed = {k: r.error for k, r in results.items() if not r.made}
    record = _record(run, books, at, time.monotonic() - started, "" if failed else whole_hash)
    write_file(run.built / publish.RECORD, json.dumps(record, indent=1, sort_keys=True, ensure_ascii=False) + "\n")
    return MonthResult(run.month, [k for k, r in results.items() if r.made], sorted({**left, **kept}), failed, record)


def _write_field_sheets(run: _Run) -> None:
    """The round's field sheet beside each site's book."""
    for site, folder in site_folders(run.whole.sites["site"]).items():
        place = run.built / "sites" / folder
        if place.exists():
            own = run.whole.cards[(run.whole.cards["site"] == site) & ~run.whole.cards["later"]]
            write_field_sheet(own, place / "round.xlsx", run.whole.as_of)


def _results(run: _Run, due: list[BookJob], progress: Progress | None) -> dict[str, BookResult]:
    """Results by key, each logged and shown as it comes."""
    results = {}
    for done, result in enumerate(_made(run, due), start=1):
        results[result.key] = result
        publish.log_line(run.out, event="book", month=run.month, **result.as_record())
        if progress:
            progress(result, done, len(due))
    return results


def _known_sites(whole: Assessment, wanted: Sequence[str] | None) -> list[str]:
    have = whole.sites["site"].tolist()
    unknown = sorted(set(wanted or []) - set(have))
    if unknown:
        raise ParameterError(
            f"no site {', '.join(map(repr, unknown))} in this assessment; it has {', '.join(map(repr, have)) or 'none'}"
        )
    return [s for s in have if wanted is None or s in wanted]


def _jobs(run: _Run, sites: list[str]) -> list[BookJob]:
    """Every book of the month, the fleet's first (it takes longest); each with its data laid beside it."""
    folders = site_folders(run.whole.sites["site"])
    names = dict(zip(run.whole.sites["site"], run.whole.sites["name"], strict=True))
    code = _code_hash()
    jobs = [
        _job(
            run,
            FLEET,
            "fleet_book.ipynb",
            run.built,
            "index",
            more={},
            part=run.whole,
            page=_fleet_page(run, folders, names),
            code=code,
        )
    ]
    for site in sites:
        part = run.whole.for_site(site)
        folder = run.built / "sites" / folders[site]
        for notebook, name in (("site_book.ipynb", "book"), ("round_sheet.ipynb", "round")):
            if (run.notebooks / notebook).exists():
                page = _site_page(run, site, names[site] or site, name)
                jobs.append(
                    _job(
                        run,
                        f"{site}/{name}",
                        notebook,
                        folder,
                        name,
                        more={"site": site},
                        part=part,
                        page=page,
                        code=code,
                    )
                )
    return jobs


def _job(
    run: _Run,
    key: str,
    notebook: str,
    folder: Path,
    name: str,
    *,
    more: dict[str, str],
    part: Assessment,
    page: dict[str, Any],
    code: str,
) -> BookJob:
    if not (folder / "data").exists():
        part.save(folder / "data")
        write_published(folder / "data", run.said[run.said["compartment"].isin(part.compartments["compartment"])])
    inputs = "\n".join(
        [
            publish.hash_files(folder / "data", _NOT_INPUTS),
            _about_hash(part),
            _file_hash(run.notebooks / notebook),
            code,
            run.month,
            json.dumps(page),
        ]
    )
    parameters = {"assessment": "data", "month": run.month, **more}
    return BookJob(
        key=key,
        notebook=str(run.notebooks / notebook),
        parameters=parameters,
        folder=str(folder),
        name=name,
        page=page,
        inputs=sha256(inputs.encode()).hexdigest(),
        limits=run.limits,
        warm=run.workers.warm,
    )


def _about_hash(part: Assessment) -> str:
    """What the assessment says of itself, without the files it came from (they change with any site's records)."""
    return json.dumps({k: v for k, v in part.about.items() if k != "sources"}, sort_keys=True)


def _page(run: _Run, kind: str, title: str, nav: list[dict[str, str]]) -> dict[str, Any]:
    about = run.whole.about
    return {
        "kind": kind,
        "title": title,
        "fleet": str(about["fleet"]),
        "month": run.month,
        "month_words": month_name(run.month),
        "as_of": day(run.whole.as_of),
        "nav": nav,
    }


def _fleet_page(run: _Run, folders: dict[str, str], names: dict[str, str]) -> dict[str, Any]:
    nav = [link(names[s] or s, f"sites/{f}/book.html") for s, f in folders.items()]
    nav += [
        link("What is new", "digest.html"),
        link("Tables", "tables/tables.xlsx"),
        link("Other months", "../index.html"),
    ]
    return _page(run, "fleet", f"{run.whole.about['fleet']}, {month_name(run.month)}", nav)


def _site_page(run: _Run, site: str, name: str, book: str) -> dict[str, Any]:
    nav = [link("All sites", "../../index.html")]
    if (run.notebooks / "round_sheet.ipynb").exists():
        nav.append(link("Next round, to print", "round.html") if book == "book" else link("Site book", "book.html"))
    if book == "round":
        nav.append(link("Field sheet to fill in (XLSX)", "round.xlsx"))
    nav += [link("Notebook", f"{book}.ipynb"), link("Other months", "../../../index.html")]
    title = f"{name}, {month_name(run.month)}" if book == "book" else f"{name}: next round of bottles"
    return _page(run, "site" if book == "book" else book, title, nav) | {
        "site": site,
        "site_name": name,
    }


def _unchanged(run: _Run, job: BookJob) -> bool:
    old = run.before.get(job.key, {})
    return bool(old) and old["made"] and old["inputs"] == job.inputs and (run.out / run.month / old["page"]).exists()


def _bring_over(run: _Run, books: list[dict[str, Any]], due: list[BookJob]) -> None:
    """Books that stay, and the last good ones of those made again: the same files, linked into the new month."""
    good = [run.before[j.key]["page"] for j in due if run.before.get(j.key, {}).get("made_at")]
    for page in good:
        _link_files(run, page, (".html", ".ipynb"))
    for book in books:
        _link_files(run, book["page"], (".html", ".ipynb", ".error.html", ".half-run.ipynb"))
        data = run.out / run.month / Path(book["page"]).parent / "data"
        target = run.built / Path(book["page"]).parent / "data"
        if data.exists() and not target.exists():
            publish.keep_tree(data, target)


def _link_files(run: _Run, page: str, kinds: tuple[str, ...]) -> None:
    source, target = (run.out / run.month / page).with_suffix(""), (run.built / page).with_suffix("")
    target.parent.mkdir(parents=True, exist_ok=True)
    for kind in kinds:
        file = source.with_name(source.name + kind)
        if file.exists():
            publish.link_or_copy(str(file), str(target.with_name(target.name + kind)))


def _page_path(run: _Run, job: BookJob) -> str:
    return (Path(job.folder) / f"{job.name}.html").relative_to(run.built).as_posix()


def _made(run: _Run, jobs: list[BookJob]) -> Iterator[BookResult]:
    """Results as they come, from the workers asked for."""
    return run.workers.each(make_once if run.workers.executor == "cluster" else make_book, jobs, lost_book, waits=True)


def _book_record(run: _Run, job: BookJob, result: BookResult) -> dict[str, Any]:
    """A book's entry in run.json; one that failed keeps saying from which inputs its page, if any, was made."""
    old = run.before.get(job.key, {})
    made_at = publish.now() if result.made else old.get("made_at", "")
    own = {"page": _page_path(run, job), "made_at": made_at, "parameters": job.parameters, "title": job.page["title"]}
    return {**result.as_record(), **own}


def _fill_gaps(run: _Run, failed: list[BookJob]) -> None:
    """A book that failed and never was made this month has its error page under its own name too: links lead to it."""
    for job in failed:
        page = run.built / _page_path(run, job)
        error = page.with_name(f"{job.name}.error.html")
        if not page.exists() and error.exists():
            write_file(page, error.read_bytes())
        elif not page.exists():
            words = ["This book could not be made, and not even its error page could be written. run.json says why."]
            write_file(page, plain_page(f"{job.page['title']}: not made", words, links=job.page["nav"]))


def _record(run: _Run, books: dict[str, Any], at: str, seconds: float, inputs: str) -> dict[str, Any]:
    return {
        "month": run.month,
        "fleet": run.whole.about["fleet"],
        "as_of": f"{run.whole.as_of:%Y-%m-%d}",
        "states": state_counts(Book(run.whole, run.month)),
        "started": at,
        "ended": publish.now(),
        "seconds": round(seconds, 3),
        "inputs": inputs,
        "sources": run.whole.about.get("sources", {}),
        "versions": {name: version(name) for name in VERSIONS} | {"python": platform.python_version()},
        "host": platform.node(),
        "pid": os.getpid(),
        "workers": {"executor": run.workers.executor, "threads": run.workers.threads, "warm": run.workers.warm},
        "books": books,
    }


def publish_index(out: Path) -> None:
    """BOOKS/index.html: the months there are and what failed in them; written only when it says something new."""
    rows = []
    for record in publish.published_months(out):
        books = record.get("books", {})
        failed = [b["title"] for b in books.values() if not b["made"]]
        month = record["month"]
        sites = sum(key.endswith("/book") and b["made"] for key, b in books.items())
        news = (out / month / "digest.html").exists()
        cells = [
            link(month_name(month), f"{month}/index.html"),
            link("what is new", f"{month}/digest.html") if news else "",
            *(f"{record.get('states', {}).get(state, '')}" for state in ("alarm", "alert", "not known")),
            count(sites, "site book"),
            short_day(pd.Timestamp(record["as_of"])) if "as_of" in record else "",
        ]
        rows.append([*cells, "; ".join(failed) or "none"])
    fleet = next((r["fleet"] for r in publish.published_months(out) if "fleet" in r), "Fleet")
    heads = ["Month", "In short", "In alarm", "In alert", "Not known", "Books", "As known on", "Not made"]
    words = ["A month's name leads to the fleet's book, and from there to each site's."]
    page = plain_page(f"{fleet}: books by month", words, heads=heads, rows=rows)
    place = out / "index.html"
    if not place.exists() or place.read_text(encoding="utf-8") != page:
        write_file(place, page)
