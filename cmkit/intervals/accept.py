"""An analyst's accepted interval, written into the fleet's settings; a run only advises and never writes here."""

import json
import os
import re
import tempfile
from dataclasses import replace
from pathlib import Path

from cmkit.errors import SettingsError
from cmkit.records.settings import read_settings

_SECTION = "[accepted_intervals]"


def accept_interval(settings_file: Path, name: str, every_h: float | None, known: set[str]) -> None:
    """Write `every_h` (h, > 0) as the accepted interval of a compartment, family or kind into fleet.toml; None takes it back.

    known: names that may be given. The rest of the file stays as it is, byte for byte; the new file is read before it replaces the old one.
    Raises SettingsError for an unknown name, hours not above zero, or when nothing is there to take back.
    """
    before = read_settings(settings_file)
    if name not in known:
        raise SettingsError(
            f"{name!r}: no compartment, family or kind of this fleet has that name; nothing was written."
        )
    if every_h is not None and not 0 < every_h < float("inf"):
        raise SettingsError(f"every_h: found {every_h}, wanted hours above zero; nothing was written.")
    if every_h is None and name not in before.accepted_intervals:
        raise SettingsError(f"{name!r} has no accepted interval to take back; nothing was written.")
    text = _edited(settings_file.read_bytes().decode("utf-8"), name, every_h)
    handle, made = tempfile.mkstemp(dir=settings_file.parent, prefix=".accept-", suffix=".toml")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(text.encode("utf-8"))
        wanted = {k: v for k, v in before.accepted_intervals.items() if k != name} | (
            {} if every_h is None else {name: every_h}
        )
        if read_settings(Path(made)) != replace(before, accepted_intervals=wanted):
            raise SettingsError(
                f"{settings_file}: the section {_SECTION} is written in a way this cannot edit; change it by hand. Nothing was written."
            )
        Path(made).chmod(settings_file.stat().st_mode)
        Path(made).replace(settings_file)
    finally:
        Path(made).unlink(missing_ok=True)


def _edited(text: str, name: str, every_h: float | None) -> str:
    """The file's text with one line of the section set, added or taken out."""
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += end
    key = json.dumps(name, ensure_ascii=False)
    new = [] if every_h is None else [f"{key} = {every_h:g}{end}"]
    head = next((i for i, line in enumerate(lines) if line.strip() == _SECTION), None)
    if head is None:
        return "".join([*lines, end, _SECTION + end, *new])
    tail = next((i for i in range(head + 1, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
    own = re.compile(rf"\s*({re.escape(key)}|{re.escape(name)})\s*=")
    at = next((i for i in range(head + 1, tail) if own.match(lines[i])), None)
    if at is not None:
        return "".join([*lines[:at], *new, *lines[at + 1 :]])
    return "".join([*lines[: head + 1], *new, *lines[head + 1 :]])
