"""Sections of fleet.toml whose keys are compartments, families or kinds: accepted intervals and cleanliness targets."""

import re
from typing import Any

from cmkit.errors import SettingsError
from cmkit.records.typed_reader import ACCEPTED_H, Faults, checked

_CODE = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{1,2})")
_TOP_CODE = 28  # of ISO 4406


def accepted_intervals(raw: dict[str, Any], where: str) -> dict[str, float]:
    """[accepted_intervals]: sampling interval in hours by name."""
    faults, out = Faults(), {}
    for name, hours in raw.items():
        with faults.gathered():
            out[name] = checked(hours, float, f"{where}: [accepted_intervals] {name}", ACCEPTED_H)
    faults.raise_any()
    return out


def cleanliness_targets(raw: dict[str, Any], where: str) -> dict[str, str]:
    """[cleanliness_targets]: ISO 4406 code of three numbers by name."""
    faults, out = Faults(), {}
    for name, code in raw.items():
        with faults.gathered():
            out[name] = _code(code, f"{where}: [cleanliness_targets] {name}")
    faults.raise_any()
    return out


def _code(code: Any, where: str) -> str:
    found = _CODE.fullmatch(code.strip()) if isinstance(code, str) else None
    numbers = [int(part) for part in found.groups()] if found else []
    if not numbers or max(numbers) > _TOP_CODE or numbers != sorted(numbers, reverse=True):
        raise SettingsError(
            f'{where}: found {code!r}, wanted an ISO 4406 code of three numbers that do not rise, such as "18/16/13".'
        )
    return "/".join(str(n) for n in numbers)
