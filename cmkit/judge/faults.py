"""What each fault, limit and doubtful bottle means and asks for (reference/faults.csv and reference/orders.csv).

General engineering, common practice. A maker's manual, local rules and licensed practice come first.
"""

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import pandas as pd

SEVERITIES = ("early", "clear", "severe")
GROUPS = (
    "stop and check",
    "look inside",
    "pressure test",
    "fuel system",
    "keep dirt out",
    "find the leak",
    "fluid",
    "cooling system",
    "check first",
    "repeat bottle",
    "next bottle",
)
LOOKS = frozenset({"stop and check", "look inside", "pressure test", "fuel system", "keep dirt out", "find the leak"})
UNNAMED = "unnamed change"
OVER_LIMIT = "over a fixed limit"
LOW_LEVEL = "low fluid level"
DOUBTS = {
    "p_rich": "drawn from bottom or drain",
    "p_dirt": "dirt in the bottle",
    "p_other": "another compartment",
}
AGAIN = "doubtful again"
_LIMIT = re.compile(r"^(?P<analyte>[A-Za-z0-9_]+)(?P<way>[+-])(?:@(?P<severe>[\d.]+))?$")


@dataclass(frozen=True)
class Fault:
    """One thing that can be found: a fault of the compartment, a limit passed, a level, or something about the bottle.

    kinds: kinds of compartments, `*` for any; said: what it is, to follow "62 % that"; harmful: False for what needs no
    work by itself;
    limits: analyte with + (above) or - (below), and the result from which it is severe, if any; for a bottle: the
    results it explains.
    """

    kinds: tuple[str, ...]
    cause: str
    about: str
    said: str
    harmful: bool
    check_first: str
    confirm: str
    not_to_do: str
    if_ignored: str
    limits: str


@dataclass(frozen=True)
class Work:
    """What to do at one severity: the work, its group (GROUPS), and how soon, in days and operating hours, whichever
    comes first.
    """

    work: str
    group: str
    within_days: float
    within_h: float


def _table(name: str) -> pd.DataFrame:
    with files("cmkit.reference").joinpath(name).open(encoding="utf-8") as handle:
        return pd.read_csv(handle, keep_default_na=False)


@cache
def faults() -> tuple[Fault, ...]:
    """reference/faults.csv, in its order."""
    return tuple(
        Fault(
            tuple(r.kinds.split("|")),
            r.cause,
            r.about,
            r.said,
            r.harmful == "yes",
            r.check_first,
            r.confirm,
            r.not_to_do,
            r.if_ignored,
            r.limits,
        )
        for r in _table("faults.csv").itertuples()
    )


@cache
def _works() -> dict[tuple[str, str, str], Work]:
    """(kinds, cause, severity) -> Work."""
    return {
        (r.kinds, r.cause, r.severity): Work(r.work, r.group, float(r.within_days), float(r.within_h))
        for r in _table("orders.csv").itertuples()
    }


@cache
def fault(kind: str, cause: str) -> Fault:
    """What is known of a cause in a kind of compartment; a cause without a row of its own is an unnamed change under
    its own name.
    """
    own = [f for f in faults() if f.cause == cause]
    for among in ([f for f in own if kind in f.kinds], [f for f in own if "*" in f.kinds], own):
        if among:
            return among[0]
    return fault(kind, UNNAMED)


@cache
def work(kind: str, cause: str, severity: str) -> Work:
    """What to do about a cause at a severity (`early`, `clear`, `severe`); the next one below where a severity has no
    row.
    """
    found = fault(kind, cause)
    for own in SEVERITIES[SEVERITIES.index(severity) :: -1]:
        given = _works().get(("|".join(found.kinds), found.cause, own))
        if given is not None:
            return given
    raise KeyError(f"reference/orders.csv has no work for {found.cause!r} ({severity})")


@cache
def limit_cause(kind: str, analyte: str, way: str) -> tuple[str, float]:
    """What a result beyond a fixed limit points to, and the result from which it is severe (NaN: none). way: `+` above,
    `-` below.
    """
    for found in faults():
        if found.about == "bottle" or not (kind in found.kinds or "*" in found.kinds):
            continue
        for token in found.limits.split():
            limit = _LIMIT.match(token)
            if limit is None:
                raise ValueError(
                    f"reference/faults.csv: {found.cause}: {token!r}; wanted a form such as fuel_pct+@10 or pH-"
                )
            if limit["analyte"] == analyte and limit["way"] == way:
                return found.cause, float(limit["severe"] or "nan")
    return OVER_LIMIT, float("nan")


@cache
def explained(doubt: str) -> frozenset[str]:
    """Results that a doubtful bottle of this sort explains: names of analytes, `*metal` for wear
    metals, `*` for all.
    """
    return frozenset(token for f in faults() if f.about == "bottle" and f.cause == doubt for token in f.limits.split())


@cache
def harmless() -> frozenset[str]:
    """Causes that need no work by themselves."""
    return frozenset(f.cause for f in faults() if not f.harmful and f.about == "fault")


def severity_of(early: float, clear: float, severe: float) -> str:
    """The middle one of three chances: `severe` when at least half of their sum is severe, and so on down; `early` when
    all are zero.
    """
    total = early + clear + severe
    if total > 0 and severe >= total / 2:
        return "severe"
    return "clear" if total > 0 and clear + severe >= total / 2 else "early"
