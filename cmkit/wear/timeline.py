"""What happened to each compartment's fluid, in order: bottles, changes, top-ups and replacements on the machine's
running hours.

Rules of the trade used here (common practice, no source): a bottle of the same day is drawn before the work of that
day; a compartment that needs topping up in most intervals needed it too where no top-up is written down.
"""

import numpy as np
import pandas as pd

from cmkit.records.constants import constant
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import typed
from cmkit.trust.fluid_history import AFTER_WORK_H, SAME_DAY_H

_HABIT = constant("wear", "makeup_habit")
_TYPICAL_TOP_UP = constant("wear", "top_up_share")
_SPREAD = constant("wear", "makeup_cv")
_FIRST_FILL = constant("wear", "first_fill_intervals")
_MOMENT_SHARE = constant("wear", "moment_share")
_DUE = constant("wear", "change_due_share")
_IMPLIED_SD_H = constant("wear", "implied_change_sd_h")
_IMPLIED_SD_SHARE = constant("wear", "implied_change_sd_share")
_WORK = {"change": "change", "flush": "change", "replace": "start", "top-up": "top_up"}
_EVENT = [
    "compartment",
    "what",
    "run_h",
    "date",
    "rank",
    "id",
    "sd_h",
    "litres",
    "fluid_h_read",
    "makeup_read",
    "meter_h",
]


def timeline(known: Fleet, hours: pd.DataFrame, services: pd.DataFrame, pace: float) -> pd.DataFrame:
    """Events of all compartments that have a usable bottle, in order with their lives and hours (one row an event, run
    included).

    pace: :func:`usual_pace` of the whole fleet. Top-ups and changes are yet to be settled, by :func:`with_make_up` and
    :func:`with_changes`.
    """
    bottles = _bottles(known, hours)
    per_day = _use_per_day(bottles).fillna(pace).clip(0.0, 24.0)
    works = _placed(_works(known, services), bottles, per_day)
    places = _compartments(known)
    line = pd.concat([bottles, works, _fitted(places, bottles, works, per_day)], ignore_index=True)
    line = _sorted(line).merge(places, on="compartment", how="left")
    return _hours(_lead_in(_lives(_with_implied_changes(line))))


def usual_make_up(line: pd.DataFrame) -> pd.DataFrame:
    """Per family of a :func:`timeline`: usual make-up per hour and usual single top-up, as shares of the charge, and
    how often an interval has one on record.

    Columns family, usual_per_h, habit, usual_share; sorted by family.
    """
    usual = _usual(_intervals(line))
    return typed(usual.rename_axis("family").reset_index().sort_values("family", ignore_index=True), "make_up")


def usual_pace(known: Fleet, hours: pd.DataFrame) -> float:
    """Running hours a day of the middle compartment of the fleet, for those whose own bottles do not show it; 0 with no
    bottle.
    """
    middle = _use_per_day(_bottles(known, hours)).median()
    return 0.0 if np.isnan(middle) else float(middle)


def _compartments(known: Fleet) -> pd.DataFrame:
    """Compartment facts and the assumptions of its kind."""
    machines = known.machines[["machine", "site", "in_service_on", "meter_h_at_start"]]
    out = known.compartments[
        ["compartment", "machine", "kind", "family", "capacity_l", "change_every_h", "fitted_on", "fitted_at_h"]
    ].merge(machines, on="machine", how="left")
    kinds = [known.settings.kind(k) for k in out["kind"]]
    out["residual"] = [k.residual for k in kinds]
    out["residual_sd"] = [k.residual * k.residual_cv for k in kinds]
    out["carry_out"] = [k.carry_out for k in kinds]
    out["removal"] = [k.removal_per_h for k in kinds]
    out["sealed"] = np.array([k.sealed for k in kinds], bool)
    out["change_every_h"] = out["change_every_h"].fillna(
        pd.Series([k.change_every_h for k in kinds], index=out.index, dtype=float)
    )
    out["volume_l"] = out["capacity_l"].where(out["capacity_l"] > 0)
    return out


def with_residuals(places: pd.DataFrame, residuals: pd.DataFrame | None) -> pd.DataFrame:
    """What a change leaves, learnt for the kind where it is, in columns residual and residual_sd."""
    if residuals is None:
        return places
    learnt = residuals.set_index("kind")[["residual", "residual_sd"]].reindex(places["kind"]).set_axis(places.index)
    return places.assign(**{name: learnt[name].fillna(places[name]) for name in learnt})


