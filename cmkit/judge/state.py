"""Each compartment's state today: alarm, alert, clear or not known, since when, what settled it or what is still
missing.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from cmkit.judge.bottle_states import OF_A_FAULT, RANK
from cmkit.judge.faults import severity_of
from cmkit.judge.spells import looks_inside, settles
from cmkit.records.fleet import Fleet, sampled_every
from cmkit.records.settings import Judge
from cmkit.tables.frames import names, typed

STATES = names("states")
_NUMBERS = ("run_h", "chance", "p_early", "p_clear", "p_severe", "p_cause", "p_second", "p_good", "p_doubt")
_DATES = ("since", "drawn_on", "known_on", "alarm_known_on", "look_on")
_PHASES = ("early", "clear", "severe")
_SHOWED = {"defect": "defect found", "failed": "failed", "": "repaired", "no defect": "nothing wrong found"}


def compartment_chances(bottles: pd.DataFrame, hypotheses: pd.DataFrame) -> pd.DataFrame:
    """What is known of each compartment today, by compartment: chance, p_early..p_severe, cause, p_cause, second_cause,
    p_second.

    From the hypotheses of the day (arrivals since the newest bottle included); of a compartment without any, from its
    newest bottle.
    """
    newest = bottles.drop_duplicates("compartment", keep="last").set_index("compartment")
    out = newest[["chance", *OF_A_FAULT]].copy()
    own = hypotheses[hypotheses["about"] == "compartment"]
    own = own.sort_values(["compartment", "chance", "hypothesis"], ascending=[True, False, True], kind="stable")
    own = own[own["compartment"].isin(out.index)]
    total = own.groupby("compartment")[["chance", *(f"p_{p}" for p in _PHASES)]].sum()
    out.loc[total.index, list(total.columns)] = total
    for place, (cause, p) in enumerate((("cause", "p_cause"), ("second_cause", "p_second"))):
        at = own[own.groupby("compartment").cumcount() == place].set_index("compartment")
        out.loc[total.index, cause] = at["hypothesis"].reindex(total.index).fillna("").to_numpy()
        out.loc[total.index, p] = at["chance"].reindex(total.index).fillna(0.0).to_numpy()
    return out


def judge_states(
    known: Fleet, bottles: pd.DataFrame, spells: pd.DataFrame, hypotheses: pd.DataFrame, use: pd.DataFrame
) -> pd.DataFrame:
    """One row per compartment of a working machine (columns STATES), by compartment.

    case: what the state rests on: `no bottle`, `replaced`, `repaired`, `looked into`, `alarm`, `alert`, `stale`,
    `doubtful`, `clear`.
    alarm_known_on, alarm_cause, raised_by: of the alarm that stands. since: first bottle of the alarm, or of the
    present run of alerts. asks: what the next bottle is asked to be (`repeat`, `sooner`, `first` or empty). severity:
    the middle one by chance. doubtful_run: doubtful bottles in a row up to the newest.
    """
    places = known.compartments.merge(known.machines[["machine", "site", "retired_on"]], on="machine")
    places = places[places["retired_on"].isna()].sort_values("compartment")
    looks = looks_inside(known).drop_duplicates("compartment", keep="last").set_index("compartment")
    newest = _newest(bottles, looks)
    standing = spells[spells["closed_on"].isna()].drop_duplicates("compartment", keep="last").set_index("compartment")
    settled = spells[spells["closed_on"].notna()].drop_duplicates("compartment", keep="last").set_index("compartment")
    days = (known.date - use["last_read_on"]).dt.days.clip(lower=0).where(~use["idle"].astype(bool), 0)
    now_h = dict(zip(use["machine"], use["last_run_h"] + days.fillna(0) * use["h_per_day"].fillna(0), strict=True))
    context = _Context(
        known,
        known.settings.judge,
        _rows(newest),
        _rows(compartment_chances(bottles, hypotheses)),
        _rows(standing),
        _rows(settled),
        _rows(looks),
        _runs(bottles),
        now_h,
        sampled_every(known).to_dict(),
    )
    rows = [_state(place, context) for place in places.itertuples()]
    out = pd.DataFrame(rows, columns=STATES)
    return typed(out, "states")


def _rows(frame: pd.DataFrame) -> dict[str, dict[str, Any]]:
    return {str(key): row for key, row in frame.to_dict("index").items()}


def _newest(bottles: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Each compartment's newest bottle; one without usable hours only until somebody looked."""
    looked = looks["on"].reindex(bottles["compartment"]).to_numpy() >= bottles["drawn_on"].to_numpy()
    kept = bottles[bottles["run_h"].notna() | ~looked]
    return kept.drop_duplicates("compartment", keep="last").set_index("compartment")


