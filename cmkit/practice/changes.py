"""When does the fluid have to be changed? By its condition, against today's interval, with what that saves."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import t as student

from cmkit.practice.fluid_life import Aged, Floats, Line, ageing_results, any_passed_by, charge_numbers, family_lines
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.records.turnaround import constant, turnaround_by_machine
from cmkit.tables.frames import names, typed

CHANGES = names("changes")
NOW, PLANNED, SHORTEN, EXTEND, SETTLE, NOT_JUDGED = (
    "change now", "as planned", "shorten", "extend", "settle first", "not judged")  # fmt: skip
_FIXED = ("maker", "practice")
_NUMBERS = (
    "left_h",
    "left_low_h",
    "left_high_h",
    "chance",
    "allowed_h",
    "saving",
    "saving_low",
    "saving_high",
)


@dataclass(frozen=True)
class Beside:
    """What is known beside the records: usable bottles, machines' use, next bottles, states, limits, fresh fluids and
    days to a result.
    """

    exposure: pd.DataFrame
    use: pd.DataFrame
    due: pd.DataFrame
    verdicts: pd.DataFrame
    limits: pd.DataFrame
    fresh: pd.DataFrame
    turnaround: pd.DataFrame


def fluid_changes(known: Fleet, beside: Beside) -> pd.DataFrame:
    """One row per compartment of a working machine (columns CHANGES), by name.

    Families are taken site by site, as their work and drums are. A charge is judged by the results that age it
    (reference/fluid_life.csv) and have a fixed limit of the maker or the trade. left_h: hours until the first of them
    is reached, with its 90 % interval. allowed_h: the longest change interval on the service grid that no more than
    `life_risk` of charges outlive, at most `change_most` times today's. saving: money per 1,000 h of work against
    today's interval, with its 90 % interval by what changes cost on record.
    """
    if not len(beside.due):
        return typed([], "changes")
    places = _places(known, beside)
    lines = _lines(known, beside)
    costs = _change_costs(known)
    done = _tests_done(known, charge_numbers(beside.exposure))
    rows = [_row(p, lines.get(p.compartment, {}), costs.get((p.site, p.kind)), done.get(p.compartment, set()), known)
            for p in places.itertuples()]  # fmt: skip
    return typed(pd.DataFrame(rows)[CHANGES], "changes").sort_values("compartment", ignore_index=True)


def _places(known: Fleet, beside: Beside) -> pd.DataFrame:
    """Compartments of working machines with today's hours on the fluid (fluid_now), hours until the next bottle's
    result (ahead_h), state and today's change interval.
    """
    due = beside.due[["compartment", "machine", "site", "kind", "due_run_h"]]
    out = due.merge(known.compartments[["compartment", "change_every_h"]], on="compartment")
    usual = out["kind"].map({k: known.settings.kind(k).change_every_h for k in out["kind"].unique()})
    out["change_every_h"] = out["change_every_h"].where(out["change_every_h"] > 0, usual)
    newest = charge_numbers(beside.exposure).drop_duplicates("compartment", keep="last")
    out = out.merge(newest[["compartment", "fluid_h", "run_h", "drawn_on"]], on="compartment", how="left")
    out = out.merge(beside.use[["machine", "h_per_day", "last_run_h", "last_read_on"]], on="machine", how="left")
    out = out.merge(beside.verdicts[["compartment", "state"]], on="compartment", how="left")
    pace = out["h_per_day"].fillna(0).clip(lower=0)
    now = out["last_run_h"] + (known.date - out["last_read_on"]).dt.days.clip(lower=0).fillna(0) * pace
    changed = known.services[known.services["kind"].isin(["change", "flush", "replace"])]
    last = changed.groupby("compartment")["done_on"].max()
    since = last.reindex(out["compartment"]).set_axis(out.index)  # its days stay days where there is none
    fresh = since > out["drawn_on"]  # changed after its newest bottle: nothing is known of the charge that is in
    grown = out["fluid_h"] + (now - out["run_h"]).clip(lower=0)
    out["fluid_now"] = grown.mask(fresh, (known.date - since).dt.days * pace)
    days = out["machine"].map(turnaround_by_machine(known, beside.turnaround)).astype(float).fillna(0)
    out["ahead_h"] = (out["due_run_h"] - now).clip(lower=0).fillna(0) + days * pace
    return out.assign(new_charge=fresh)


def _lines(known: Fleet, beside: Beside) -> dict[str, dict[str, Line]]:
    """Compartment -> result -> its way to the limit."""
    register = with_own(known.settings.analytes)
    bottles = charge_numbers(beside.exposure)
    ways = _ways(known, beside)
    analytes = sorted({analyte for _, analyte in ways} & set(known.samples))
    wide = known.samples.drop_duplicates("sample").set_index("sample")[analytes].reindex(bottles["sample"])
    results = {analyte: wide[analyte].to_numpy(float) for analyte in analytes}
    all_of = Aged(*(bottles[name].to_numpy() for name in ("compartment", "charge", "fluid_h", "fluid_h")))
    out: dict[str, dict[str, Line]] = {}
    for (_, family, kind), at in sorted(bottles.groupby(["site", "family", "kind"]).indices.items()):
        for analyte in ageing_results(str(kind)):
            if (family, analyte) not in ways or analyte not in results:
                continue
            own = Aged(all_of.compartment[at], all_of.charge[at], all_of.fluid_h[at], results[analyte][at])
            noise = float(register.loc[analyte, "noise_floor"]), float(register.loc[analyte, "noise_share"])
            for place, line in family_lines(own, *ways[family, analyte], noise).items():
                out.setdefault(place, {})[analyte] = line
    return out


def _ways(known: Fleet, beside: Beside) -> dict[tuple[str, str], tuple[dict[str, float], bool]]:
    """The first fixed limit on the way of a result by compartment, and whether that way is up, by family and result."""
    rows = beside.limits[beside.limits["method"].isin(_FIXED) & beside.limits["alarm"].notna()]
    rows = rows[rows["measure"].isin(["level", "rise", "change"])]
    rows = rows[(rows["analyte"] != "pH") | (rows["direction"] == "down")]
    places = known.compartments.merge(known.machines[["machine", "site"]], on="machine")
    places = places[["compartment", "family", "site", "fluid", "grade"]]
    rows = rows[["family", "analyte", "measure", "direction", "alarm"]].merge(places, on="family")
    rows = rows.merge(beside.fresh[["site", "fluid", "grade", "analyte", "fresh"]], "left")
    by_share = rows["alarm"] * rows["fresh"].where(rows["measure"] == "change", 1.0)
    rows["at"] = by_share + rows["fresh"].where(rows["measure"] != "level", 0.0)
    first = rows.drop_duplicates(["family", "analyte"])
    keys = zip(first["family"], first["analyte"], strict=True)
    up = dict(zip(keys, (first["direction"] == "up").tolist(), strict=True))
    sign = np.where([up[key] for key in zip(rows["family"], rows["analyte"], strict=True)], 1.0, -1.0)
    nearest = (rows["at"] * sign).groupby([rows["family"], rows["analyte"], rows["compartment"]]).min().dropna()
    out: dict[tuple[str, str], tuple[dict[str, float], bool]] = {key: ({}, way) for key, way in up.items()}
    for (family, analyte, place), at in nearest.items():
        limits, way = out[family, analyte]
        limits[place] = at if way else -at
    return out


def _change_costs(known: Fleet) -> dict[tuple[str, str], tuple[float, float, float]]:
    """Site and kind -> mean cost of a change on record with its 90 % interval, lost production included; kinds with
    `change_costs` or more.
    """
    rows = known.services[(known.services["kind"] == "change") & known.services["cost"].notna()]
    rows = rows[["compartment", "cost", "downtime_h"]].merge(known.compartments[["compartment", "machine", "kind"]])
    rows = rows.merge(known.machines[["machine", "site"]]).merge(known.sites[["site", "downtime_cost_per_h"]])
    whole = rows["cost"] + rows["downtime_h"].fillna(0) * rows["downtime_cost_per_h"].fillna(0)
    out = {}
    for (site, kind), own in whole.groupby([rows["site"], rows["kind"]]):
        n = len(own)
        if n >= constant("change_costs"):
            half = float(student.ppf(0.95, n - 1) * own.std(ddof=1) / np.sqrt(n))
            out[(str(site), str(kind))] = (float(own.mean()), float(own.mean()) - half, float(own.mean()) + half)
    return out


def _tests_done(known: Fleet, bottles: pd.DataFrame) -> dict[str, set[str]]:
    """Compartment -> results of its newest bottle."""
    newest = bottles.drop_duplicates("compartment", keep="last")[["sample", "compartment"]]
    register = with_own(known.settings.analytes)
    analytes = [a for a in register.index if a in known.samples]
    rows = known.samples.drop_duplicates("sample").set_index("sample")[analytes].notna().reindex(newest["sample"])
    given = rows.fillna(False).to_numpy(bool)
    return {c: {a for a, there in zip(analytes, row, strict=True) if there}
            for c, row in zip(newest["compartment"], given, strict=True)}  # fmt: skip


def _row(
    p: Any, lines: dict[str, Line], cost: tuple[float, float, float] | None, done: set[str], known: Fleet
) -> dict[str, Any]:
    row = {name: getattr(p, name) for name in ("compartment", "site", "kind", "change_every_h")}
    row |= {"fluid_h": p.fluid_now, "limited_by": "", "cost": cost[0] if cost else np.nan}
    row |= dict.fromkeys(_NUMBERS, np.nan)
    if not lines or not np.isfinite(p.fluid_now):
        why = (
            "no hours on the fluid" if lines else "no result that ages this fluid has a fixed limit and bottles enough"
        )
        return row | {"advice": NOT_JUDGED, "words": f"not judged: {why}"}
    ways = list(lines.values())
    row |= _left(p, lines)
    row["chance"] = float(any_passed_by(ways, np.array([p.fluid_now + p.ahead_h]), to_come=p.new_charge)[0])
    row["early"] = float(any_passed_by(ways, np.array([p.change_every_h]), to_come=True)[0])
    row["allowed_h"], lasts = _allowed(ways, p.change_every_h, known)
    missing = sorted(a for a, needed in ageing_results(p.kind).items() if needed and a not in done)
    row["advice"] = _advice(row, p.state, missing)
    if cost and row["allowed_h"] and row["advice"] in (EXTEND, SHORTEN):
        per = 1000 * (1 / p.change_every_h - 1 / lasts)
        ends = sorted(per * c for c in cost[1:])
        row |= {"saving": per * cost[0], "saving_low": ends[0], "saving_high": ends[1]}
    return row | {"words": _words(row, missing, with_own(known.settings.analytes)["name"])}


def _left(p: Any, lines: dict[str, Line]) -> dict[str, Any]:
    """Hours left until the first limit with their 90 % interval (infinite where it is not in sight), and which it
    is."""
    at = np.arange(1, 401) / 100 * max(p.change_every_h, p.fluid_now)
    passed = any_passed_by(list(lines.values()), at, to_come=p.new_charge)
    low, middle, high = (float(np.interp(q, passed, at, right=np.inf)) for q in (0.05, 0.5, 0.95))
    by = np.array([middle if np.isfinite(middle) else at[-1]])
    first = max(lines, key=lambda a: float(lines[a].passed_by(by, p.new_charge)[0]))
    now = p.fluid_now
    return {"left_low_h": low - now, "left_h": middle - now, "left_high_h": high - now, "limited_by": first}


def _allowed(ways: list[Line], today_h: float, known: Fleet) -> tuple[float, float]:
    """The longest change interval on the service grid that charges outlive with small enough a chance, 0 for none; and
    how long charges then last in the mean.
    """
    grid = [g for g in known.settings.sampling.service_grid_h if g <= today_h / 2]
    step = max(grid) if grid else today_h / 2
    hours = np.arange(1, int(constant("change_most") * today_h / step + 1e-9) + 1).astype(np.float64)
    hours *= step
    fine = any_passed_by(ways, hours, to_come=True) <= constant("life_risk")
    if not fine[0]:
        return 0.0, step
    allowed = float(hours[np.argmin(fine) - 1] if not fine.all() else hours[-1])
    way: Floats = allowed * np.arange(1, 101) / 100
    return allowed, float(np.mean(1 - any_passed_by(ways, way, to_come=True)) * allowed)


def _advice(row: dict[str, Any], state: str, missing: list[str]) -> str:
    if state == "alarm":
        return SETTLE
    if row["chance"] > constant("life_risk"):
        return NOW
    if row["early"] > constant("shorten_risk"):
        return SHORTEN
    longer = row["allowed_h"] > row["change_every_h"] >= row["fluid_h"]
    return EXTEND if longer and state == "clear" and not missing else PLANNED


def _words(row: dict[str, Any], missing: list[str], names_: pd.Series) -> str:
    what = names_[row["limited_by"]]
    near = f"{what} reaches its limit first, {row['left_h']:,.0f} h from now"
    near = near if row["left_h"] > 0 else f"{what} has most likely passed its limit"
    words = near if np.isfinite(row["left_h"]) else f"{what} would reach its limit first, but that is not in sight"
    words += (
        f" (at the earliest {max(row['left_low_h'], 0):,.0f} h)"
        if row["left_h"] > 0 and np.isfinite(row["left_low_h"])
        else ""
    )
    then = {
        NOW: f"chance {100 * row['chance']:.0f} % that it is passed before the next result",
        SHORTEN: f"a charge holds {row['allowed_h']:,.0f} h, not {row['change_every_h']:,.0f}",
        EXTEND: f"a charge would hold {row['allowed_h']:,.0f} h; only with the maker's consent",
        SETTLE: "settle the alarm before its fluid's life is thought of",
        PLANNED: f"keep {row['change_every_h']:,.0f} h"
        + (", which is past" if row["fluid_h"] > row["change_every_h"] else ""),
    }[row["advice"]]
    blind = f"; not tested: {', '.join(names_[a] for a in missing)}" if missing and row["advice"] == PLANNED else ""
    return f"{words}; {then}{blind}"
