"""A proposed layout for a person: as a table to read, and as a layout file to edit. Nothing is applied by itself."""

import json
import textwrap

from cmkit.records.reading.clean import NOT_DETECTED
from cmkit.records.reading.files import SEPARATORS
from cmkit.records.reading.match import Guess, Proposal
from cmkit.records.reading.places import PARTS

_WIDTH = 100
_NARROWEST = 60
_HEADING = {False: 22, True: 34}  # characters of a heading that are shown, on a narrow and on a wide terminal
_ROOM = 24  # a reason with less room than this gets lines of its own


def match_report(proposal: Proposal, width: int = _WIDTH) -> str:
    """The proposal as plain text of at most `width` characters a line (60 at least): each heading with its guess, unit,
    how many values fit, and why; then what to look at."""
    width = max(width, _NARROWEST)
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
    lines = [*_wrapped(f"{proposal.file}: {', '.join(how)}.", width), ""]
    lines += _table("heading", proposal.columns, width)
    if proposal.join:
        between = f" with {proposal.join_with!r} between" if proposal.join_with else " with nothing between"
        said = (
            f"compartment: joined from {' + '.join(proposal.join)}{between * (len(proposal.join) > 1)}; "
            f"{proposal.join_why}"
        )
        lines += ["", *_wrapped(said, width)]
    if proposal.tests:
        lines += ["", *_table("test", proposal.tests, width)]
    if proposal.places:
        lines += [
            "",
            *_wrapped("Names of the file that are no compartment's (put them into [words.compartment]):", width),
        ]
        lines += [_line(f"  {theirs!r} -> {ours or 'no near name'}", width) for theirs, ours in proposal.places[:20]]
        lines += [f"  ... and {len(proposal.places) - 20} more"] if len(proposal.places) > 20 else []
    if proposal.doubts:
        lines += ["", "To look at:"]
        for doubt in proposal.doubts:
            lines += textwrap.wrap(_line(doubt, 400), width, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(line.rstrip() for line in lines)


def _line(text: str, width: int) -> str:
    text = comment(text)
    return text if len(text) <= width else text[: width - 1] + "…"


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(_line(text, 400), width, subsequent_indent="  ")


def _table(title: str, guesses: tuple[Guess, ...], width: int) -> list[str]:
    """One guess a line. A reason that is longer goes on in its own column or, where that is too narrow, on lines of its
    own.
    """
    heading = _HEADING[width >= _WIDTH]
    rows = [(title, "is", "unit", "fits", "why")]
    rows += [
        (
            _line(g.heading, heading),
            g.to or "(left out)",
            _line(g.unit, 12),
            f"{g.share:.0%}" if g.n and g.to else "-",
            g.why,
        )
        for g in guesses
    ]
    sizes = [max(len(row[i]) for row in rows) for i in range(4)]
    start = sum(sizes) + 2 * len(sizes)
    beside = width - start >= _ROOM
    indent = " " * (start if beside else 6)
    lines = []
    for *cells, fits, why in rows:
        head = "  ".join([*(f"{c:<{n}}" for c, n in zip(cells, sizes, strict=False)), f"{fits:>{sizes[3]}}"])
        reason = textwrap.wrap(_line(why, 400), width - len(indent)) or [""]
        if beside:
            lines += [f"{head}  {reason[0]}", *(indent + part for part in reason[1:])]
        else:
            lines += [head, *(indent + part for part in reason)]
    return lines


def proposal_toml(proposal: Proposal) -> str:
    """The proposal as a layout file, with the reason of each line beside it; it loads as it stands where nothing needed
    is missing.
    """
    lines = [
        f"# Proposed from {comment(proposal.file)}. Read every line, change what is wrong, then keep it in layouts/."
    ]
    lines += [f"# LOOK: {comment(d)}" for d in proposal.doubts]
    lines += ["", *_plain_keys(proposal), "", "[columns]"]
    lines += [_mapped(g) for g in proposal.columns if _is_column(g, proposal)]
    if proposal.join:
        lines += [
            "",
            "[join]",
            f"# {comment(proposal.join_why)}",
            f"compartment = [{', '.join(toml_text(h) for h in proposal.join)}]",
        ]
    if proposal.places:
        lines += [
            "",
            "[words.compartment]",
            "# their words -> the name in compartments; take the # off where it is right",
        ]
        lines += [f"# {toml_text(theirs)} = {toml_text(ours)}" for theirs, ours in proposal.places]
    if proposal.long:
        part = {g.to: g.heading for g in proposal.columns}
        lines += [
            "",
            "[long]",
            *(f"{name} = {toml_text(part[name])}" for name in ("test", "value", "unit") if name in part),
        ]
        lines += ["", "[tests]", *(_mapped(g) for g in proposal.tests if g.to)]
    return "\n".join(lines) + "\n"


def _plain_keys(proposal: Proposal) -> list[str]:
    form = proposal.form
    lines = [f"files = {toml_text(proposal.pattern)}", '# lab = "the laboratory\'s name"']
    lines += [f"encoding = {toml_text(form.encoding)}"] if form.encoding else []
    lines += [f'separator = "{name}"' for name, s in SEPARATORS.items() if s == form.separator]
    lines += [f"sheet = {toml_text(form.sheet)}"] if form.sheet else []
    lines += [f"skip_rows = {form.skip_rows}"] if form.skip_rows else []
    lines += [f"heading_rows = {form.heading_rows}"] if form.heading_rows > 1 else []
    lines += [f"decimal = {toml_text(proposal.decimal)}"]
    lines += [f"dates = {toml_text(proposal.dates)}"] if proposal.dates else []
    lines += [f"join_with = {toml_text(proposal.join_with)}"] if proposal.join_with != "/" else []
    if proposal.not_detected:
        lines += [f"not_detected = [{', '.join(map(toml_text, (*NOT_DETECTED, *proposal.not_detected)))}]"]
    parts = {
        *proposal.join,
        *(g.heading for g in proposal.columns if proposal.long and g.to in ("test", "value", "unit")),
    }
    left = [g.heading for g in proposal.columns if not _is_column(g, proposal) and g.heading not in parts]
    left += [g.heading for g in proposal.tests if not g.to]
    if left:
        lines += ["# nothing of ours fits these, so they are left out: move one to [columns] to keep it"]
        lines += [f"ignore = [{', '.join(toml_text(h) for h in left)}]"]
    return lines


def _is_column(guess: Guess, proposal: Proposal) -> bool:
    return bool(guess.to) and guess.to not in (*PARTS, "test", "value", "unit") and guess.heading not in proposal.join


def _mapped(guess: Guess) -> str:
    target = f"{{ to = {toml_text(guess.to)}, unit = {toml_text(guess.unit)} }}" if guess.unit else toml_text(guess.to)
    fits = f"; {guess.share:.0%} of {guess.n} values fit" if guess.n else "; no values in this file"
    doubt = f"; LOOK: {guess.doubt}" if guess.doubt else ""
    return f"{toml_text(guess.heading)} = {target}  # {comment(guess.why + fits + doubt)}"


def toml_text(value: str) -> str:
    """A TOML text. JSON's escapes are TOML's too, but for the one control character it leaves."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def comment(text: str) -> str:
    """Text of a file without marks a terminal or a comment would obey."""
    return "".join(c if c.isprintable() else " " for c in text)
