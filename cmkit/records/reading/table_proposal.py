"""A proposed layout of a register, log or meter sheet for a person: as text to read, and as a layout file to edit."""

import textwrap

from cmkit.records.reading.files import SEPARATORS
from cmkit.records.reading.match_tables import TableProposal
from cmkit.records.reading.proposal import comment, toml_text

_WIDTH = 100


def table_report(proposal: TableProposal, width: int = _WIDTH) -> str:
    """The proposal as plain text: each heading with its guess and why, the words of its work with how many rows they
    hit, what to look at.
    """
    width = max(width, 60)
    form, lines = proposal.form, []
    how = [f"a {proposal.table} file" if proposal.table != "meters" else "meter readings", proposal.why]
    how += [
        f"headings in row {form.skip_rows + 1}",
        f"sheet '{form.sheet}'" if form.sheet else "",
        f"dates as {proposal.dates}" if proposal.dates else "",
    ]
    how += ["all sheets"] if proposal.every_sheet else []
    lines += [*_wrapped(f"{proposal.file}: {', '.join(h for h in how if h)}.", width), ""]
    rows = [(h.heading, h.to or "(left out)", h.unit, h.why) for h in proposal.columns]
    rows += [(h, f"{c.kind} {c.position}".strip(), c.unit, f"{c.gives} of a component") for h, c in proposal.components]
    sizes = [min(max((len(r[i]) for r in rows), default=4), 30) for i in range(3)]
    for row in rows:
        head = "  ".join(f"{comment(cell)[:n]:<{n}}" for cell, n in zip(row, sizes, strict=False))
        lines += textwrap.wrap(comment(f"{head}  {row[3]}"), width, subsequent_indent=" " * 8, drop_whitespace=False)
    if proposal.join:
        lines += ["", *_wrapped(f"compartment: joined from {' + '.join(proposal.join)}", width)]
    if proposal.phrases:
        lines += ["", "Words of the work (first that the text holds wins):"]
        lines += [f"  {n:>6,} rows  {comment(p)!r} -> {o}" for p, o, n in proposal.phrases]
    if proposal.unknown:
        lines += ["", "Texts no phrase knows (these rows would be set aside):"]
        lines += [comment(f"  {n:>6,} rows  {t!r}")[:width] for t, n in proposal.unknown]
    if proposal.doubts:
        lines += ["", "To look at:"]
        for doubt in proposal.doubts:
            lines += textwrap.wrap(comment(doubt), width, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(line.rstrip() for line in lines)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(comment(text), width, subsequent_indent="  ")


def table_toml(proposal: TableProposal) -> str:
    """The proposal as a layout file with its reasons; it loads as it stands where nothing needed is
    missing or asked.
    """
    lines = [
        f"# Proposed from {comment(proposal.file)}. Read every line, change what is wrong, then keep it in layouts/."
    ]
    lines += [f"# LOOK: {comment(d)}" for d in proposal.doubts]
    lines += ["", *_plain_keys(proposal), "", "[columns]"]
    for h in proposal.columns:
        if h.to:
            target = (
                f"{{ to = {toml_text(h.to)}, unit = {toml_text(h.unit)} }}"
                if h.unit and _takes_unit(h.to)
                else toml_text(h.to)
            )
            lines.append(f"{toml_text(h.heading)} = {target}  # {comment(h.why)}; {h.share:.0%} of {h.n} values fit")
    if proposal.join:
        lines += ["", "[join]", f"compartment = [{', '.join(map(toml_text, proposal.join))}]"]
    if proposal.matrix:
        lines += [
            "",
            "[unpivot]  # every heading that is a day, and its cells",
            'heading = "read_on"',
            'cell = "meter_h"',
        ]
    lines += _components(proposal)
    if proposal.quantity:
        lines += [
            "",
            "[quantity]  # volumes named in a text, such as 'topped up 4 l'",
            f"volume_l = {toml_text(proposal.quantity)}",
        ]
    lines += _phrases(proposal)
    return "\n".join(lines) + "\n"


def _takes_unit(to: str) -> bool:
    return to.endswith(("_l", "_h", "_mm"))


def _plain_keys(proposal: TableProposal) -> list[str]:
    form = proposal.form
    lines = [f"files = {toml_text(proposal.pattern)}", f'table = "{proposal.table}"']
    lines += ['gallon = ""  # "US" or "imperial"'] if proposal.gallon else []
    lines += [f"encoding = {toml_text(form.encoding)}"] if form.encoding else []
    lines += [f'separator = "{name}"' for name, s in SEPARATORS.items() if s == form.separator]
    lines += [f"sheet = {toml_text(form.sheet)}"] if form.sheet else []
    lines += ["every_sheet = true"] if proposal.every_sheet else []
    lines += [f"skip_rows = {form.skip_rows}"] if form.skip_rows else []
    lines += [f"heading_rows = {form.heading_rows}"] if form.heading_rows > 1 else []
    lines += [f"fill_down = [{', '.join(map(toml_text, proposal.fill_down))}]"] if proposal.fill_down else []
    lines += [f"decimal = {toml_text(proposal.decimal)}"]
    lines += [f"dates = {toml_text(proposal.dates)}"] if proposal.dates else []
    used = set(proposal.join)
    left = [h.heading for h in proposal.columns if not h.to and h.heading not in used | {proposal.quantity}]
    if left:
        lines += ["# nothing of ours fits these, so they are left out: move one to [columns] to keep it"]
        lines += [f"ignore = [{', '.join(map(toml_text, left))}]"]
    return lines


def _components(proposal: TableProposal) -> list[str]:
    if not proposal.components:
        return []
    lines = ["", "[components]  # columns that stand for a component of the row's machine"]
    for heading, c in proposal.components:
        parts = [f"kind = {toml_text(c.kind)}"]
        parts += [f"position = {toml_text(c.position)}"] if c.position else []
        parts += [f"gives = {toml_text(c.gives)}"] + ([f"unit = {toml_text(c.unit)}"] if c.unit else [])
        lines.append(f"{toml_text(heading)} = {{ {', '.join(parts)} }}")
    return lines


def _phrases(proposal: TableProposal) -> list[str]:
    if not proposal.phrases and not proposal.unknown:
        return []
    column = "kind" if proposal.table == "services" else "outcome"
    lines = [
        "",
        f"[phrases.{column}]",
        '# the first phrase that a text holds wins; "-" leaves the row out as no work on a fluid',
    ]
    lines += [f"{toml_text(p)} = {toml_text(o)}  # {n} rows" for p, o, n in proposal.phrases]
    lines += [
        "# no phrase knows these texts; give those that matter a line of their own, above a phrase that hits them too"
    ] * bool(proposal.unknown)
    lines += [f'# {toml_text(comment(t))} = ""  # {n} rows' for t, n in proposal.unknown]
    return lines
