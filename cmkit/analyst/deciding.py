"""Decisions from the command line: what stands, one written down, one taken back."""

from collections.abc import Iterator, Mapping
from pathlib import Path

from cmkit.analyst.write_back import draft_decision, undo, write_back, written_row
from cmkit.books.content.open_assessment import open_assessment


def decide(folder: Path, compartment: str, row: Mapping[str, str | None], *, dry_run: bool) -> Iterator[str]:
    """Lines to print: without a compartment all that stands; else the row (keywords of `draft_decision`), then where it
    was written.

    Raises ParameterError as `draft_decision` does, WriteError as `write_back` does.
    """
    known = open_assessment(folder)
    if not compartment:
        stands = known.open_work.sort_values(["owner", "known_on"], kind="stable")
        yield from (f"{r.compartment} ({r.about}): {r.words}" for r in stands.itertuples())
        yield f"{len(stands)} alarm(s) and order(s) stand on {known.about['as_of']}."
        return
    draft = draft_decision(known, compartment, **row)  # type: ignore[arg-type]
    yield from (f"  {name:<12} {value}" for name, value in draft.values.items())
    if dry_run:
        yield "Nothing was written."
    else:
        yield f"Written to {write_back(folder, draft)}. To undo: cmkit decide {folder} --undo '{draft.key}'"


def take_back(folder: Path, number: str) -> str:
    """Take a decision out again, by its number; the line to print."""
    return f"{number} taken out of {undo(folder, written_row(folder, 'decisions', number))}"
