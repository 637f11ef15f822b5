"""A proposed layout for a person: as a table to read, and as a layout file to edit. Nothing is applied by itself."""

import json
import textwrap
from pathlib import Path

from cmkit.errors import SettingsError
from cmkit.records.files import SEPARATORS
from cmkit.records.match import Guess, Proposal

_WIDTH = 100


def match_report(proposal: Proposal) -> str:
    """The proposal as plain text: each heading with its guess, unit, how many values fit, and why; then what to look at."""
    form = proposal.form
    how = [
        f"headings in row {form.skip_rows + 1}"
        + (f" to {form.skip_rows + form.heading_rows}" if form.heading_rows > 1 else "")
    ]
    how += [f"cut by {name}" for name, s in SEPARATORS.items() if s == form.separator]
    how += [f"sheet '{form.sheet}'"] if form.sheet else []
    how += [f"encoding {form.encoding}"] if form.encoding else []
    how += ["decimal commas"] if proposal.decimal == "," else []
    how += [f"dates as {proposal.dates}"] if proposal.dates else []
    how += ["one row a result" if proposal.long else "one row a sample"]
    lines = [f"{_line(proposal.file)}: {', '.join(how)}.", ""]
    lines += _table("heading", proposal.columns)
    if proposal.join:
        lines += ["", _line(f"compartment: joined from {' + '.join(proposal.join)}")]
    if proposal.tests:
        lines += ["", *_table("test", proposal.tests)]
    if proposal.places:
        lines += ["", "Words of the file that are no compartment's name (put them into [words.compartment]):"]
        lines += [_line(f"  {theirs!r} -> {ours or 'no near name'}") for theirs, ours in proposal.places[:20]]
        lines += [f"  ... and {len(proposal.places) - 20} more"] if len(proposal.places) > 20 else []
    if proposal.doubts:
        lines += ["", "To look at:"]
        for doubt in proposal.doubts:
            lines += textwrap.wrap(_line(doubt, 400), _WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(line.rstrip() for line in lines)


def _line(text: str, width: int = _WIDTH) -> str:
    text = "".join(c if c.isprintable() else " " for c in text)
    return text if len(text) <= width else text[: width - 1] + "…"


def _table(title: str, guesses: tuple[Guess, ...]) -> list[str]:
    lines = [f"{title:<30}  {'is':<16}  {'unit':<10}  {'fits':>6}  why"]
    for g in guesses:
        fits = f"{g.share:.0%}" if g.n and g.to else "-"
        lines.append(
            _line(
                f"{_line(g.heading, 30):<30}  {g.to or '(left out)':<16}  {_line(g.unit, 10):<10}  {fits:>6}  {g.why}"
            )
        )
    return lines


def proposal_toml(proposal: Proposal) -> str:
    """The proposal as a layout file, with the reason of each line beside it; it loads as it stands where nothing needed is missing."""
    lines = [
        f"# Proposed from {_comment(proposal.file)}. Read every line, change what is wrong, then keep it in layouts/."
    ]
    lines += [f"# LOOK: {_comment(d)}" for d in proposal.doubts]
    lines += ["", *_plain_keys(proposal), "", "[columns]"]
    lines += [_mapped(g) for g in proposal.columns if _is_column(g, proposal)]
    if proposal.join:
        lines += ["", "[join]", f"compartment = [{', '.join(_text(h) for h in proposal.join)}]"]
    if proposal.places:
        lines += [
            "",
            "[words.compartment]",
            "# their words -> the name in compartments; take the # off where it is right",
        ]
        lines += [f"# {_text(theirs)} = {_text(ours)}" for theirs, ours in proposal.places]
    if proposal.long:
        part = {g.to: g.heading for g in proposal.columns}
        lines += [
            "",
            "[long]",
            *(f"{name} = {_text(part[name])}" for name in ("test", "value", "unit") if name in part),
        ]
        lines += ["", "[tests]", *(_mapped(g) for g in proposal.tests if g.to)]
    return "\n".join(lines) + "\n"


def _plain_keys(proposal: Proposal) -> list[str]:
    form = proposal.form
    lines = [f"files = {_text(proposal.pattern)}", '# lab = "the laboratory\'s name"']
    lines += [f"encoding = {_text(form.encoding)}"] if form.encoding else []
    lines += [f'separator = "{name}"' for name, s in SEPARATORS.items() if s == form.separator]
    lines += [f"sheet = {_text(form.sheet)}"] if form.sheet else []
    lines += [f"skip_rows = {form.skip_rows}"] if form.skip_rows else []
    lines += [f"heading_rows = {form.heading_rows}"] if form.heading_rows > 1 else []
    lines += [f"decimal = {_text(proposal.decimal)}"]
    lines += [f"dates = {_text(proposal.dates)}"] if proposal.dates else []
    parts = {
        *proposal.join,
        *(g.heading for g in proposal.columns if proposal.long and g.to in ("test", "value", "unit")),
    }
    left = [g.heading for g in proposal.columns if not _is_column(g, proposal) and g.heading not in parts]
    left += [g.heading for g in proposal.tests if not g.to]
    if left:
        lines += ["# nothing of ours fits these, so they are left out: move one to [columns] to keep it"]
        lines += [f"ignore = [{', '.join(_text(h) for h in left)}]"]
    return lines


def _is_column(guess: Guess, proposal: Proposal) -> bool:
    parts = ("machine", "kind", "position", "test", "value", "unit")
    return bool(guess.to) and guess.to not in parts and guess.heading not in proposal.join


def _mapped(guess: Guess) -> str:
    target = f"{{ to = {_text(guess.to)}, unit = {_text(guess.unit)} }}" if guess.unit else _text(guess.to)
    fits = f"; {guess.share:.0%} of {guess.n} values fit" if guess.n else "; no values in this file"
    doubt = f"; LOOK: {guess.doubt}" if guess.doubt else ""
    return f"{_text(guess.heading)} = {target}  # {_comment(guess.why + fits + doubt)}"


def _text(value: str) -> str:
    """A TOML text. JSON's escapes are TOML's too, but for the one control character it leaves."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)


def write_proposal(proposal: Proposal, path: str | Path) -> Path:
    """The proposal as a new layout file; SettingsError where a file of that name is there already (nothing is written over)."""
    path = Path(path)
    if path.exists():
        raise SettingsError(
            f"{path}: there already, and nothing is written over. Give another name, or move it away first."
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(proposal_toml(proposal), encoding="utf-8")
    return path
