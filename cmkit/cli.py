"""The command line. Every command loads what it needs when it runs, so that help answers at once."""

import shutil
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import click

from cmkit.command_group import CommandGroup, say
from cmkit.errors import CmkitError


@click.group(cls=CommandGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="cmkit")
def main() -> None:
    """Fluid-sample condition monitoring for mobile-equipment fleets.

    FLEET is a folder with a fleet.toml and the fleet's tables. Begin with `cmkit demo DIR`, or with `cmkit start DIR`
    for your own.
    """


def _path(name: str, **options: Any) -> Callable[..., Any]:
    return click.argument(name, type=click.Path(path_type=Path), **options)


def _file_option(name: str, **options: Any) -> Callable[..., Any]:
    return click.option(name, type=click.Path(path_type=Path), **options)


_AS_OF = click.option(
    "--as-of", metavar="DATE", help="What was known at the end of that day (default: the newest record's)."
)
_VERSION = click.option(
    "--version", type=int, metavar="N", help="Read version N of the fleet's store (see `cmkit history`)."
)
_DATABASE = click.option(
    "--records",
    "database",
    metavar="URL",
    default="",
    help="Read the tables from a database; the settings stay FLEET's.",
)
_PROCESSES = click.option(
    "--processes", type=click.IntRange(1, 256), help="Sites assessed side by side (default: one a core)."
)


@main.command(short_help="Write the invented demo fleet.")
@_path("folder")
@click.option("--seed", type=int, help="Another fleet of the same kind (default: the recipe's own).")
def demo(folder: Path, seed: int | None) -> None:
    """Write the demo fleet (invented sites and machines) into FOLDER."""
    from cmkit.simulate.write import demo_recipe, write_fleet

    write_fleet(demo_recipe(), folder, seed=seed)
    click.echo(f"Demo fleet written to {folder}. Next: cmkit check {folder}, then: cmkit books {folder} --month newest")


@main.command(short_help="Write a new fleet folder with examples.")
@_path("folder")
def start(folder: Path) -> None:
    """Write a new fleet folder with commented examples into FOLDER."""
    from cmkit.records.reading.start import start_fleet

    files = start_fleet(folder)
    click.echo(
        f"{len(files)} files written to {folder}. READ_ME.txt says what goes where, examples/ shows it. "
        f"Put the files you have into {folder / 'inbox'}, then: cmkit match {folder / 'inbox'} (or fill the tables, "
        f"then: cmkit check {folder})"
    )


@main.command(short_help="Copy the guides for JupyterLab.")
@_path("folder")
def guides(folder: Path) -> None:
    """Copy the analyst's guides, the book templates and a page of all names into FOLDER; nothing is written over."""
    from cmkit.analyst.guides import copy_guides, guides_words

    click.echo(guides_words(copy_guides(folder)))


@main.command(short_help="Propose layouts for unknown files.")
@_path("file")
@click.option(
    "--table",
    type=click.Choice(["samples", "machines", "compartments", "services", "meters", "findings"]),
    help="What the file holds (default: seen from its headings).",
)
@click.option("--sheet", default="", help="The sheet of a spreadsheet to look at.")
@_file_option("--fleet", help="Fleet folder whose machines and compartments the file may name.")
@_file_option("--out", help="Write the layout here; nothing is written over.")
def match(file: Path, table: str | None, sheet: str, fleet: Path | None, out: Path | None) -> None:
    """Propose a layout for an unknown FILE, with reasons; nothing is applied.

    FILE is a laboratory's results, a register of machines or components, a workshop log, meter readings or findings.
    Read the proposal, correct it, save it under layouts/ in the fleet folder and put the files into inbox/. With a
    fleet's inbox/ folder as FILE, every file of it that has no layout gets one in the fleet's layouts/.
    """
    from cmkit.records.reading.proposing import match_inbox, propose, write_layout

    width = shutil.get_terminal_size((100, 24)).columns
    if file.is_dir():
        say(match_inbox(file, width))
        return
    _free_place(out, but="layouts")
    _is_file(file, "a CSV or XLSX of results, machines, work or meters")
    found = propose(file, fleet, table or "", sheet, width)
    click.echo(found.report)
    if out is None:
        click.echo("Nothing was written. Add --out layouts/NAME.toml to write it as a layout to edit.")
    else:
        then = f", then: cmkit check {fleet}" if fleet else ""
        click.echo(f"Layout proposed in {write_layout(found.toml, out)}. Read it and correct it{then}")