def _bottles(known: Fleet, hours: pd.DataFrame) -> pd.DataFrame:
    usable = hours[hours["usable"].astype(bool) & hours["run_h"].notna()]
    out = usable[["sample", "run_h", "meter_h", "sd_h"]].merge(
        known.samples[["sample", "compartment", "drawn_on", "fluid_h", "makeup_l"]], on="sample"
    )
    out = out.rename(columns={"sample": "id", "drawn_on": "date", "fluid_h": "fluid_h_read", "makeup_l": "makeup_read"})
    out["what"], out["rank"], out["litres"] = "sample", 0, np.nan
    return out[_EVENT]


def _works(known: Fleet, services: pd.DataFrame) -> pd.DataFrame:
    done = known.services[known.services["kind"].isin(list(_WORK))]
    out = done[["service", "compartment", "done_on", "kind", "volume_l"]].merge(
        services[["service", "run_h", "sd_h", "usable"]], on="service", how="left"
    )
    ok = out["usable"].eq(True)
    out["run_h"], out["sd_h"] = out["run_h"].where(ok), out["sd_h"].where(ok)
    out = out[~(out.duplicated(["compartment", "done_on", "kind"]) & out["kind"].isin(["change", "replace"]))]
    out["what"] = out["kind"].map(_WORK)
    out["rank"] = out["what"].map({"start": 1, "change": 2, "top_up": 3})
    out = out.rename(columns={"service": "id", "done_on": "date", "volume_l": "litres"})
    out["fluid_h_read"] = out["makeup_read"] = out["meter_h"] = np.nan
    return out[_EVENT]


def _placed(works: pd.DataFrame, bottles: pd.DataFrame, per_day: pd.Series) -> pd.DataFrame:
    """Work on the running hours between the bottles its date lies between; work without usable hours is interpolated by
    date.
    """
    works = works.sort_values("date", kind="stable")
    shots = bottles[["compartment", "date", "run_h", "fluid_h_read"]].sort_values(["date", "run_h"], kind="stable")
    before = shots.rename(columns={"run_h": "low", "date": "low_on", "fluid_h_read": "low_fluid_h"})
    after = shots.drop(columns="fluid_h_read").drop_duplicates(["compartment", "date"])
    after = after.rename(columns={"run_h": "high", "date": "high_on"})
    out = pd.merge_asof(works, before, left_on="date", right_on="low_on", by="compartment")
    out = pd.merge_asof(
        out,
        after,
        left_on="date",
        right_on="high_on",
        by="compartment",
        direction="forward",
        allow_exact_matches=False,
    )
    out = out[out["low"].notna() | out["high"].notna()].copy()
    _place_by_date(out, per_day)
    derived = out["sd_h"] > 0
    same_day = (out["date"] == out["low_on"]) & ((out["run_h"] - out["low"]).abs() <= SAME_DAY_H)
    after_work = (out["date"] == out["low_on"]) & (out["low_fluid_h"] <= AFTER_WORK_H) & (out["what"] == "change")
    floor = out["low"].where((derived | same_day) & ~after_work)
    out["run_h"] = out["run_h"].clip(lower=floor).clip(upper=out["high"].where(derived))
    out["run_h"] = out["run_h"].where(~after_work, np.minimum(out["run_h"], out["low"] - out["low_fluid_h"]))
    return out[_EVENT]


def _use_per_day(shots: pd.DataFrame) -> pd.Series:
    """Running hours a day of each compartment, from its first to its last bottle; NaN with bottles of one day only."""
    shots = shots.sort_values(["date", "run_h"], kind="stable")
    spans = shots.groupby("compartment").agg({"date": ["min", "max"], "run_h": ["min", "max"]})
    days = (spans["date"]["max"] - spans["date"]["min"]).dt.total_seconds() / 86400
    return (spans["run_h"]["max"] - spans["run_h"]["min"]) / days.where(days > 0)


def _place_by_date(out: pd.DataFrame, use: pd.Series) -> None:
    """Fill missing run_h and sd_h in place, from the dates of the bottles around."""
    day = pd.Timedelta(days=1)
    from_low, to_high = (out["date"] - out["low_on"]) / day, (out["high_on"] - out["date"]) / day
    per_day = out["compartment"].map(use).astype(float)
    share = from_low / (from_low + to_high)
    gap = out["high"] - out["low"]
    guess = (out["low"] + share * gap).fillna(out["low"] + from_low * per_day).fillna(out["high"] - to_high * per_day)
    guess = guess.clip(lower=np.minimum(out["high"].fillna(0.0), 0.0))
    spread = (_MOMENT_SHARE * gap).fillna(_SPREAD * from_low * per_day).fillna(_SPREAD * to_high * per_day)
    missing = out["run_h"].isna()
    out["run_h"] = out["run_h"].where(~missing, guess)
    out["sd_h"] = out["sd_h"].where(~missing, np.maximum(spread, 1.0)).fillna(0.0)


