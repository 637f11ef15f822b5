"""From evidence to a verdict: which alarms are open, and what each compartment's state is.

Two bottles decide: the first alarm asks for a repeat bottle, never for a strip-down. An alarm stays open until somebody looked, the
compartment was repaired, or two believed bottles in a row are clear with the rate back near where it was. A doubt about a bottle never
hides an alarm; it only changes what is asked for.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd

from cmkit.records.fleet import Fleet, sampled_every
from cmkit.records.settings import Alarm
from cmkit.wear.evidence import EVIDENCE

RANK = {"clear": 0, "alert": 1, "alarm": 2}
_BACK_TO_NORMAL = 1.5  # own choice: the rate counts as back when it is within this factor of the rate before the alarm
_STEADY = 5  # own choice: so many clear bottles in a row close an alarm even at a higher rate, since a defect would have grown


def bottle_states(exposure: pd.DataFrame, evidence: pd.DataFrame) -> pd.DataFrame:
    """One row per bottle with the worst state its own evidence gives: exposure's keys plus state and rank.

    Usable bottles, and those without usable hours that something speaks against (run_h NaN), after the usable bottle before them.
    """
    rank = evidence["state"].map(RANK).groupby(evidence["sample"]).max()
    keys = ["compartment", "life", "order", "sample", "drawn_on", "run_h", "meter_h"]
    out = exposure[keys].copy()
    loose = evidence[~evidence["sample"].isin(out["sample"])].drop_duplicates("sample")
    if len(loose):
        own = loose[["compartment", "sample", "drawn_on"]].sort_values("drawn_on", kind="stable")
        before = out[["compartment", "life", "order", "drawn_on"]].sort_values("drawn_on", kind="stable")
        own = pd.merge_asof(own, before, on="drawn_on", by="compartment").fillna({"life": 1, "order": -1})
        out = pd.concat([out, own.astype({"life": "int64", "order": "int64"})], ignore_index=True)[keys]
        out = out.sort_values(["compartment", "life", "order"], kind="stable", ignore_index=True)
    out["rank"] = out["sample"].map(rank).fillna(0).astype(int)
    out["state"] = out["rank"].map({v: k for k, v in RANK.items()})
    return out


@dataclass
class _Spell:
    """An open alarm while a compartment's bottles are read in order."""

    first: Any
    last: Any
    bottles: int
    analytes: set[str]
    rates: dict[str, float]
    clear_run: int = 0
    rate_back: bool = True


SPELLS = [
    "compartment",
    "life",
    "alarm_on",
    "known_on",
    "sample",
    "run_h",
    "last_on",
    "bottles",
    "analytes",
    "closed_on",
    "closed_by",
]


def alarm_spells(
    states: pd.DataFrame, evidence: pd.DataFrame, history: pd.DataFrame, trust: pd.DataFrame, looks: pd.DataFrame
) -> pd.DataFrame:
    """Every alarm from its first bottle until it was closed (columns SPELLS; closed_on NaT while open).

    alarm_on: day the first bottle was drawn; known_on: day its result reached the office, before which nobody can have been warned.
    looks: compartment, on, by (`finding`, `repair`, `replace`): what closes an alarm apart from bottles. closed_by is one of those or
    `two clear bottles` or `new component`.
    """
    alarms = evidence[evidence["state"] == "alarm"]
    analytes: dict[str, set[str]] = {}
    for sample, analyte in zip(alarms["sample"], alarms["analyte"], strict=True):
        analytes.setdefault(sample, set()).update([analyte] if analyte else [])
    concerned = states[states["compartment"].isin(alarms["compartment"])].sort_values("compartment", kind="stable")
    seen = history[history["sample"].isin(concerned["sample"])]
    rates: dict[str, dict[str, float]] = {}
    for sample, analyte, rate in zip(seen["sample"], seen["analyte"], seen["rate"], strict=True):
        rates.setdefault(sample, {})[analyte] = rate
    believed = dict(zip(trust["sample"], trust["believed"], strict=True))
    done: dict[str, list[tuple[pd.Timestamp, str]]] = {}
    for look in looks.sort_values("on", kind="stable").itertuples():
        done.setdefault(look.compartment, []).append((look.on, look.by))
    rows: list[dict] = []
    for compartment, bottles in groupby(concerned.itertuples(), key=lambda bottle: bottle.compartment):
        rows += _spells_of(bottles, done.get(compartment, []), analytes, rates, believed)
    out = pd.DataFrame(rows, columns=SPELLS)
    known_on = dict(zip(alarms["sample"], alarms["known_on"], strict=True))
    out["known_on"] = [known_on[sample] for sample in out["sample"]]
    return out.astype({name: "datetime64[us]" for name in SPELLS if name.endswith("_on")})