@main.command("draft-register", short_help="Draft machines and compartments from the laboratory's files.")
@_path("fleet")
@click.option("--dry-run", is_flag=True, help="Only say what would be written.")
def draft(fleet: Path, dry_run: bool) -> None:
    """Draft the register from the laboratory's files in FLEET's inbox/: machines, compartments, kinds, sides and
    fluids, with reasons.

    Written are only tables that hold no rows yet; for others the draft goes into drafts/. Correct the tables, then
    check.
    """
    from cmkit.records.reading.draft_register import draft_register, draft_words, write_draft

    _is_folder(fleet)
    found = draft_register(fleet)
    say(draft_words(found))
    if dry_run or found.compartments.empty:
        click.echo("Nothing was written.")
        return
    for path in write_draft(found, fleet):
        click.echo(f"Written: {path}")
    click.echo(
        "Capacities and depths are not in a laboratory's file: empty cells are taken as usual for the kind, and check "
        "says for how many. "
        f"Correct the tables, then: cmkit check {fleet}"
    )


@main.command(short_help="Say what was read, what was set aside and why.")
@_path("fleet")
def check(fleet: Path) -> None:
    """Say what was read, what was set aside and why; change nothing."""
    from cmkit.records.reading.advice import advice
    from cmkit.records.reading.load import load_fleet
    from cmkit.records.reading.reading_report import reading_report

    loaded = load_fleet(fleet)
    click.echo(reading_report(loaded))
    say("\n".join(advice(loaded, str(fleet))))


def _is_folder(fleet: Path) -> None:
    if not fleet.is_dir():
        found = "a file, not a folder" if fleet.exists() else "no such folder"
        raise CmkitError(f"{fleet}: {found}; wanted a fleet folder (`cmkit start` makes one).")


def _is_file(path: Path, wanted: str) -> None:
    if not path.is_file():
        found = "a folder, not a file" if path.is_dir() else "no such file"
        raise CmkitError(f"{path}: {found}; wanted {wanted}.")


@main.command("take-in", short_help="Add what is new to the store of checked records.")
@_path("fleet")
def take_in(fleet: Path) -> None:
    """Add what is new in FLEET and its inbox/ to the store of checked records, once and only once."""
    from cmkit.records.storing.store import take_in as take

    _is_folder(fleet)
    click.echo(take(fleet).words)


@main.command(short_help="List the versions of the fleet's store.")
@_path("fleet")
def history(fleet: Path) -> None:
    """List the versions of the fleet's store, and whether every file is as it was written."""
    from cmkit.records.storing.history import damaged_files, unused_files
    from cmkit.records.storing.history import history as versions
    from cmkit.records.storing.versions import default_store

    _is_folder(fleet)
    store = default_store(fleet)
    listed = versions(fleet) if store.exists() else None
    if listed is None or not len(listed):
        raise CmkitError(f"{fleet}: no store here yet. `cmkit take-in {fleet}` makes one.")
    click.echo(listed.to_string(index=False))
    if left := unused_files(store):
        say(
            f"{len(left)} file(s) in {store} that no version names, left by a take-in that was stopped; they can be "
            f"deleted."
        )
    if bad := damaged_files(store):
        raise CmkitError(
            f"{store}: {len(bad)} file(s) are missing or changed: {', '.join(bad[:5])}. Restore them from a copy."
        )
    click.echo("Every file is as it was written.")


