"""An invented assessment in the form `assess` makes, for tests of the pages: two sites, seven machines, made-up numbers throughout."""

from dataclasses import asdict, replace

import numpy as np
import pandas as pd
from cmkit.wear.verdicts import alarm_spells, bottle_states, judge, looks_inside

from cmkit.assessment import Assessment, table_names
from cmkit.practice.due import next_due
from cmkit.practice.replay import alarm_record
from cmkit.practice.rounds import plan_round
from cmkit.practice.technique import TECHNIQUE
from cmkit.practice.waiting import cost_of_waiting
from cmkit.records.analytes import analyte_register, below
from cmkit.records.fleet import Fleet
from cmkit.records.settings import parse_settings
from cmkit.tables.records import TABLES
from cmkit.wear.evidence import collect_evidence

METALS = ("Fe_ppm", "Cu_ppm", "Si_ppm", "Al_ppm")
PLACES = {
    "wheel loader": [("engine", ""), ("transmission", ""), ("differential", "front"), ("differential", "rear"), ("final drive", "front left"),
                     ("final drive", "front right"), ("final drive", "rear left"), ("final drive", "rear right"), ("hydraulic", ""), ("coolant", "")],
    "excavator": [("engine", ""), ("hydraulic", ""), ("swing drive", ""), ("travel drive", "left"), ("travel drive", "right"), ("coolant", "")],
}  # fmt: skip
MACHINES = [("WL-1", "north pit", "wheel loader"), ("WL-2", "north pit", "wheel loader"), ("WL-10", "north pit", "wheel loader"),
            ("EX-1", "north pit", "excavator"), ("EX-2", "south quarry", "excavator"), ("WL-3", "south quarry", "wheel loader")]  # fmt: skip
AS_OF = pd.Timestamp("2026-06-30")
FAULTS = {"WL-1/final drive/front right": 3, "WL-2/engine": 2, "EX-1/swing drive": 1, "WL-3/hydraulic": 2}


def blank(name: str, rows: list[dict]) -> pd.DataFrame:
    """A frame with every column of a table of records, typed."""
    frame = pd.DataFrame(rows, columns=TABLES[name].names)
    for column in TABLES[name].columns:
        if column.kind == "date":
            frame[column.name] = frame[column.name].astype("datetime64[us]")
        elif column.kind == "number":
            frame[column.name] = frame[column.name].astype(float)
        elif column.kind == "text":
            frame[column.name] = frame[column.name].astype(object).fillna("").astype("str")
    return frame


