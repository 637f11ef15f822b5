"""Alarms from the bottle that raised them until something settled them.

An alarm stands until somebody looked, the compartment was repaired or replaced, or bottles speak against it: good ones
that leave little chance ([judge] settle), as many in a row as settle_bottles wants; a clear one where only doubtful
bottles had raised it; one after a fluid change where only the fluid was concerned.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import pandas as pd

from cmkit.judge.faults import LOW_LEVEL, limit_cause, work
from cmkit.records.fleet import Fleet
from cmkit.records.settings import Judge
from cmkit.tables.frames import names, typed

SPELLS = names("alarm_spells")
LOOKS = ["compartment", "on", "by", "showed"]
_OF_THE_FLUID = frozenset({"fluid", "cooling system"})


@dataclass
class _Spell:
    """An open alarm while a compartment's bottles are read in order."""

    first: Any
    last: Any
    top: Any
    bottles: int = 0
    clear_run: int = 0
    good: bool = False
    of_fluid: bool = True
    named: str = ""
    by: set[str] = field(default_factory=set)
    analytes: set[str] = field(default_factory=set)


def looks_inside(known: Fleet) -> pd.DataFrame:
    """What closes an alarm, in order: findings, repairs and replacements (compartment, on, by, showed: a finding's
    outcome).
    """
    found = known.findings[["compartment", "found_on", "outcome"]].set_axis(["compartment", "on", "showed"], axis=1)
    repaired = known.services[known.services["kind"].isin(["repair", "replace"])]
    repaired = repaired[["compartment", "done_on", "kind"]].set_axis(["compartment", "on", "by"], axis=1)
    fitted = known.compartments[["compartment", "fitted_on"]].dropna().set_axis(["compartment", "on"], axis=1)
    parts = [found.assign(by="finding"), repaired.assign(showed=""), fitted.assign(by="replace", showed="")]
    out = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    return out[LOOKS].sort_values(["compartment", "on", "by"], ignore_index=True)


def fluid_changes(known: Fleet) -> dict[str, list[pd.Timestamp]]:
    """Days of fluid changes and flushes of each compartment, in order."""
    done = known.services[known.services["kind"].isin(["change", "flush"])].sort_values("done_on", kind="stable")
    return {str(c): list(days) for c, days in done.groupby("compartment")["done_on"]}


def alarm_spells(bottles: pd.DataFrame, alone: pd.DataFrame, known: Fleet) -> pd.DataFrame:
    """Every alarm from its first bottle until it was settled (columns SPELLS; closed_on NaT while it stands), by
    compartment and day.

    bottles: frame of `bottle_states`; alone: frame of `rules_alone`; known: the records of the day (looks, changes,
    settings).
    alarm_on: day the first bottle was drawn; known_on: day its result reached the office, before which nobody can have
    been warned;
    cause, chance: of its most certain bottle (cause: of its first limit where the chance did not raise it); raised_by:
    `chance`, `limit`, `level`, joined by `, `; clear_run: good bottles against it in a
    row so far. closed_by: finding, repair, replace, new component, clear bottles, normal repeat, fluid change; closed
    by a bottle it is closed on the day that bottle's result was known (closed_sample).
    """
    raised = bottles.loc[bottles["state"] == "alarm", "compartment"]
    concerned = bottles[bottles["compartment"].isin(raised)]
    limits: dict[str, list[tuple[str, str]]] = {}
    acting = alone[(alone["acts"] == "alarm") & (alone["analyte"] != "")]
    for sample, analyte, operator in zip(acting["sample"], acting["analyte"], acting["operator"], strict=True):
        limits.setdefault(sample, []).append((analyte, "-" if operator == "<=" else "+"))
    done: dict[str, list[Any]] = {}
    for look in looks_inside(known).itertuples():
        done.setdefault(look.compartment, []).append((look.on, look.by))
    reader = _Reader(known.settings.judge, limits, done, fluid_changes(known))
    rows: list[dict[str, Any]] = []
    for compartment, own in groupby(concerned.itertuples(), key=lambda bottle: bottle.compartment):
        rows += reader.spells_of(compartment, own)
    return typed(rows, "alarm_spells")