@main.command("publish-records", short_help="Write the fleet's tables into a database.")
@_path("fleet")
@click.option(
    "--to", "url", metavar="URL", required=True, help="Such as sqlite:///fleet.db or postgresql://user@host/fleet."
)
@click.option("--schema", default=None, help="Schema of the database to write into (default: its own).")
def publish_records(fleet: Path, url: str, schema: str | None) -> None:
    """Write the checked tables of FLEET into a database that has none of them yet, all or nothing.

    `cmkit assess FLEET --records URL` and `cmkit books FLEET --records URL` read them there; the settings stay FLEET's.
    """
    from cmkit.records.storing.connection import check_place
    from cmkit.records.storing.database import write_records
    from cmkit.records.storing.source import open_fleet

    _is_folder(fleet)
    check_place(url)
    written = write_records(open_fleet(fleet, say=click.echo), url, schema)
    click.echo(f"Rows written: {', '.join(f'{name} {n:,}' for name, n in written.items())}")
    click.echo(f"Read them with --records, such as: cmkit assess {fleet} --records URL --out FOLDER")


@main.command(short_help="Take in a filled field sheet of a round.")
@_path("fleet")
@_path("sheet")
@click.option("--dry-run", is_flag=True, help="Only say what was found; write nothing.")
def returned(fleet: Path, sheet: Path, dry_run: bool) -> None:
    """Take in a filled field SHEET of a round, and say every slip in it.

    The same sheet again changes nothing. To undo, remove the file named at the end.
    """
    from cmkit.practice.sheet_saving import save_field_sheet
    from cmkit.practice.sheets import returned_sheet
    from cmkit.records.storing.source import open_fleet

    _is_file(sheet, "the filled XLSX that came with the round")
    found = returned_sheet(open_fleet(fleet, say=click.echo), sheet)
    say(found.said(sheet))
    if dry_run or not (len(found.samples) or len(found.undrawn)):
        click.echo("Nothing was written.")
        return
    places = " and ".join(str(path) for path in save_field_sheet(found, fleet))
    then = "; results join them when the laboratory's report comes" if len(found.samples) else ""
    click.echo(f"Written to {places}{then}.")


@main.command("join-bottles", short_help="Join field sheets and laboratory rows of one bottle.")
@_path("fleet")
@click.option("--accept", is_flag=True, help="Record them all as corrections; to undo, take the rows out again.")
@click.option("--by", "decided_by", default="", help="Who decides it (wanted with --accept).")
def join_bottles(fleet: Path, accept: bool, decided_by: str) -> None:
    """List bottles that stand under two numbers: a field sheet's without a result, and a laboratory's of the same
    compartment, day and hours.
    """
    from cmkit.analyst.write_back import join_pairs

    _is_folder(fleet)
    say(join_pairs(fleet, decided_by if accept else None))


@main.command()
@_path("fleet")
@_AS_OF
@_VERSION
@_DATABASE
@_file_option("--out", help="Folder for the tables (Parquet, one a table).")
@click.option("--results", metavar="URL", default="", help="Write the tables into a database, all or nothing.")
@click.option(
    "--freeze",
    is_flag=True,
    help="Write family numbers and limits to FLEET/review/; from then on they are used as they are.",
)
def assess(
    fleet: Path, *, as_of: str | None, version: int | None, database: str, out: Path | None, results: str, freeze: bool
) -> None:
    """Assess the fleet and write the tables; no books."""
    from cmkit.assessment import KIND, table_names
    from cmkit.learn import learn
    from cmkit.records.storing.connection import check_place
    from cmkit.records.storing.database import write_results
    from cmkit.review import freeze as freeze_review
    from cmkit.review import review_words

    _one_source(version, database)
    _free_place(out, kind=KIND)
    if not (out or results or freeze):
        raise CmkitError("nothing to write to: name --out FOLDER, --results URL, or --freeze.")
    if results:
        check_place(results)
    loaded, result = _loaded_and_assessed(fleet, as_of, version, database)
    states = result.verdicts["state"].value_counts()
    words = ", ".join(f"{states.get(s, 0)} {s}" for s in ("alarm", "alert", "clear", "not known"))
    click.echo(f"{len(result.verdicts)} compartments as known on {result.as_of:%Y-%m-%d}: {words}.")
    if result.numbers["frozen_on"].notna().any() or result.limits["frozen_on"].notna().any():
        for words in review_words(learn(loaded, result.as_of), result):
            click.echo(words)
    if out:
        result.save(out)
        click.echo(f"Tables written to {out}")
    if results:
        run = f"{result.as_of:%Y-%m-%d}"
        write_results({n: getattr(result, n) for n in table_names()}, run, results, result.about)
        click.echo(f"Tables written to the database as run {run}")
    if freeze:
        click.echo(
            f"Family numbers and limits frozen in {freeze_review(result, fleet)}; remove the folder to estimate them "
            f"anew."
        )