def made_records(hostile: str = "") -> Fleet:
    """The records. `hostile` is put into every free text, and into the name of the first machine."""
    rng = np.random.default_rng(7)
    machines, compartments, samples, services, findings = [], [], [], [], []
    for machine, site, kind in MACHINES:
        name = machine + (hostile if machine == "WL-1" else "")
        machines.append(
            {"machine": name, "site": site, "kind": kind, "size_class": "large", "in_service_on": "2024-01-01"}
        )
        for place, position in PLACES[kind]:
            key = "/".join(p for p in (name, place, position) if p)
            probe = place in ("engine", "transmission", "hydraulic", "coolant")
            compartments.append({"compartment": key, "machine": name, "kind": place, "position": position, "capacity_l": 40.0, "pressurised": probe, "sampling_point": {"hydraulic": "low-pressure", "coolant": "hot coolant valve"}.get(place, ""),
                                 "access": "probe valve" if probe else "fill plug", "depth_mm": 400.0, "fluid": "engine oil", "grade": "SAE 15W-40",
                                 "sample_every_h": 250.0, "family": f"{kind} large {place}"})  # fmt: skip
            for i in range(9):
                drawn = pd.Timestamp("2025-03-10") + pd.Timedelta(days=int(55 * i + rng.integers(0, 9)))
                samples.append({"sample": f"B{len(samples):04d}", "compartment": key, "drawn_on": drawn, "meter_h": 4000 + 260.0 * i, "method": "probe" if probe else "pump",
                                "sampler": "crew A" + hostile, "fluid_level": "low" if key == "EX-1/travel drive/left" and i == 8 else "full", "lab": "laboratory 1",
                                "reported_on": drawn + pd.Timedelta(days=7), "note": hostile})  # fmt: skip
            services.append(
                {
                    "service": f"S{len(services):03d}",
                    "compartment": key,
                    "done_on": "2025-12-01",
                    "meter_h": 5100.0,
                    "kind": "change",
                    "note": hostile,
                }
            )
    findings.append({"finding": "F1", "compartment": "WL-2/engine", "found_on": "2026-01-20", "outcome": "no defect", "cause": hostile, "cost": 350.0,
                     "downtime_h": 3.0, "recorded_on": "2026-01-22", "note": "pan dropped, nothing found" + hostile})  # fmt: skip
    findings.append({"finding": "F2", "compartment": "WL-3/hydraulic", "found_on": "2026-06-20", "outcome": "defect", "cause": "dirt entry", "cost": 2100.0,
                     "downtime_h": 9.0, "recorded_on": "2026-06-21", "note": "breather torn"})  # fmt: skip
    findings.append({"finding": "F3", "compartment": "EX-2/engine", "found_on": "2026-02-11", "outcome": "failed", "cause": "bearing fatigue", "cost": 52000.0,
                     "downtime_h": 90.0, "recorded_on": "2026-02-12"})  # fmt: skip
    frame = blank("samples", samples).assign(corrected="")
    for analyte in analyte_register()["analyte"]:
        frame[analyte] = np.nan
        frame[below(analyte)] = False
    meters = [{"machine": m["machine"], "read_on": "2026-06-28", "meter_h": 6300.0} for m in machines]
    sites = [
        {"site": s, "name": s.title() + hostile, "time_zone": "Etc/UTC", "downtime_cost_per_h": 200.0}
        for s in ("north pit", "south quarry")
    ]
    empty = pd.DataFrame(columns=["file", "row", "column", "value", "reason", "table", "known_on"])
    aside = pd.DataFrame(
        [
            {
                "file": "samples/2026-05.csv",
                "row": 17,
                "column": "Fe_ppm",
                "value": "-4" + hostile,
                "reason": "negative result",
                "table": "samples",
                "known_on": AS_OF,
            }
        ]
    )
    counts = pd.DataFrame(
        [
            {
                "file": "samples/2026-05.csv",
                "table": "samples",
                "read": len(samples) + 1,
                "used": len(samples),
                "set_aside": 1,
            }
        ]
    )
    settings = parse_settings({"name": "Made-up fleet", "currency": "credits"}, "made")
    return Fleet(settings=settings, sites=blank("sites", sites), machines=blank("machines", machines), compartments=blank("compartments", compartments),
                 samples=frame, services=blank("services", services), meters=blank("meters", meters).assign(new_meter=False), findings=blank("findings", findings),
                 corrections=blank("corrections", []), set_aside=aside, repairs=empty.assign(used=""), counts=counts, sources={"samples.csv": "ab" * 32}, date=AS_OF)  # fmt: skip


def made_exposure(known: Fleet) -> pd.DataFrame:
    """Every bottle usable, one fluid change in the middle."""
    places = known.compartments.merge(known.machines[["machine", "site"]], on="machine")[
        ["compartment", "machine", "site", "kind", "family"]
    ]
    out = (
        known.samples[["sample", "compartment", "drawn_on", "meter_h"]]
        .merge(places, on="compartment")
        .sort_values(["compartment", "drawn_on"])
    )
    order = out.groupby("compartment").cumcount()
    changed = out["drawn_on"].ge("2025-12-01") & out["drawn_on"].lt("2026-02-01")
    fluid = np.where(out["meter_h"] > 5100, out["meter_h"] - 5100, out["meter_h"] - 3800)
    return out.assign(life=1, order=order, run_h=out["meter_h"] - 4000, hours=260.0, fluid_h=fluid, phi=1.0, psi=255.0, chi=0.0, sd_phi=0.0,
                      changed=changed, makeup_l=0.0, makeup_known=True, volume_known=True).reset_index(drop=True)  # fmt: skip


def made_history(exposure: pd.DataFrame) -> pd.DataFrame:
    """Levels that follow the fluid's hours, with a rise in the compartments of FAULTS over their last bottles."""
    rng = np.random.default_rng(3)
    parts = []
    for k, analyte in enumerate(METALS):
        rate = 0.04 / (k + 1)
        n = exposure.groupby("compartment")["order"].transform("max")
        grown = exposure["compartment"].map(FAULTS).fillna(0)
        late = (n - exposure["order"] < grown) & (k < 2)
        expected = 4 + rate * exposure["fluid_h"]
        sd = 1 + 0.1 * expected
        value = np.round(expected + np.where(late, 5.5 * sd, rng.normal(0, 0.8, len(sd)) * sd)).clip(1)
        z = (value - expected) / sd
        part = exposure[["sample", "compartment", "life", "order", "family", "drawn_on", "run_h", "fluid_h"]].assign(
            analyte=analyte, value=value, below=value <= 1, expected=expected, expected_sd=sd, z=z, rise=np.where(late, 4.2, 0.3), change_k=np.where(late, 1, -1),
            rate=np.where(late, 3 * rate, rate), rate_sd=0.2 * rate, level=value, level_sd=sd, cov=0.0)  # fmt: skip
        parts.append(part)
    return (
        pd.concat(parts, ignore_index=True)
        .sort_values(["compartment", "life", "order", "analyte"])
        .reset_index(drop=True)
    )