def _fitted(places: pd.DataFrame, bottles: pd.DataFrame, works: pd.DataFrame, per_day: pd.Series) -> pd.DataFrame:
    """`fitted_on`, or the machine's first day of work, as the start of a component; a replacement on record within two
    weeks is the same.
    """
    out = places[["compartment"]].copy()
    from_machine = places["fitted_on"].isna()
    out["date"] = places["fitted_on"].fillna(places["in_service_on"])
    out["meter_h"] = places["fitted_at_h"].where(~from_machine, places["meter_h_at_start"])
    out = out[out["date"].notna()]
    replaced = works[works["what"] == "start"].merge(out[["compartment", "date"]], on="compartment")
    same = replaced[(replaced["date_x"] - replaced["date_y"]).abs() <= pd.Timedelta(days=14)]["compartment"]
    out = out[~out["compartment"].isin(same)]
    first = bottles[bottles["meter_h"].notna()].sort_values(["date", "run_h"], kind="stable")
    carried = first.assign(carried=first["run_h"] - first["meter_h"])[["compartment", "date", "carried"]]
    out = pd.merge_asof(
        out.sort_values("date", kind="stable"), carried, on="date", by="compartment", direction="forward"
    )
    out["what"], out["rank"], out["id"] = "start", 1, "fitted " + out["compartment"]
    out["run_h"], out["sd_h"] = out["meter_h"] + out["carried"], 0.0
    out["litres"] = out["fluid_h_read"] = out["makeup_read"] = np.nan
    return _placed(out[_EVENT], bottles, per_day)


def _sorted(line: pd.DataFrame) -> pd.DataFrame:
    return line.sort_values(["compartment", "run_h", "date", "rank", "id"], kind="stable").reset_index(drop=True)


def _with_implied_changes(line: pd.DataFrame) -> pd.DataFrame:
    """A bottle whose fluid has fewer hours than it would have without a change, and no change on record between: the
    change is put in.

    Without a change the fluid has the hours of the bottle before and those run since. The change lies as many hours
    back as the label says, at the earliest with the bottle before: a bottle is drawn before the work of its day. Where
    the compartment's changes are kept on record, one slip alone may be a slip of the pen: a change must have been due,
    or the next bottle's hours must bear it out.
    """
    bottle = line["what"] == "sample"
    fresh = line["what"].isin(["change", "start"]).groupby(line["compartment"]).cumsum()
    shots = line[bottle].assign(fresh=fresh[bottle])
    grouped = shots.groupby("compartment")
    since, changes = shots["run_h"] - grouped["run_h"].shift(), shots["fresh"] - grouped["fresh"].shift()
    read, following = shots["fluid_h_read"], -grouped["run_h"].diff(-1)
    unchanged = since + grouped["fluid_h_read"].shift().fillna(0.0)
    slack = np.maximum(10.0, 0.05 * (read + following))
    next_read = grouped["fluid_h_read"].shift(-1)
    borne_out = ((next_read - read - following).abs() <= slack) | (next_read < following)
    due = unchanged >= _DUE * shots["change_every_h"]
    kept = line["compartment"].isin(line.loc[line["what"] == "change", "compartment"])[bottle]
    first = since.isna() & (shots["fresh"] == 0)
    since_before = read <= since + np.maximum(10.0, 0.05 * since)
    fewer = (changes == 0) & since_before & (read < unchanged - np.maximum(10.0, 0.05 * unchanged))
    implied = shots[(read > 0) & ((fewer & (borne_out | due | ~kept)) | first)].copy()
    implied["run_h"] = (implied["run_h"] - implied["fluid_h_read"]).clip(lower=grouped["run_h"].shift())
    implied["what"], implied["rank"], implied["id"] = "change", 2, "implied by " + implied["id"]
    implied["sd_h"] = np.maximum(_IMPLIED_SD_H, _IMPLIED_SD_SHARE * implied["fluid_h_read"])
    implied[["litres", "fluid_h_read", "makeup_read"]] = np.nan
    return _sorted(pd.concat([line, implied.drop(columns="fresh")], ignore_index=True))