@main.command("assess-sites", short_help="Assess a fleet too large for memory, site by site from its store.")
@_path("fleet")
@_AS_OF
@_VERSION
@_file_option("--out", required=True, help="Folder for the tables, one folder a site; what is unchanged there stays.")
@click.option("--keep-learnt", is_flag=True, help="Use what the fleet taught in the last run into this folder.")
@_PROCESSES
@click.option("--scheduler", metavar="ADDRESS", default="", help="Assess on a cluster (dask scheduler's address).")
def assess_sites(fleet: Path, out: Path, as_of: str | None, **how: Any) -> None:
    """Assess a fleet site by site from its store: a task reads and assesses one large site or a few small ones, and
    writes each site's tables by themselves.

    FLEET is a fleet's folder with a store (`cmkit take-in`), or a store itself. A run that was stopped goes on where it
    stopped; a site of which nothing changed keeps its tables. OUT/sites.csv names each site's folder and what it took.
    """
    from cmkit.by_site import assess_into
    from cmkit.records.reading.files import refuse_record_place

    refuse_record_place(out)
    say(assess_into(fleet, out, _day(as_of) if as_of else None, **how))


def _loaded_and_assessed(fleet: Path, as_of: str | None, version: int | None, database: str) -> tuple[Any, Any]:
    """The fleet as loaded, and its assessment."""
    from cmkit.assess import assess_fleet
    from cmkit.learn import newest_record
    from cmkit.records.storing.source import open_fleet
    from cmkit.review import read_review

    loaded = open_fleet(fleet, version, database, click.echo)
    return loaded, assess_fleet(loaded, _day(as_of) if as_of else newest_record(loaded), read_review(fleet))


def _free_place(out: Path | None, but: str = "", kind: str | None = None) -> None:
    """Refuse, before any work, to write onto a fleet's folder or its records, or where nothing can be written. kind: of
    a folder of ours.
    """
    from cmkit.files import check_place
    from cmkit.records.reading.files import refuse_record_place

    if out:
        refuse_record_place(out, but)
        check_place(out, kind)


def _one_source(version: int | None, database: str) -> None:
    if version is not None and database:
        raise CmkitError("--version and --records: wanted one of them; a version is of the fleet's own store.")


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise CmkitError(f"--as-of: found {text!r}, wanted a date such as 2026-06-30.") from None


@main.command(short_help="Write down who owns an alarm or order.")
@_path("fleet")
@click.argument("compartment", default="")
@click.option("--decided", default="accepted", show_default=True, help="accepted, deferred, done or overruled.")
@click.option("--owner", default="", help="Who owns it: a name or a role.")
@click.option("--why", default="", help="The reason.")
@click.option("--on", "decided_on", metavar="DATE", help="Day of the decision (default: the newest record's).")
@click.option("--due", "due_on", metavar="DATE", help="Day by which it is to be done.")
@click.option("--dry-run", is_flag=True, help="Only show the row; write nothing.")
@click.option("--undo", metavar="NUMBER", help="Take a decision out again.")
def decide(fleet: Path, compartment: str, dry_run: bool, undo: str | None, **row: str | None) -> None:
    """Write one row into FLEET's decisions.csv: who owns the alarm or order at COMPARTMENT. Without COMPARTMENT,
    list what stands.

    A decision closes an order; an alarm stands until a look or clear bottles.
    """
    from cmkit.analyst.deciding import decide as decided
    from cmkit.analyst.deciding import take_back

    _is_folder(fleet)
    for line in [take_back(fleet, undo)] if undo else decided(fleet, compartment, row, dry_run=dry_run):
        say(line)


