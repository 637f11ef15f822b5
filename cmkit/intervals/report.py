"""The interval advice as plain text for a terminal or a log."""

import pandas as pd

SHOWN = 40


def intervals_text(intervals: pd.DataFrame, currency: str) -> str:
    """What would be saved most, first: at most SHOWN compartments whose interval would change, at most 100 columns wide."""
    judged = intervals[intervals["cost_today"].notna()]
    changed = judged[judged["advised_h"].fillna(0) != judged["today_h"]].sort_values(
        ["saving", "compartment"], ascending=[False, True]
    )
    lines = [
        f"{len(intervals)} compartments: {len(changed)} would be sampled at another interval, {len(intervals) - len(judged)} not judged.",
        f"Costs in {currency} per 1,000 operating hours; the range is where nine in ten savings would lie.",
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


def _line(row) -> str:  # type: ignore[no-untyped-def]
    advised = "none" if pd.isna(row.advised_h) else f"{row.advised_h:,.0f}"
    spread = f"{row.saving_low:,.0f} to {row.saving_high:,.0f}"
    return f"{row.compartment[:33]:<34}{row.today_h:>8,.0f}{advised:>10}{row.cost_today:>10,.0f}{row.saving:>9,.0f}{spread:>16}  {row.binds}"