def _lives(line: pd.DataFrame) -> pd.DataFrame:
    """Number the lives of each compartment that have a bottle (a start begins one) and the intervals in each; drop what
    follows the last bottle.
    """
    line = line.assign(raw=(line["what"] == "start").groupby(line["compartment"]).cumsum())
    lives = line[line["what"] == "sample"].drop_duplicates(["compartment", "raw"])[["compartment", "raw"]]
    lives["life"] = lives.groupby("compartment").cumcount() + 1
    line = line.merge(lives, on=["compartment", "raw"])
    line["chain"] = line.groupby(["compartment", "life"]).ngroup()
    bottle = line["what"] == "sample"
    upto = bottle.groupby(line["chain"]).cumsum()
    line["order"] = upto - bottle
    return line[line["order"] < upto.groupby(line["chain"]).transform("max")].reset_index(drop=True)


def _lead_in(line: pd.DataFrame) -> pd.DataFrame:
    """Begin each life where its fluid is first known: at the component's start, else at the first change, else at the
    first bottle.
    """
    lead, bottle = line["order"] == 0, line["what"] == "sample"
    renewed = lead & (line["what"].isin(["change", "start"]) | bottle)
    following = line[renewed].groupby("chain")["run_h"].shift(-1).reindex(line.index)
    too_long = following - line["run_h"] > _FIRST_FILL * line["change_every_h"]
    doubtful = (line["what"] == "start") & line["id"].str.startswith("fitted ") & too_long
    line = line[~doubtful].reset_index(drop=True)
    bottle = line["what"] == "sample"
    known_from = (line["what"].isin(["change", "start"]) | bottle).groupby(line["chain"]).cumsum() > 0
    line = line[known_from].reset_index(drop=True)
    first = line.groupby("chain")["what"].transform("first")
    how = first.map({"start": "component", "change": "fluid", "sample": "unknown"})
    line["start"] = how.where((line["order"] == 0) & (line["what"] == "sample"), "")
    return line


def _hours(line: pd.DataFrame) -> pd.DataFrame:
    """Hours run before each event and since the bottle before, hours on the fluid, and what each
    event multiplies by.
    """
    run, of = line["run_h"], line["chain"]
    change, bottle = line["what"].isin(["change", "start"]), line["what"] == "sample"
    line["hours"] = (run - run.groupby(of).shift()).fillna(0.0)
    line["interval_h"] = (run - run.where(bottle).groupby(of).ffill().groupby(of).shift()).where(bottle)
    derived = run - run.where(change).groupby(of).ffill()
    line["fluid_h"] = line["fluid_h_read"].where(line["fluid_h_read"] >= 0).fillna(derived)
    line["changed"] = change.groupby([of, line["order"]]).transform("any") & (line["order"] > 0)
    line["amount"], line["sd"] = 0.0, 0.0
    line["sd_hours"] = line["sd_h"].where(line["what"] == "change", 0.0).fillna(0.0)
    return line


def with_make_up(line: pd.DataFrame, make_up: pd.DataFrame) -> pd.DataFrame:
    """A :func:`timeline` with litres of each top-up and the rate at which fluid went between them: recorded, read from
    the bottle's slip, or the family's usual.

    Where a family seldom has a top-up on record (`wear.csv`, makeup_habit), either little is lost or little is written
    down: intervals without one have the middle of 0 and the usual make-up q, whose doubt, as of a number spread evenly
    between them, is q/sqrt(12) (column makeup_sd, 1/h; it stands the same way in every interval, so it is no scatter
    of the exposure but widens the rate, `wear.rates`). makeup_basis says which it was. make_up: :func:`usual_make_up`
    of the whole fleet.
    """
    line = _intervals(line)
    usual = make_up.set_index("family")
    for name in ("usual_per_h", "usual_share", "habit"):
        line[name] = line["family"].map(usual[name]).astype(float)
    top, volume = line["what"] == "top_up", line["volume_l"]
    fits = line["litres"].between(0, volume, inclusive="right")
    share = line["usual_share"].fillna(_TYPICAL_TOP_UP)
    guessed = top & ~fits & volume.notna()
    line.loc[top, "amount"] = line["litres"].where(fits, share * volume)[top].fillna(0.0)
    line.loc[guessed, "sd"] = _SPREAD * share[guessed]

    slip = (line["n_top"] == 0) & (line["makeup"] > 0)
    silent = (line["n_top"] == 0) & ~slip & ~line["sealed"] & (line["usual_per_h"] > 0)
    habitual = line["habit"] >= _HABIT
    usually = line["usual_per_h"] * np.where(habitual, 1.0, 0.5)
    per_h = (line["makeup"] / line["span_h"].where(line["span_h"] > 0)).where(slip)
    line["make_up"] = per_h.fillna((usually * volume).where(silent)).fillna(0.0)
    line["loss"] = _loss(line, held=slip | silent)
    missed = line["usual_per_h"] * line["span_h"] * np.where(habitual, _SPREAD, line["habit"])
    bottle = line["what"] == "sample"
    line.loc[bottle & silent, "sd"] = missed[bottle & silent].clip(upper=_SPREAD)
    line["makeup_sd"] = (line["usual_per_h"] / np.sqrt(12)).where(~line["sealed"] & ~habitual).fillna(0.0)
    line["makeup_basis"] = _basis(line, habitual, slip)
    gone = line["amount"].where(top, 0.0).groupby([line["chain"], line["order"]]).transform("sum")
    line["makeup_l"] = (
        line["makeup"].where(slip).fillna((line["make_up"] * line["span_h"]).where(silent & habitual)).fillna(gone)
    )
    unsure = guessed.groupby([line["chain"], line["order"]]).transform("any")
    line["makeup_known"], line["volume_known"] = ~(unsure | (silent & habitual)), volume.notna()
    line["drained"] = line["what"] == "change"
    line["what"] = line["what"].replace("start", "change")
    return line