@main.command(short_help="How often sampling is worth it.")
@_path("fleet")
@_AS_OF
@_VERSION
@_file_option("--out", help="Also write the whole table as CSV.")
@click.option(
    "--accept", metavar="NAME=HOURS", multiple=True, help="Write an interval into fleet.toml; NAME= undoes it."
)
def intervals(fleet: Path, as_of: str | None, version: int | None, out: Path | None, accept: tuple[str, ...]) -> None:
    """How often sampling is worth it: today's interval, the advised one, what it saves. NAME: a compartment, family or
    kind.
    """
    from cmkit.files import check_heading, write_file
    from cmkit.intervals.accept import accept_pairs
    from cmkit.intervals.advice_report import intervals_text
    from cmkit.records.spreadsheets import safe_csv
    from cmkit.tables.frames import names

    _free_place(out)
    if accept:
        say("\n".join(accept_pairs(fleet, accept)))
        return
    if out:
        check_heading(out, names("intervals"))
    loaded, result = _loaded_and_assessed(fleet, as_of, version, "")
    kinds = sorted(set(loaded.compartments["kind"]))
    assumed = dict.fromkeys(c for k in kinds for c in loaded.settings.assumed_costs(k))
    click.echo(intervals_text(result.intervals, result.about["currency"], tuple(assumed)))
    if out:
        write_file(out, safe_csv(result.intervals))
        click.echo(f"Written to {out}")


@main.command(short_help="Make a month's books.")
@_path("fleet")
@click.option(
    "--month", required=True, help="YYYY-MM, `last` (the last whole month) or `newest` (the newest record's)."
)
@_file_option("--out", default=Path("books"), show_default=True, help="Folder of the published books.")
@_VERSION
@_DATABASE
@click.option("--site", "sites", multiple=True, help="Only this site (may be given again); the others' books stay.")
@click.option("--again", is_flag=True, help="Make books again although nothing changed.")
@click.option(
    "--keep-learnt",
    is_flag=True,
    help="Use what the fleet taught in this month's last run; then only sites with new records are assessed again.",
)
@_PROCESSES
@click.option("--threads", type=click.IntRange(1, 64), help="Books made side by side.")
@click.option("--plain-kernels", is_flag=True, help="Start every kernel afresh instead of forking warm ones.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    default="",
    help="Assess sites and make books on a cluster (dask scheduler's address).",
)
def books(
    fleet: Path,
    *,
    month: str,
    out: Path,
    version: int | None,
    database: str,
    sites: tuple[str, ...],
    again: bool,
    keep_learnt: bool,
    processes: int | None,
    threads: int | None,
    plain_kernels: bool,
    scheduler: str,
) -> None:
    """Make a month's books: the fleet's and one per site, published together.

    Ends with 0 when all books are there, 1 when some site failed (its error page says why), 2 when nothing was started.
    """
    from cmkit.books.publishing.fleet_month import Wanted, make_month, month_asked
    from cmkit.books.running.progress import say as dated
    from cmkit.books.running.progress import shown_progress
    from cmkit.engine import THREADS, Workers
    from cmkit.records.reading.files import refuse_record_place

    _one_source(version, database)
    refuse_record_place(out)
    wanted = Wanted(fleet, month_asked(month), out, version, database, list(sites) or None, again, keep_learnt)
    how = "cluster" if scheduler else "local"
    workers = Workers(how, threads or THREADS, scheduler, not plain_kernels, processes or 0)
    with shown_progress() as progress:
        result = make_month(wanted, workers, dated, progress)
    for key, error in result.failed.items():
        dated(f"{key} failed: {error}")
    dated(result.words)
    click.echo(f"Open {out / 'index.html'}")
    sys.exit(result.exit_code)
