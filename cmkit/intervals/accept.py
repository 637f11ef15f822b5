"""An analyst's accepted intervals, written into the fleet's settings; a run only advises and never writes here."""

import json
import os
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from cmkit.errors import SettingsError, WriteError
from cmkit.files import one_writer, write_file
from cmkit.records.reading.load import load_registers
from cmkit.records.settings import parse_settings, read_settings
from cmkit.records.typed_reader import ACCEPTED_H, toml_content

_SECTION = "[accepted_intervals]"
_HEADING = re.compile(r"\s*\[\s*accepted_intervals\s*\]\s*(#.*)?")
_WAIT_S = 10.0


def accept_intervals(settings_file: Path, every_h: Mapping[str, float | None], known: Iterable[str]) -> None:
    """Write accepted intervals (h) of compartments, families or kinds into fleet.toml, all of them or none; None takes
    one back.

    known: names that may be given. Hours lie within `settings.ACCEPTED_H`. The rest of the file stays as it is, byte
    for byte, comments included, and a link stays a link; the new text is read before it replaces the old one, and one
    writer at a time does this. Raises SettingsError for an unknown name, hours out of range, or when nothing is there
    to take back; WriteError where another writes.
    """
    place = Path(os.path.realpath(settings_file))
    names = set(known)
    _check_all(
        every_h, names, read_settings(settings_file).accepted_intervals
    )  # before any lock is left beside the file
    busy = WriteError(
        f"{settings_file}: another command is writing it; nothing was written. Try again when it has ended."
    )
    with one_writer(place.with_name(f".{place.name}.lock"), busy, _WAIT_S):
        before, text = read_settings(settings_file), place.read_bytes().decode("utf-8")
        wanted = dict(before.accepted_intervals)
        _check_all(every_h, names, wanted)
        for name, hours in every_h.items():
            text = _edited(text, name, hours)
            wanted = {k: v for k, v in wanted.items() if k != name} | ({} if hours is None else {name: float(hours)})
        if not _says(text, replace(before, accepted_intervals=wanted)):
            raise SettingsError(
                f"{settings_file}: the section {_SECTION} is written in a way this cannot edit; change it by hand. "
                f"Nothing was written."
            )
        write_file(settings_file, text)


def accept_pairs(folder: Path, pairs: Iterable[str]) -> list[str]:
    """Write NAME=HOURS pairs (NAME= takes one back) into the fleet's fleet.toml; a line of words for each.

    Raises SettingsError for a pair that is not so written, and as :func:`accept_intervals` does.
    """
    known = set(load_registers(folder).compartments[["compartment", "family", "kind"]].to_numpy().ravel())
    wanted: dict[str, float | None] = {}
    for pair in pairs:
        name, _, hours = pair.rpartition("=")
        try:
            wanted[name] = float(hours) if hours else None
        except ValueError:
            raise SettingsError(f"--accept: found {pair!r}, wanted NAME=HOURS such as 'WL-01/engine=500'.") from None
    place = folder / "fleet.toml"
    accept_intervals(place, wanted, known)
    return [
        f"{name}: {'accepted interval taken back' if every is None else f'{every:,.12g} h accepted'} in {place}"
        for name, every in wanted.items()
    ]


def _check_all(every_h: Mapping[str, float | None], known: set[str], accepted: Mapping[str, float]) -> None:
    for name, hours in every_h.items():
        _check(name, hours, known, accepted)


def _check(name: str, hours: float | None, known: set[str], accepted: Mapping[str, float]) -> None:
    if name not in known:
        raise SettingsError(
            f"{name!r}: no compartment, family or kind of this fleet has that name; nothing was written."
        )
    if hours is None and name not in accepted:
        raise SettingsError(f"{name!r} has no accepted interval to take back; nothing was written.")
    if hours is not None and (problem := ACCEPTED_H.problem(hours)):
        raise SettingsError(f"{name!r}: {problem} hours; nothing was written.")


def _says(text: str, wanted: object) -> bool:
    """Whether a text of fleet.toml says exactly these settings."""
    try:
        return parse_settings(toml_content(text), "") == wanted
    except (tomllib.TOMLDecodeError, SettingsError):
        return False


def _edited(text: str, name: str, hours: float | None) -> str:
    """The file's text with one line of the section set, added or taken out; a comment behind a value stays."""
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += end
    key = json.dumps(name, ensure_ascii=False)
    value = "" if hours is None else str(int(hours)) if float(hours).is_integer() else repr(float(hours))
    head = next((i for i, line in enumerate(lines) if _HEADING.fullmatch(line.rstrip())), None)
    if head is None:
        return "".join([*lines, end, _SECTION + end, f"{key} = {value}{end}"])
    tail = next((i for i in range(head + 1, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
    own = re.compile(
        rf"(\s*(?:{re.escape(key)}|{re.escape(name)}|'{re.escape(name)}')\s*=\s*)[^#\s]+(\s*(?:#.*)?)", re.DOTALL
    )
    for i in range(head + 1, tail):
        if found := own.fullmatch(lines[i]):
            return "".join([*lines[:i], *([f"{found[1]}{value}{found[2]}"] if value else []), *lines[i + 1 :]])
    return "".join([*lines[: head + 1], f"{key} = {value}{end}", *lines[head + 1 :]])