def _spells_of(bottles: Iterable, looks: list, analytes: dict, rates: dict, believed: dict) -> list[dict]:
    """Spells of one compartment; bottles (rows of `bottle_states`) in order of drawing, looks (day, by) in order of day."""
    rows: list[dict] = []
    spell: _Spell | None = None
    before: dict[str, float] = {}
    life = None
    for bottle in bottles:
        if bottle.life != life:
            before, life = {}, bottle.life  # another component's rates are no measure of this one's
        if spell is not None:
            closed = _closed_by_then(spell, bottle, looks)
            if closed:
                rows.append(_closed(spell, *closed))
                spell = None
        spell = _read_bottle(spell, bottle, analytes, rates, believed, before)
        if spell is not None and spell.clear_run >= (2 if spell.rate_back else _STEADY):
            rows.append(_closed(spell, bottle.drawn_on, "two clear bottles" if spell.rate_back else "steady since"))
            spell = None
        if spell is None:
            before = rates.get(bottle.sample, before)
    if spell is not None:
        after = [look for look in looks if look[0] >= spell.first.drawn_on]
        rows.append(_closed(spell, *(after[0] if after else (pd.NaT, ""))))
    return rows


def _closed_by_then(spell: _Spell, bottle: Any, looks: list) -> tuple[pd.Timestamp, str] | None:
    # a bottle is drawn before the work of its day: it still belongs to the alarm that day's look answers
    between = [look for look in looks if spell.first.drawn_on <= look[0] < bottle.drawn_on]
    if between:
        return between[0]
    if bottle.life != spell.first.life:
        return bottle.drawn_on, "new component"
    return None


def _read_bottle(
    spell: _Spell | None, bottle: Any, analytes: dict, rates: dict, believed: dict, before: dict
) -> _Spell | None:
    sample = bottle.sample
    if bottle.state == "alarm":
        if spell is None:
            spell = _Spell(bottle, bottle, 0, set(), dict(before))
        spell.last, spell.bottles, spell.clear_run = bottle, spell.bottles + 1, 0
        spell.analytes |= analytes.get(sample, set())
    elif spell is not None and bottle.state == "clear" and believed.get(sample, 1.0) >= 0.5:
        spell.clear_run += 1
        spell.rate_back = _rate_back(spell, rates.get(sample, {}))
    return spell


def _rate_back(spell: _Spell, now: dict[str, float]) -> bool:
    """Whether every alarming metal wears again at about its rate before the alarm."""
    return all(
        now.get(a, 0.0) <= _BACK_TO_NORMAL * max(spell.rates[a], 1e-9)
        for a in spell.analytes
        if a in spell.rates and a in now
    )


def _closed(spell: _Spell, on: pd.Timestamp, by: str) -> dict:
    first = spell.first
    return {
        "compartment": first.compartment, "life": first.life, "alarm_on": first.drawn_on, "sample": first.sample,
        "run_h": first.run_h, "last_on": spell.last.drawn_on, "bottles": spell.bottles,
        "analytes": ", ".join(sorted(spell.analytes)), "closed_on": on, "closed_by": by,
    }  # fmt: skip


