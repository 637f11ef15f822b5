"""The interval advice as plain text for a terminal or a log."""

import numpy as np
import pandas as pd

SHOWN = 40


def worth_changing(rows: pd.DataFrame) -> pd.Series:
    """Flags advice that differs from today's interval and is not on the flat stretch where the
    choice hardly matters.
    """
    flat = rows["today_h"].between(rows["flat_low_h"], rows["flat_high_h"])
    return ~np.isclose(rows["advised_h"], rows["today_h"]) & ~flat & (rows["saving"] > 0)


def intervals_text(intervals: pd.DataFrame, currency: str, assumed: tuple[str, ...] = ()) -> str:
    """What would be saved most, first: at most SHOWN compartments whose interval would change, at most 100 columns
    wide.

    assumed: costs that are the package's own because the fleet has given none.
    """
    judged = intervals[intervals["cost_today"].notna()]
    changed = judged[worth_changing(judged)].sort_values(["saving", "compartment"], ascending=[False, True])
    lines = [
        f"{len(intervals)} compartments, {len(intervals) - len(judged)} of them not judged.",
        f"{len(judged) - len(changed)} best left as they are: today's interval is the best, or the choice hardly "
        f"matters.",
        f"{len(changed)} for which another interval is expected to cost less. {_sure(changed)}",
        f"Costs in {currency} per 1,000 operating hours; nine in ten savings would lie in the range.",
        *([f"Assumed costs: {', '.join(assumed)}. Put your own under [costs] in fleet.toml."] if assumed else []),
        "",
        f"{'compartment':<34}{'today h':>8}{'advised h':>10}{'cost now':>10}{'saving':>9}{'range':>16}  binds",
    ]
    lines += [_line(row) for row in changed.head(SHOWN).itertuples()]
    if len(changed) > SHOWN:
        lines.append(f"... and {len(changed) - SHOWN} more; write them all with --out FILE.")
    lines += [
        "",
        "Advice only. Accept one with --accept 'NAME=HOURS'; the machine maker's manual and warranty terms come first.",
    ]
    return "\n".join(lines)


def _sure(changed: pd.DataFrame) -> str:
    """How many of the savings are sure."""
    sure = int((changed["saving_low"] > 0).sum())
    if not len(changed):
        return ""
    return f"{sure} of these savings sure." if sure else "No saving is sure: every range includes zero."


def _line(row) -> str:  # type: ignore[no-untyped-def]
    advised = "none" if pd.isna(row.advised_h) else f"{row.advised_h:,.0f}"
    spread = f"{row.saving_low:,.0f} to {row.saving_high:,.0f}"
    money = f"{row.cost_today:>10,.0f}{row.saving:>9,.0f}{spread:>16}"
    return f"{row.compartment[:33]:<34}{row.today_h:>8,.0f}{advised:>10}{money}  {row.binds}"
