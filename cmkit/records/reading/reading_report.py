"""What a person sees of a reading: files, rows used and set aside, reasons with first examples, repairs. Plain text."""

import textwrap
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet

_WIDTH = 100
_EXAMPLES = 3
_KINDS = {
    "row": "Rows set aside (the whole row is not used)",
    "value": "Values set aside (the row is used without that value)",
    "file": "Files not read",
}
_FIRST = (
    "Fill sites, machines and compartments first (examples/ shows how), then samples; or put the",
    "laboratory's files into inbox/, each with a layout (`cmkit match FILE --fleet FLEET` proposes one).",
)


def reading_report(fleet: Fleet) -> str:
    """What was read from a fleet's files, what was set aside and why, what was repaired; lines of at most 100
    characters.

    A fleet without any row gets the next step instead of empty tables.
    """
    counts = fleet.counts
    rows, lost = int(counts["read"].sum()), int(counts["set_aside"].sum())
    if counts.empty and fleet.set_aside.empty:
        return "\n".join([_cut(f"Fleet: {_plain(fleet.settings.name)}"), "No rows yet: every table is empty.", *_FIRST])
    parts = [
        _cut(f"Fleet: {_plain(fleet.settings.name)}"),
        f"{_many(len(counts), 'file')}, {_many(rows, 'row')} read: {rows - lost:,} used, {lost:,} set aside.",
        "",
        *_file_table(counts),
        "",
        *_holdings(fleet),
    ]
    for kind, title in _KINDS.items():
        parts += _groups(fleet.set_aside[fleet.set_aside["what"] == kind], title)
    parts += _groups(fleet.repairs, "Repairs (used after a change that has one meaning only)")
    if fleet.set_aside.empty and fleet.repairs.empty:
        parts += ["", "Nothing was set aside and nothing had to be repaired."]
    return "\n".join(line.rstrip() for line in parts)


def _plain(text: object) -> str:
    """Text from a file for a terminal: no control characters, no line breaks."""
    return "".join(c if c.isprintable() else " " for c in str(text))


def _cut(text: str, width: int = _WIDTH) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def _file_table(counts: pd.DataFrame) -> list[str]:
    """One line a file; a folder of many files shows them all."""
    name = min(max([len(f) for f in counts["file"]], default=4), 48)
    lines = [f"{'file':<{name}}  {'table':<12}  {'rows read':>9}  {'used':>9}  {'set aside':>9}"]
    for line in counts.itertuples():
        aside = f"{line.set_aside:,}" if line.set_aside else "-"
        lines.append(
            f"{_cut(_plain(line.file), name):<{name}}  {line.table:<12}  {line.read:>9,}  {line.used:>9,}  {aside:>9}"
        )
    return lines


def _holdings(fleet: Fleet) -> list[str]:
    drawn = fleet.samples["drawn_on"]
    span = f", drawn {drawn.min():%Y-%m-%d} to {drawn.max():%Y-%m-%d}" if len(drawn) else ""
    return [
        ", ".join(
            _many(n, word)
            for n, word in (
                (len(fleet.sites), "site"),
                (len(fleet.machines), "machine"),
                (len(fleet.compartments), "compartment"),
                (fleet.samples["sample"].nunique(), "bottle"),
            )
        )
        + f"{span}."
    ]


def _many(n: int, word: str) -> str:
    return f"{n:,} {word}{'s' * (n != 1)}"


def _groups(notes: pd.DataFrame, title: str) -> list[str]:
    """Notes by reason, the most frequent first, each with its first examples."""
    if notes.empty:
        return []
    lines = ["", f"{title}: {len(notes):,}"]
    codes, reasons = pd.factorize(notes["reason"])
    short = np.array([str(r).partition("; ")[0] for r in reasons], dtype=object)[codes]
    groups = notes.groupby(short, sort=True).indices
    for reason, at in sorted(groups.items(), key=lambda g: -len(g[1])):
        size = len(at)
        lines += textwrap.wrap(f"{size:>6,}  {_plain(reason)}", _WIDTH, subsequent_indent=" " * 8)
        lines += [line for note in notes.iloc[at[:_EXAMPLES]].itertuples() for line in _example(note)]
        if size > _EXAMPLES:
            lines.append(f"          ... and {size - _EXAMPLES:,} more")
    return lines


def _example(note: Any) -> list[str]:
    """One note: place, value and what is particular to it, over several lines where it is long."""
    row = "" if pd.isna(note.row) or note.row == 0 else f" row {note.row}"
    column = f", {note.column}" if note.column else ""
    used = f" -> {note.used or 'not recorded'}" if hasattr(note, "used") else ""
    value, detail = _plain(note.value), _plain("" if used else note.reason.partition("; ")[2])
    said = f": {_cut(value, 40)!r}{used}" if value else ""
    text = f"{_plain(note.file)}{row}{_plain(column)}{said}{f' ({detail})' if detail else ''}"
    indent = " " * 10
    lines = textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent + "  ", max_lines=3, placeholder=" …"
    )
    return lines or [indent]