def looks_inside(known: Fleet) -> pd.DataFrame:
    """What closes an alarm, in order: findings, repairs and replacements (compartment, on, by, showed: a finding's outcome)."""
    found = known.findings[["compartment", "found_on", "outcome"]].set_axis(["compartment", "on", "showed"], axis=1)
    mended = known.services[known.services["kind"].isin(["repair", "replace"])]
    mended = mended[["compartment", "done_on", "kind"]].set_axis(["compartment", "on", "by"], axis=1)
    fitted = known.compartments[["compartment", "fitted_on"]].dropna().set_axis(["compartment", "on"], axis=1)
    parts = [found.assign(by="finding"), mended.assign(showed=""), fitted.assign(by="replace", showed="")]
    out = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    return out[["compartment", "on", "by", "showed"]].sort_values(["compartment", "on", "by"], ignore_index=True)


VERDICTS = ["compartment", "machine", "site", "kind", "family", "state", "reason", "todo", "sample", "drawn_on", "run_h", "meter_h", "since", "n_bottles", "believed", "how_sure", "known_on", "asks"]  # fmt: skip


def judge(
    known: Fleet, exposure: pd.DataFrame, use: pd.DataFrame, evidence: pd.DataFrame, spells: pd.DataFrame, forecast: pd.DataFrame,
    trust: pd.DataFrame, doubts: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """One row per compartment of a working machine: its state today, why in one line, and what to do (columns VERDICTS)."""
    places = known.compartments.merge(known.machines[["machine", "site", "retired_on"]], on="machine")
    places = places[places["retired_on"].isna()].sort_values("compartment")
    looks = looks_inside(known).drop_duplicates("compartment", keep="last").set_index("compartment")
    last = _newest(bottle_states(exposure, evidence), looks)
    newest = set(last["sample"])
    crossing = forecast[forecast["chance"] >= known.settings.alarm.crossing_chance]
    context = _Context(
        alarm=known.settings.alarm,
        stale_after=known.settings.sampling.stale_after_intervals,
        last={str(c): row for c, row in last.to_dict("index").items()},
        evidence=dict(tuple(evidence[evidence["sample"].isin(newest)].groupby("sample"))),
        nothing=evidence.iloc[:0],
        open=spells[spells["closed_on"].isna()].drop_duplicates("compartment", keep="last").set_index("compartment"),
        looks={str(c): row for c, row in looks.to_dict("index").items()},
        crossing=dict(tuple(crossing.groupby("compartment"))),
        believed=dict(zip(trust["sample"], trust["believed"], strict=True)),
        doubts=dict(tuple(doubts[doubts["sample"].isin(newest)].groupby("sample"))),
        now_h=_hours_now(use, known.date),
        every=sampled_every(known).to_dict(),
    )  # fmt: skip
    rows = [_verdict(place, context) for place in places.itertuples()]
    out = pd.DataFrame(rows, columns=VERDICTS[:-2]).astype({"drawn_on": "datetime64[us]", "since": "datetime64[us]"})
    return _with_asks(known, out)


def _with_asks(known: Fleet, out: pd.DataFrame) -> pd.DataFrame:
    """What the next bottle is asked to be, and the day the newest result reached the office."""
    samples = known.samples.drop_duplicates("sample").set_index("sample")
    reported = samples["reported_on"].fillna(samples["received_on"]).fillna(samples["drawn_on"])
    out["known_on"] = reported.reindex(out["sample"]).to_numpy()
    doubted = (out["believed"] < 0.5) & out["state"].isin(["alert", "not known"])
    first = (out["state"] == "alarm") & (out["n_bottles"] <= 1)
    sooner = out["state"].isin(["alarm", "alert"])
    out["asks"] = np.select([out["sample"] == "", first | doubted, sooner], ["first", "repeat", "sooner"], "")
    return out


def _newest(states: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Each compartment's newest bottle; one without usable hours only until somebody looked."""
    looked = looks["on"].reindex(states["compartment"]).to_numpy() >= states["drawn_on"].to_numpy()
    kept = states[states["run_h"].notna() | ~looked].sort_values(["compartment", "life", "order"], kind="stable")
    return kept.drop_duplicates("compartment", keep="last").set_index("compartment")


@dataclass(frozen=True)
class _Context:
    """What judging one compartment looks up, keyed by compartment or sample (of newest bottles only)."""

    alarm: Alarm
    stale_after: float
    last: dict
    evidence: dict
    nothing: pd.DataFrame
    open: pd.DataFrame
    looks: dict
    crossing: dict
    believed: dict
    doubts: dict
    now_h: dict
    every: dict


def _hours_now(use: pd.DataFrame, day: pd.Timestamp | None) -> dict[str, float]:
    """Running hours each machine should have reached by `day`, from its last reading and its own use; an idle one stands still."""
    days = (day - use["last_read_on"]).dt.days.clip(lower=0).where(~use["idle"].astype(bool), 0)
    return dict(zip(use["machine"], use["last_run_h"] + days * use["h_per_day"].fillna(0), strict=True))


def _verdict(place: Any, context: _Context) -> dict:
    base = {"compartment": place.compartment, "machine": place.machine, "site": place.site, "kind": place.kind, "family": place.family,
            "sample": "", "drawn_on": pd.NaT, "run_h": np.nan, "meter_h": np.nan, "since": pd.NaT, "n_bottles": 0, "believed": np.nan}  # fmt: skip
    if place.compartment not in context.last:
        return base | _not_known("no usable bottle yet", "Take a first bottle.")
    bottle = context.last[place.compartment]
    base |= {"sample": bottle["sample"], "drawn_on": bottle["drawn_on"], "run_h": bottle["run_h"], "meter_h": bottle["meter_h"],
             "believed": context.believed.get(bottle["sample"], 1.0)}  # fmt: skip
    look = context.looks.get(place.compartment)
    look = look if look is not None and look["on"] >= bottle["drawn_on"] else None
    if look is not None and look["by"] == "replace":
        return base | _not_known(
            f"component replaced on {look['on']:%Y-%m-%d}; no bottle of the new one yet", "Take a first bottle."
        )
    rows = _standing_evidence(place.compartment, bottle, context, look is not None)
    if len(rows) or place.compartment in context.open.index:
        return base | _raised(place.compartment, bottle, rows, base["believed"], context)
    if look is not None and (bottle["sample"] in context.evidence or look["showed"] in ("defect", "failed")):
        return base | _looked_into(look)
    return base | _quiet(place.compartment, place.machine, bottle, base["believed"], context)


def _not_known(reason: str, todo: str) -> dict:
    return {"state": "not known", "reason": reason, "todo": todo, "how_sure": "nothing to go by"}


_SHOWED = {"defect": "defect found", "failed": "failed", "": "repaired"}


def _looked_into(look: dict) -> dict:
    """Somebody has looked since the newest bottle: clear when nothing was wrong, else not known until a bottle shows it mended."""
    on = f"{look['on']:%Y-%m-%d}"
    if look["showed"] == "no defect":
        reason = f"looked into on {on}, nothing wrong found"
        return {"state": "clear", "reason": reason, "todo": "", "how_sure": "no bottle since that look"}
    return _not_known(
        f"{_SHOWED[look['showed']]} on {on}; no bottle since",
        "Take the next bottle as it falls due: it shows whether that mended it.",
    )


def _standing_evidence(compartment: str, bottle: dict, context: _Context, looked: bool) -> pd.DataFrame:
    """Evidence of the newest bottle, unless somebody looked since, and a forecast that crosses the limit."""
    rows = context.nothing if looked else context.evidence.get(bottle["sample"], context.nothing)
    ahead = context.crossing.get(compartment)
    if ahead is None:
        return rows
    extra = [
        {"compartment": compartment, "sample": bottle["sample"], "drawn_on": bottle["drawn_on"], "analyte": r.analyte, "rule": "forecast",
         "value": r.chance, "operator": ">=", "threshold": context.alarm.crossing_chance, "unit": "chance", "state": "alert", "words": r.words}
        for r in ahead.itertuples()
    ]  # fmt: skip
    return pd.concat([rows, pd.DataFrame(extra, columns=EVIDENCE)], ignore_index=True) if extra else rows


_TELLING = {"low level": 3.0, "one-step departure": 2.0}  # what a reader grasps first; everything else after them


def _count(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _raised(compartment: str, bottle: dict, rows: pd.DataFrame, believed: float, context: _Context) -> dict:
    """State, reason and request when something stands against the compartment."""
    state = "alarm" if (rows["state"] == "alarm").any() else "alert"
    spell = context.open.loc[compartment] if compartment in context.open.index else None
    leak = (rows["rule"] == "low level").any()
    top = rows.assign(rank=rows["state"].map(RANK), first=rows["rule"].map(_TELLING).fillna(1.0))
    top = top.sort_values(["first", "rank", "value"], ascending=False)
    metals = len(set(top["analyte"]) - {""})
    others = len(set(top["analyte"].iloc[1:]) - {"", top["analyte"].iloc[0]}) if len(top) else 0
    if len(top):
        reason = top["words"].iloc[0] + (f"; {_count(others, 'more result')} out of line" if others else "")
    else:
        reason = f"alarm of {context.open.loc[compartment, 'alarm_on']:%Y-%m-%d} not looked into yet; the newest bottle adds nothing"
    bottles = int(spell["bottles"]) if spell is not None else 1
    todo = _todo(state, spell is not None, bottles, leak, believed, context.doubts.get(bottle["sample"]))
    since = spell["alarm_on"] if spell is not None else bottle["drawn_on"]
    sure = "the level was seen low" if leak else "worth watching; chance alone can do this"
    if state == "alarm":
        sure = f"{_count(bottles, 'bottle')} so far, {_count(max(metals, 1), 'measure')} out of line"
    elif spell is not None:
        sure = f"alarm of {_count(bottles, 'bottle')} still open"
    if believed < 0.5:
        sure = "the newest bottle is doubted"
    return {"state": state, "reason": reason, "todo": todo, "since": since, "n_bottles": bottles, "how_sure": sure}


def _todo(state: str, is_open: bool, bottles: int, leak: bool, believed: float, doubts: pd.DataFrame | None) -> str:
    if leak:
        return "Find and mend the leak, top up, and take a bottle once it has run."
    if believed < 0.5 and doubts is not None and len(doubts):
        words = str(doubts["todo"].iloc[0])
        return words if "repeat bottle" in words else f"Take a repeat bottle first. {words}"
    if state == "alarm" and bottles >= 2:
        return "Look inside before the next sample falls due."
    if state == "alarm":
        return "Take a repeat bottle now; if it agrees, look inside."
    if is_open and bottles >= 2:
        return "Look inside, or record what was found; the alarm is still open."
    if is_open:
        return "Take a repeat bottle, or record what was found; the alarm is still open."
    return "Sample at half the usual interval and compare."


def _quiet(compartment: str, machine: str, bottle: dict, believed: float, context: _Context) -> dict:
    """Clear, unless the newest bottle is too old or not believed."""
    out = {
        "state": "clear",
        "reason": "results as expected",
        "todo": "",
        "since": pd.NaT,
        "n_bottles": 0,
        "how_sure": f"{_count(int(bottle['order']) + 1, 'bottle')} of this life",
    }
    age = context.now_h.get(machine, np.nan) - bottle["run_h"]
    every = context.every[compartment]
    if age > context.stale_after * every:
        return out | {
            "state": "not known",
            "reason": f"newest bottle is {age:,.0f} h old; sampled every {every:,.0f} h",
            "todo": "Take a bottle.",
        }
    if believed < 0.5:
        why = context.doubts[bottle["sample"]]["reason"].iloc[0] if bottle["sample"] in context.doubts else "doubted"
        return out | {
            "state": "not known",
            "reason": f"newest bottle is doubted: {why}",
            "todo": "Take a repeat bottle.",
        }
    return out
