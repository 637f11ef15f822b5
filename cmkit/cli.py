"""The command line. Every command loads what it needs when it runs, so that help answers at once."""

import sys
from datetime import date, timedelta
from pathlib import Path

import click

from cmkit.errors import CmkitError


class _Group(click.Group):
    """Prints an error raised on purpose as one message, without a traceback, and ends with code 2 (nothing was started)."""

    def invoke(self, ctx: click.Context) -> None:
        try:
            super().invoke(ctx)
        except CmkitError as error:
            click.echo(f"cmkit: {error}", err=True)
            sys.exit(2)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="cmkit")
def main() -> None:
    """Fluid-sample condition monitoring for mobile-equipment fleets.

    FLEET is a folder with a fleet.toml and the fleet's tables. Start with `cmkit demo DIR`, or with `cmkit start DIR` for your own.
    """


_FLEET = click.argument("fleet", type=click.Path(path_type=Path))
_AS_OF = click.option(
    "--as-of", "as_of", metavar="DATE", help="What was known at the end of that day (default: the newest record)."
)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--seed", type=int, help="Another fleet of the same kind (default: the recipe's own).")
def demo(folder: Path, seed: int | None) -> None:
    """Write the demo fleet (invented sites and machines) into FOLDER."""
    from cmkit.simulate.write import demo_recipe, write_fleet

    _refuse_full(folder)
    write_fleet(demo_recipe(), folder, seed=seed)
    click.echo(f"Demo fleet written to {folder}. Next: cmkit check {folder}, then cmkit books {folder} --month last")


def _refuse_full(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        raise CmkitError(f"{folder}: not empty, and nothing is written over. Name a new or empty folder.")


@main.command()
@_FLEET
def check(fleet: Path) -> None:
    """Say what was read, what was set aside and why; change nothing."""
    from cmkit.records.load import load_fleet
    from cmkit.records.report import reading_report

    click.echo(reading_report(load_fleet(fleet)))


@main.command()
@_FLEET
@_AS_OF
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for the tables (Parquet, one a table)."
)
def assess(fleet: Path, as_of: str | None, out: Path) -> None:
    """Assess the fleet and write the tables; no books."""
    from cmkit.assess import assess as assess_fleet
    from cmkit.assess import frozen_numbers, newest_record
    from cmkit.records.load import load_fleet

    loaded = load_fleet(fleet)
    result = assess_fleet(loaded, _day(as_of) if as_of else newest_record(loaded), frozen_numbers(fleet))
    result.save(out)
    states = result.verdicts["state"].value_counts()
    words = ", ".join(f"{states.get(s, 0)} {s}" for s in ("alarm", "alert", "clear", "not known"))
    click.echo(f"{len(result.verdicts)} compartments on {result.as_of:%Y-%m-%d}: {words}. Tables written to {out}")


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise CmkitError(f"--as-of: found {text!r}, wanted a date such as 2026-06-30.") from None


def month_asked(text: str, newest: str) -> str:
    """`last` (the last whole month), `newest` (the newest record's month) or YYYY-MM, as YYYY-MM; CmkitError on anything else."""
    if text == "last":
        return (date.today().replace(day=1) - timedelta(days=1)).strftime("%Y-%m")
    if text == "newest":
        return newest[:7]
    try:
        return date.fromisoformat(f"{text}-01").strftime("%Y-%m")
    except ValueError:
        raise CmkitError(f"--month: found {text!r}, wanted a month such as 2026-06, or `last`, or `newest`.") from None


@main.command()
@_FLEET
@click.option(
    "--month", required=True, help="YYYY-MM, `last` (the last whole month) or `newest` (the newest record's)."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("books"),
    show_default=True,
    help="Folder of the published books.",
)
@click.option("--site", "sites", multiple=True, help="Only this site (may be given again); the others' books stay.")
@click.option("--again", is_flag=True, help="Make books again although nothing changed.")
@click.option("--threads", type=click.IntRange(1, 64), help="Books made side by side.")
@click.option("--plain-kernels", is_flag=True, help="Start every kernel afresh instead of forking warm ones.")
@click.option(
    "--scheduler", metavar="ADDRESS", default="", help="Make the books on a cluster (dask scheduler's address)."
)
def books(
    fleet: Path,
    month: str,
    out: Path,
    sites: tuple[str, ...],
    again: bool,
    threads: int | None,
    plain_kernels: bool,
    scheduler: str,
) -> None:
    """Make a month's books: the fleet's and one per site, published together.

    Ends with 0 when all books are there, 1 when some site failed (its error page says why), 2 when nothing was started.
    """
    from cmkit.assess import newest_record
    from cmkit.books.executors import THREADS
    from cmkit.books.fleet import make_month
    from cmkit.books.month import Workers
    from cmkit.books.progress import say, shown_progress
    from cmkit.records.load import load_fleet

    newest = newest_record(load_fleet(fleet)) if month == "newest" else ""
    workers = Workers("cluster" if scheduler else "local", threads or THREADS, scheduler, not plain_kernels)
    with shown_progress() as progress:
        result = make_month(
            fleet,
            month_asked(month, newest),
            out,
            say,
            sites=list(sites) or None,
            workers=workers,
            progress=progress,
            again=again,
        )
    for key, error in result.failed.items():
        say(f"{key} failed: {error}")
    say(result.words)
    click.echo(f"Open {out / 'index.html'}")
    sys.exit(result.exit_code)
