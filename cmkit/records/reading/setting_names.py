"""Names in fleet.toml held against the fleet's own: a setting for a name that nothing has would do
nothing, in silence.
"""

import difflib
from collections.abc import Iterable

import pandas as pd

from cmkit.errors import SettingsError
from cmkit.records.reading.bounds import SHOWN
from cmkit.records.settings import Settings, default_kinds


def check_names(settings: Settings, compartments: pd.DataFrame, where: str = "fleet.toml") -> None:
    """Whether each kind, limit and accepted interval of the settings is for something the fleet has, or for a kind
    cmkit knows.

    compartments: of the fleet, with `compartment`, `kind` and `family`. Raises SettingsError naming all that are not,
    each with the nearest name there is.
    """
    kinds = [*default_kinds(), *compartments["kind"]]
    groups = [*kinds, *compartments["family"]]
    sections: tuple[tuple[str, Iterable[str], list[str], str], ...] = (
        ("kinds", settings.kinds, kinds, "kind of compartment"),
        ("limits", [limit.where for limit in settings.limits], groups, "family or kind of compartment"),
        (
            "accepted_intervals",
            settings.accepted_intervals,
            [*groups, *compartments["compartment"]],
            "compartment, family or kind",
        ),
        (
            "cleanliness_targets",
            settings.cleanliness_targets,
            [*groups, *compartments["compartment"]],
            "compartment, family or kind",
        ),
    )
    faults = [
        f'{where}: [{section}] "{name[:SHOWN]}": no {what} of this fleet has that name. {_hint(name, known)}'
        for section, names, known, what in sections
        for name in dict.fromkeys(names)
        if name not in set(known)
    ]
    if faults:
        raise SettingsError("\n".join(faults))


def _hint(name: str, known: list[str]) -> str:
    lower = {k.lower(): k for k in known}
    near = difflib.get_close_matches(name[:SHOWN].lower(), lower, n=1, cutoff=0.6)
    return f'Did you mean "{lower[near[0]]}"?' if near else "Correct it, or remove the line."
