"""All tables by name: those of a fleet, those of the reading, and those that each chapter makes of them."""

import difflib

from cmkit.tables import intervals, judge, learnt, practice, programme, records, trust, wear
from cmkit.tables.column import Table

GROUPS: dict[str, dict[str, Table]] = {
    "records": records.TABLES | records.READING,
    "learnt": learnt.TABLES,
    "trust": trust.TABLES,
    "wear": wear.TABLES,
    "judge": judge.TABLES,
    "intervals": intervals.TABLES,
    "practice": practice.TABLES | programme.TABLES,
}
KEPT: dict[str, Table] = {name: table for group in GROUPS.values() for name, table in group.items()}
STEPS: dict[str, Table] = trust.STEPS | judge.STEPS | practice.STEPS
TABLES: dict[str, Table] = KEPT | STEPS


def table(name: str) -> Table:
    """The table of this name; KeyError with the nearest known one where there is none."""
    if name not in TABLES:
        near = difflib.get_close_matches(name, TABLES, n=1, cutoff=0.4)
        hint = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(TABLES)}"
        raise KeyError(f"no table '{name}' in the dictionary; {hint}")
    return TABLES[name]