def with_results(samples: pd.DataFrame, history: pd.DataFrame) -> pd.DataFrame:
    """Samples with the history's values in their columns."""
    out = samples.set_index("sample", drop=False).rename_axis(None)
    for analyte, part in history.groupby("analyte"):
        out.loc[part["sample"], analyte] = part["value"].to_numpy()
        out.loc[part["sample"], below(str(analyte))] = part["below"].to_numpy()
    return out.reset_index(drop=True)


def made_limits(exposure: pd.DataFrame) -> pd.DataFrame:
    """A level and a rate limit per family and metal."""
    rows = []
    for family in sorted(set(exposure["family"])):
        for k, analyte in enumerate(METALS):
            for measure, size in (("rate", 0.08 / (k + 1)), ("level", 160.0 / (k + 1))):
                rows.append({"family": family, "analyte": analyte, "measure": measure, "direction": "up", "alert": size, "alarm": 1.4 * size, "alarm_low": 1.2 * size,
                             "alarm_high": 1.7 * size, "n": 40, "n_eff": 31.0, "method": "trimmed and shrunk", "words": "from 40 bottles of the family"})  # fmt: skip
    return pd.DataFrame(rows)


def made_forecast(history: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    """Where each metal is going."""
    last = history.groupby(["compartment", "analyte"]).tail(1)
    level = limits[limits["measure"] == "level"][["family", "analyte", "alarm"]]
    out = last.merge(level, on=["family", "analyte"])
    mean = out["level"] + 250 * out["rate"]
    share = np.where(out["rate"] > 0.1, 0.34, 0.004)
    return pd.DataFrame({"compartment": out["compartment"], "analyte": out["analyte"], "hours_ahead": 250.0, "next_mean": mean, "next_sd": 0.15 * mean,
                         "limit": out["alarm"], "chance": share, "hours_to_limit_p10": 300.0, "hours_to_limit_p50": 600.0, "hours_to_limit_p90": np.nan, "words": "may pass the limit in about 600 h"})  # fmt: skip


def made_doubts(exposure: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One bottle that may come from the other side, one from the drain stream."""
    picks = exposure.groupby("compartment").tail(1).iloc[[4, 20]]
    doubts = pd.DataFrame(
        [
            {"sample": p.sample, "compartment": p.compartment, "doubt": d, "statistic": "probability", "value": 0.96, "threshold": 0.9,
             "probability": 0.96, "reason": r, "todo": "Draw it again and check the label."}
            for p, d, r in zip(picks.itertuples(), ("exchange", "not representative"), ("fits the other side better", "drawn from the drain stream"), strict=True)
        ]
    )  # fmt: skip
    trust = exposure[["sample", "compartment"]].assign(believed=0.98, n_doubts=0, words="")
    hit = trust["sample"].isin(doubts["sample"])
    trust.loc[hit, ["believed", "n_doubts"]] = [0.04, 1]
    return trust, doubts


def made_intervals(known: Fleet) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Advice for two families and their cost curves."""
    families = sorted(set(known.compartments["family"]))[:4]
    rows = [{"family": f, "kind": f.split()[-1], "today_h": 250.0, "advised_h": 500.0 if i else np.nan, "cost_today": 900.0, "cost_advised": 640.0, "saving": 260.0,
             "saving_low": 90.0, "saving_high": 410.0, "flat_low_h": 375.0, "flat_high_h": 750.0, "binds": "service grid", "prior_weight": 0.4,
             "words": "sampling twice as often as pays" if i else "sampling does not pay here"} for i, f in enumerate(families)]  # fmt: skip
    every = np.array([125.0, 250, 375, 500, 750, 1000])
    curves = [pd.DataFrame({"family": f, "every_h": every, "cost_per_1000h": 60000 / every + 0.9 * every, "low": 50000 / every + 0.7 * every,
                            "high": 75000 / every + 1.1 * every}) for f in families]  # fmt: skip
    return pd.DataFrame(rows), pd.concat(curves, ignore_index=True)


def made_before(known: Fleet, *frames: pd.DataFrame) -> pd.DataFrame:
    """The verdicts a month earlier, from the bottles reported by then and without a forecast."""
    then = known.as_of("2026-05-31")
    exposure, evidence, history, trust, doubts = (f[f["sample"].isin(then.samples["sample"])] for f in frames)
    use = then.meters[["machine"]].assign(h_per_day=5.0, last_read_on=then.date, last_run_h=2150.0, idle=False)
    spells = alarm_spells(bottle_states(exposure, evidence), evidence, history, trust, looks_inside(then))
    none = pd.DataFrame({"compartment": pd.Series(dtype="str"), "chance": pd.Series(dtype=float)})
    return judge(then, exposure, use, evidence, spells, none, trust, doubts)


def made_causes(verdicts: pd.DataFrame) -> pd.DataFrame:
    """One or two likely causes for whatever is raised."""
    raised = verdicts[verdicts["state"].isin(["alert", "alarm"])]["compartment"]
    rows = [{"compartment": c, "cause": cause, "score": score, "evidence_for": "iron and copper up together", "evidence_against": "no silicon",
             "look_at": "magnetic plug and breather", "basis": "common practice"} for c in raised for cause, score in (("gear wear", 0.7), ("dirt entry", 0.2))]  # fmt: skip
    return pd.DataFrame(rows)


def made_technique(known: Fleet) -> pd.DataFrame:
    """One sampler who stands out and one who does not, at the first site."""
    site = known.sites["site"].iloc[0]
    rows = [
        (site, "crew <A>", "spread", 40, 1.8, 1.4, 2.3, 0.01, True, "technique worth a look"),
        (site, "crew B", "spread", 40, 1.0, 0.8, 1.2, 0.8, False, ""),
    ]
    return pd.DataFrame(rows, columns=TECHNIQUE)


def made_assessment(hostile: str = "") -> Assessment:
    """The whole bundle; verdicts, due dates, waiting and record come from the real functions."""
    known = made_records(hostile)
    register = analyte_register()
    exposure = made_exposure(known)
    history, limits = made_history(exposure), made_limits(exposure)
    known = replace(known, samples=with_results(known.samples, history))
    forecast = made_forecast(history, limits)
    trust, doubts = made_doubts(exposure)
    use = known.meters[["machine"]].assign(
        h_per_day=5.0, last_read_on=pd.Timestamp("2026-06-28"), last_run_h=2300.0, idle=False
    )
    evidence = collect_evidence(known, exposure, history, limits, pd.DataFrame(), register)
    spells = alarm_spells(bottle_states(exposure, evidence), evidence, history, trust, looks_inside(known))
    verdicts = judge(known, exposure, use, evidence, spells, forecast, trust, doubts)
    before = made_before(known, exposure, evidence, history, trust, doubts)
    due = next_due(known, exposure, use, verdicts)
    record = alarm_record(known, spells, known.findings[["finding"]].assign(run_h=2350.0))
    intervals, curves = made_intervals(known)
    hours = exposure[["sample", "compartment", "meter_h", "run_h"]].assign(sd_h=0.0, usable=True, reason="")
    wear = (
        history.groupby(["compartment", "analyte"])
        .tail(1)
        .assign(rate_low=lambda d: d["rate"] * 0.7, rate_high=lambda d: d["rate"] * 1.3, n_samples=9)
    )
    kinds = {k: asdict(known.settings.kind(k)) for k in set(known.compartments["kind"])}
    about = {
        "fleet": "Made-up fleet" + hostile,
        "currency": "credits",
        "as_of": "2026-06-30",
        "cmkit": "0.1.0",
        "sources": known.sources,
        "alarm": asdict(known.settings.alarm),
        "kinds": kinds,
        "fixed_limits": [],
    }
    tables = {
        "sites": known.sites, "machines": known.machines, "compartments": known.compartments, "samples": known.samples, "services": known.services,
        "meters": known.meters, "findings": known.findings, "corrections": known.corrections, "set_aside": known.set_aside, "repairs": known.repairs, "counts": known.counts,
        "hours": hours, "use": use, "exposure": exposure, "numbers": pd.DataFrame({"family": [], "analyte": []}), "history": history, "trust": trust, "doubts": doubts, "wear": wear,
        "limits": limits, "evidence": evidence, "due": due, "cards": plan_round(known, due, use), "forecast": forecast, "verdicts": verdicts, "before": before, "causes": made_causes(verdicts), "intervals": intervals, "curves": curves,
        "waiting": cost_of_waiting(known, verdicts, due, use, record), "record": record, "technique": made_technique(known),
    }  # fmt: skip
    return Assessment(about=about, **({name: pd.DataFrame() for name in table_names()} | tables))