@dataclass(frozen=True)
class _Reader:
    """Reads a compartment's bottles in order. limits: sample -> limits in alarm; looks: compartment -> (day, by);
    changes: its days.
    """

    judge: Judge
    limits: dict[str, list[tuple[str, str]]]
    looks: dict[str, list[Any]]
    changes: dict[str, list[Any]]

    def spells_of(self, compartment: str, bottles: Iterable[Any]) -> list[dict[str, Any]]:
        looks, changes = self.looks.get(compartment, []), self.changes.get(compartment, [])
        rows: list[dict[str, Any]] = []
        spell: _Spell | None = None
        for bottle in bottles:
            if spell is not None:
                closed = _closed_by_then(spell, bottle, looks)
                if closed:
                    rows.append(_closed(spell, *closed))
                    spell = None
            spell = self._read(spell, bottle)
            by = "" if spell is None else self._settled(spell, bottle, changes)
            if spell is not None and by:
                rows.append(_closed(spell, bottle.known_on, by, bottle.sample))
                spell = None
        if spell is not None:
            after = [look for look in looks if look[0] >= spell.last.drawn_on]
            rows.append(_closed(spell, *(after[0] if after else (pd.NaT, ""))))
        return rows

    def _read(self, spell: _Spell | None, bottle: Any) -> _Spell | None:
        if bottle.state == "alarm":
            spell = spell or _Spell(bottle, bottle, bottle)
            spell.last, spell.bottles, spell.clear_run = bottle, spell.bottles + 1, 0
            spell.top = max(spell.top, bottle, key=lambda b: b.chance)
            spell.good |= bottle.good
            limits = self.limits.get(bottle.sample, [])
            spell.analytes |= {analyte for analyte, _ in limits}
            spell.by |= {by for by in ("chance", "limit", "level") if getattr(bottle, f"by_{by}") == "alarm"}
            causes = [limit_cause(bottle.kind, *limit)[0] for limit in limits]
            concerned = causes + ([bottle.cause] if bottle.by_chance == "alarm" else [])
            groups = {work(bottle.kind, cause, "clear").group for cause in concerned}
            spell.of_fluid &= "level" not in spell.by and groups <= _OF_THE_FLUID
            spell.named = spell.named or next(iter(causes), LOW_LEVEL if "level" in spell.by else "")
        elif spell is not None and bottle.good:
            spell.clear_run = spell.clear_run + 1 if self._speaks_against(bottle) else 0
        return spell

    def _speaks_against(self, bottle: Any) -> bool:
        unlimited = bottle.by_limit == "clear" and bottle.by_level == "clear"
        return bool(bottle.state == "clear" or (unlimited and bottle.chance < self.judge.settle))

    def _settled(self, spell: _Spell, bottle: Any, changes: list[Any]) -> str:
        """What settled the alarm with this bottle; empty while it stands."""
        normal = spell.clear_run > 0 and bottle.state == "clear"
        if normal and not spell.good:
            return "normal repeat"
        if normal and spell.of_fluid and any(spell.last.drawn_on <= day < bottle.drawn_on for day in changes):
            return "fluid change"
        return "clear bottles" if spell.clear_run >= settles(self.judge, spell.by) else ""


def settles(judge: Judge, by: Collection[str]) -> int:
    """Good clear bottles in a row that settle an alarm; by: what raised it (`chance`, `limit`, `level`)."""
    return judge.settle_bottles if set(by) == {"chance"} else judge.settle_limit_bottles


def _closed_by_then(spell: _Spell, bottle: Any, looks: list[Any]) -> tuple[pd.Timestamp, str] | None:
    # a bottle is drawn before the work of its day: it still belongs to the alarm that day's look answers
    between = [look for look in looks if spell.first.drawn_on <= look[0] < bottle.drawn_on]
    if between:
        found: tuple[Any, str] = between[0]
        return found
    if bottle.life != spell.first.life:
        return bottle.drawn_on, "new component"
    return None


def _closed(spell: _Spell, on: pd.Timestamp, by: str, sample: str = "") -> dict[str, Any]:
    first = spell.first
    return {
        "compartment": first.compartment,
        "life": first.life,
        "alarm_on": first.drawn_on,
        "known_on": first.known_on,
        "sample": first.sample,
        "run_h": first.run_h,
        "last_on": spell.last.drawn_on,
        "bottles": spell.bottles,
        "analytes": ", ".join(sorted(spell.analytes)),
        "cause": spell.top.cause if "chance" in spell.by else spell.named,
        "chance": spell.top.chance,
        "raised_by": ", ".join(sorted(spell.by)),
        "clear_run": spell.clear_run,
        "closed_on": on,
        "closed_by": by,
        "closed_sample": sample,
    }