def _runs(bottles: pd.DataFrame) -> dict[str, dict[str, Any]]:
    """Of each compartment: first day and number of the raised bottles in a row up to the newest, doubtful bottles in a
    row, bottle before.
    """
    out: dict[str, dict[str, Any]] = {}
    names = ["compartment", "life", "drawn_on", "state", "good", "doubt", "p_doubt"]
    for r in bottles[names].itertuples():
        own = out.get(r.compartment)
        if own is None or own["life"] != r.life:
            own = out[r.compartment] = {
                "life": r.life,
                "since": pd.NaT,
                "raised": 0,
                "doubtful": 0,
                "before": None,
                "last": None,
            }
        raised = RANK[r.state] > 0
        own["since"] = (r.drawn_on if pd.isna(own["since"]) else own["since"]) if raised else pd.NaT
        own["raised"] = own["raised"] + 1 if raised else 0
        own["doubtful"] = 0 if r.good else own["doubtful"] + 1
        own["before"], own["last"] = own["last"], r
    return out


@dataclass(frozen=True)
class _Context:
    """What judging one compartment looks up, keyed by compartment (now_h by machine)."""

    known: Fleet
    judge: Judge
    newest: dict[str, dict[str, Any]]
    chances: dict[str, dict[str, Any]]
    standing: dict[str, dict[str, Any]]
    settled: dict[str, dict[str, Any]]
    looks: dict[str, dict[str, Any]]
    runs: dict[str, dict[str, Any]]
    now_h: dict[str, float]
    every: dict[str, float]


_NOTHING: dict[str, Any] = {
    "since": pd.NaT,
    "n_bottles": 0,
    "sample": "",
    "drawn_on": pd.NaT,
    "known_on": pd.NaT,
    "run_h": np.nan,
    "chance": np.nan,
    "p_early": np.nan,
    "p_clear": np.nan,
    "p_severe": np.nan,
    "cause": "",
    "p_cause": np.nan,
    "second_cause": "",
    "p_second": np.nan,
    "severity": "",
    "p_good": np.nan,
    "doubt": "",
    "p_doubt": np.nan,
    "doubtful_run": 0,
    "alarm_known_on": pd.NaT,
    "alarm_cause": "",
    "raised_by": "",
    "look_on": pd.NaT,
    "look_by": "",
    "look_showed": "",
    "settled_by": "",
    "missing": "",
    "asks": "",
}


def _state(place: Any, context: _Context) -> dict[str, Any]:
    """The row of one compartment."""
    base = {
        "compartment": place.compartment,
        "machine": place.machine,
        "site": place.site,
        "kind": place.kind,
        "family": place.family,
    } | _NOTHING
    bottle = context.newest.get(place.compartment)
    look = context.looks.get(place.compartment)
    if bottle is None:
        return base | {"state": "not known", "case": "no bottle", "asks": "first", "missing": "a first bottle"}
    base |= {name: bottle[name] for name in ("sample", "drawn_on", "known_on", "run_h", "p_good", "doubt", "p_doubt")}
    base |= context.chances[place.compartment]
    base["severity"] = severity_of(*(float(np.nan_to_num(base[f"p_{p}"])) for p in _PHASES))
    run = context.runs[place.compartment]
    base["doubtful_run"] = run["doubtful"]
    if look is not None and look["on"] >= bottle["drawn_on"]:
        base |= {"look_on": look["on"], "look_by": look["by"], "look_showed": look["showed"]}
        after = _after_a_look(look, base, context.judge)
        if after is not None:
            return base | after
    spell = context.standing.get(place.compartment)
    if spell is not None and spell["life"] == bottle["life"]:
        return base | _in_alarm(spell, bottle, context.judge)
    return base | _unalarmed(place, bottle, run, context)