def _basis(line: pd.DataFrame, habitual: pd.Series, slip: pd.Series) -> pd.Series:
    """Where the make-up of each interval comes from."""
    noted = line["sealed"] | (line["n_top"] > 0) | slip
    told = line["usual_per_h"] > 0
    return pd.Series(
        np.select([noted, ~told | line["volume_l"].isna(), habitual], ["record", "none", "usual"], "half"),
        index=line.index,
        dtype="str",
    )


def with_changes(line: pd.DataFrame, residuals: pd.DataFrame | None = None) -> pd.DataFrame:
    """What each change of :func:`with_make_up` leaves behind, ready for the chain of `wear.exposure`: learnt
    (`wear.residual`), else assumed of the kind.
    """
    line = with_residuals(line, residuals)
    left = {"amount": line["residual"], "sd": line["residual_sd"]}
    return line.assign(**{name: line[name].mask(line["drained"], value) for name, value in left.items()})


def _intervals(line: pd.DataFrame) -> pd.DataFrame:
    """Of the interval each event lies in: number of top-ups, their recorded litres, the make-up on the bottle's slip,
    hours.
    """
    line, of = line.copy(), [line["chain"], line["order"]]
    top, bottle = line["what"] == "top_up", line["what"] == "sample"
    line["n_top"] = top.groupby(of).transform("sum")
    line["recorded"] = line["litres"].where(top).groupby(of).transform("sum")
    line["makeup"] = line["makeup_read"].where(bottle & line["makeup_read"].between(0, line["volume_l"]))
    line["makeup"] = line["makeup"].groupby(of).transform("max")
    line["span_h"] = line["hours"].groupby(of).transform("sum")
    return line


def _usual(line: pd.DataFrame) -> pd.DataFrame:
    """Per family: usual make-up per hour and usual single top-up, as shares of the charge, and how often an interval
    has one on record.
    """
    bottle = (line["what"] == "sample") & (line["order"] > 0) & line["volume_l"].notna() & (line["span_h"] > 0)
    rows = line[bottle & ~line["sealed"]]
    litres = rows["recorded"].where(rows["n_top"] > 0, rows["makeup"]).fillna(0.0)
    shares = (litres / rows["volume_l"] / rows["span_h"]).where(litres > 0)
    noted = (litres > 0) | (rows["n_top"] > 0)
    single = (line["litres"] / line["volume_l"]).where((line["what"] == "top_up") & (line["litres"] > 0))
    return pd.DataFrame(
        {
            "usual_per_h": shares.groupby(rows["family"]).median(),
            "habit": noted.groupby(rows["family"]).mean(),
            "usual_share": single.where(single < 1).groupby(line["family"]).median(),
        },
        index=line["family"].unique(),
    )


def _loss(line: pd.DataFrame, held: pd.Series) -> pd.Series:
    """Litres per hour by which the level fell before each top-up, spread over the hours since the
    level was last full.
    """
    filled = line["what"].isin(["top_up", "change", "start"])
    span = filled.groupby(line["chain"]).cumsum() - filled
    of = [line["chain"], span]
    falling = line["hours"].where(~held, 0.0).groupby(of).transform("sum")
    next_top = line["amount"].where(line["what"] == "top_up").groupby(of).transform("max")
    rate = next_top / falling.where(falling >= 1.0)
    return rate.where(~held).fillna(0.0)