def _after_a_look(look: dict[str, Any], base: dict[str, Any], judge: Judge) -> dict[str, Any] | None:
    """Somebody has looked since the newest bottle: what is known until the next one."""
    on = f"{look['on']:%Y-%m-%d}"
    if look["by"] == "replace":
        nothing = {name: _NOTHING[name] for name in ("chance", *OF_A_FAULT, "severity")}
        return nothing | {
            "state": "not known",
            "case": "replaced",
            "asks": "first",
            "missing": "a first bottle of the new component",
            "settled_by": f"component replaced on {on}",
        }
    if look["showed"] == "no defect":
        still = base["chance"] >= judge.alert
        said = {
            "state": "alert" if still else "clear",
            "case": "looked into",
            "asks": "repeat" if still else "",
            "settled_by": f"looked into on {on}, nothing wrong found",
        }
        return said | (
            {"missing": "a bottle that agrees with the look", "since": base["drawn_on"], "n_bottles": 1}
            if still
            else {}
        )
    if look["showed"] in ("defect", "failed") or base["chance"] >= judge.alert:
        return {
            "state": "not known",
            "case": "repaired",
            "settled_by": f"{_SHOWED[look['showed']]} on {on}",
            "missing": "a bottle that shows it repaired",
        }
    return None


def _in_alarm(spell: dict[str, Any], bottle: dict[str, Any], judge: Judge) -> dict[str, Any]:
    left = int(settles(judge, spell["raised_by"].split(", ")) - spell["clear_run"])
    count = "a good bottle" if left == 1 else f"{left} more good bottles in a row"
    more = f"{count} with a chance below {100 * judge.settle:.0f} %"
    return {
        "state": "alarm",
        "case": "alarm",
        "since": spell["alarm_on"],
        "n_bottles": int(spell["bottles"]),
        "alarm_known_on": spell["known_on"],
        "alarm_cause": spell["cause"],
        "raised_by": spell["raised_by"],
        "missing": f"a look inside, or {more}",
        "asks": "repeat" if bottle["doubt"] else "sooner",
    }


def _unalarmed(place: Any, bottle: dict[str, Any], run: dict[str, Any], context: _Context) -> dict[str, Any]:
    """Alert, doubtful, stale or clear."""
    asks = "repeat" if bottle["doubt"] else ""
    if bottle["state"] != "clear":
        return {
            "state": "alert",
            "case": "alert",
            "since": run["since"],
            "n_bottles": run["raised"],
            "asks": asks or "sooner",
        }
    settled = _settled_by(place.compartment, bottle, run, context)
    age = context.now_h.get(place.machine, np.nan) - bottle["run_h"]
    if age > context.known.settings.sampling.stale_after_intervals * context.every[place.compartment]:
        return {
            "state": "not known",
            "case": "stale",
            "missing": f"a bottle; the newest is {age:,.0f} h old, sampled "
            f"every {context.every[place.compartment]:,.0f} h",
            "asks": asks,
            "settled_by": settled,
        }
    if bottle["doubt"]:
        return {
            "state": "not known",
            "case": "doubtful",
            "asks": asks,
            "missing": "a repeat bottle",
            "settled_by": settled,
        }
    return {"state": "clear", "case": "clear", "settled_by": settled}


def _speak_against(bottles: int) -> str:
    return (
        f"{bottles} good bottles in a row speak against it" if bottles > 1 else "a good bottle since speaks against it"
    )


def _settled_by(compartment: str, bottle: dict[str, Any], run: dict[str, Any], context: _Context) -> str:
    """What settled an alarm or a doubt not long ago, in words; empty when there was none."""
    before = run["before"]
    if before is not None and not before.good and before.state != "alarm" and bottle["good"]:
        return (
            f"the repeat bottle of {bottle['drawn_on']:%Y-%m-%d} is normal; the bottle of "
            f"{before.drawn_on:%Y-%m-%d} was doubtful ({before.doubt})"
        )
    spell = context.settled.get(compartment)
    if spell is None or context.known.date - spell["closed_on"] > pd.Timedelta(days=context.judge.settled_shown_days):
        return ""
    words = {
        "clear bottles": _speak_against(settles(context.judge, spell["raised_by"].split(", "))),
        "normal repeat": "the repeat bottle is normal; only doubtful bottles had raised it",
        "fluid change": "fluid changed, and the bottle since is normal",
        "finding": "looked into",
        "repair": "repaired",
        "replace": "component replaced",
        "new component": "component replaced",
    }
    return (
        f"alarm of {spell['alarm_on']:%Y-%m-%d} settled on {spell['closed_on']:%Y-%m-%d}: {words[spell['closed_by']]}"
    )
