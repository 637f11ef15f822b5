"""How true the judgement's chances are, by the truth of simulated fleets in which nobody acts.

    python tests/benchmarks/calibrate_judgement.py CACHE "nobody acts" SEED [SEED ...]      (a variation of
    `recipes.py`) python tests/benchmarks/calibrate_judgement.py CACHE "without dirt entry" SEED ...      (that pattern
    taken out of the tables) python tests/benchmarks/calibrate_judgement.py CACHE "other: rounding to 5 ppm" SEED ...
    (a breakage of `other_kinds.py`)

Fleets are written once into CACHE and read as any fleet is. A fault counts as findable when a bottle drawn after its
beginning was reported before it failed; it is found when one of those bottles reached the threshold. False alarms are
counted over all bottles, also badly drawn ones, of compartments that never had a fault. Standard errors are binomial
(faults, bottles); of month ends between fleets. A compartment into which
the recipe puts a wrong can is left out: what is seen there is true, and no fault of the machine.
"""

import pickle
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import gettempdir

import numpy as np
import pandas as pd
from month_ends import month_ends, month_figures
from other_fleets import write_other_fleet
from other_kinds import BREAKAGES
from recipes import VARIATIONS

from cmkit.judge.compartments import State, judge_compartments
from cmkit.judge.decide import Beside
from cmkit.judge.judge import Judged, judge_bottles
from cmkit.judge.learning import JudgeLearnt, learn_judgement
from cmkit.judge.measures import ToJudge
from cmkit.judge.priors import arrivals_of, priors_of
from cmkit.learn import learn
from cmkit.learnt import Learnt
from cmkit.records.analytes import with_own
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.simulate.write import write_fleet
from cmkit.trust.hours import Hours, running_hours
from cmkit.trust.laboratory import without_results
from cmkit.trust.screen import Trusted, screen_bottles
from cmkit.wear.fit import Wear, fit_wear

FALSE_SHARES = (0.005, 0.01, 0.02, 0.04)
OTHER = "other: "
CLASSES = (0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35, 0.6, 0.8, 0.95, 1.0001)


@dataclass(frozen=True)
class Scored:
    """One fleet or several: bottles (p_fault, active, sound, drawing, ...), faults (findable, best chance while it
    grew), month ends by chance alone, and as the pages would say them (`month_ends`)."""

    bottles: pd.DataFrame
    faults: pd.DataFrame
    months: pd.DataFrame
    pages: pd.DataFrame


@dataclass(frozen=True)
class Given:
    """A fleet as of its last report with every chapter of its assessment up to the judgement."""

    known: Fleet
    learnt: Learnt
    hours: Hours
    wear: Wear
    trust: Trusted
    state: State


def fleet_folder(cache: Path, name: str, seed: int) -> Path:
    """The folder of a simulated fleet of a variation, or of the other generator, written unless it is there."""
    folder = cache / f"{name.replace(' ', '-').replace(':', '')}-{seed}"
    if not (folder / "truth" / "faults.csv").exists():
        if name.startswith(OTHER):
            write_other_fleet(folder, BREAKAGES[name.removeprefix(OTHER)], seed)
        else:
            write_fleet(VARIATIONS[name](), folder, seed=seed)
    return folder


def given(folder: Path) -> Given:
    """The chapters of a fleet, kept beside it."""
    kept = folder / "given.pkl"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    fleet = load_fleet(folder)
    day = fleet.samples["reported_on"].max()
    learnt, known = learn(fleet, day), fleet.as_of(day)
    hours = running_hours(known)
    wear = fit_wear(known, hours, learnt)
    trust = screen_bottles(known, hours, wear.for_screening, learnt)
    out = Given(known, learnt, hours, wear, trust, judge_compartments(known, hours, wear, trust, learnt))
    kept.write_bytes(pickle.dumps(out))
    return out


def judged(g: Given, without: frozenset[str] = frozenset()) -> tuple[JudgeLearnt, Judged]:
    """What a fleet teaches the judge, and its judgement; without: causes left out of the tables."""
    own = g.learnt
    if not without:
        return JudgeLearnt(own.measures, own.ageing, own.middles, own.priors), g.state.judged
    register, screening = with_own(g.known.settings.analytes), g.wear.for_screening
    clean = without_results(g.known.samples, screening.units["sample"], register)
    given_it = ToJudge(g.known, clean, g.wear.exposure, own.numbers, screening.expected, register)
    learnt = learn_judgement(given_it, without)
    return learnt, judge_bottles(given_it, learnt, without)


def read_faults(folder: Path) -> pd.DataFrame:
    """truth/faults.csv with dates."""
    return pd.read_csv(folder / "truth" / "faults.csv", parse_dates=["opened_on", "ended_on"])


def wrong_cans(folder: Path) -> set[str]:
    """Compartments into which a wrong fluid was filled."""
    topups = pd.read_csv(folder / "truth" / "topups.csv")
    return set(topups.loc[topups["fluid"] == "wrong fluid", "compartment"]) if "fluid" in topups else set()


def score(folder: Path, g: Given, learnt: JudgeLearnt, result: Judged) -> Scored:
    """A fleet's judgement against its truth."""
    cans = wrong_cans(folder)
    faults = read_faults(folder)
    faults = faults[~faults["compartment"].isin(cans)].reset_index(drop=True)
    truth = pd.read_csv(folder / "truth" / "samples.csv").drop_duplicates("sample")
    chances = result.bottle_chances
    bottles = chances[~chances["compartment"].isin(cans)].merge(
        truth[["sample", "drawing", "exchanged_with", "slip", "bottle_factor"]], on="sample", how="left"
    )
    bottles = _with_fault(bottles, faults, "drawn_on")
    per_day = arrivals_per_day(g, learnt)
    ever = set(faults["compartment"])
    bottles["faultless"] = ~bottles["compartment"].isin(ever)
    bottles["badly"] = (bottles["drawing"] != "good") | bottles["exchanged_with"].notna()
    bottles["fleet"] = folder.name
    beside = Beside(
        g.state.evidence,
        g.wear.exposure,
        g.hours.use,
        g.wear.for_screening.expected,
        g.trust.doubts,
        g.learnt.turnaround,
    )
    pages = month_ends(g.known, result, beside, faults).assign(fleet=folder.name)
    pages = pages[~pages["compartment"].isin(cans)]
    return Scored(bottles, _fault_rows(bottles, faults), _month_ends(bottles, faults, per_day, folder.name), pages)


def arrivals_per_day(g: Given, learnt: JudgeLearnt) -> pd.Series:
    """Faults a day by compartment, as the judgement takes them to arrive: its rate per hour at the pace of the
    compartment's machine.
    """
    groups = g.wear.exposure.groupby("compartment")
    pace = groups["run_h"].agg(np.ptp) / (groups["drawn_on"].agg(np.ptp) / pd.Timedelta(days=1)).clip(lower=1)
    factor = priors_of(learnt.priors).factor
    per_h = groups["kind"].first().map(lambda kind: arrivals_of(g.known, kind, factor).per_h)
    return per_h * pace.where(pace > 0, pace.median())


def _with_fault(rows: pd.DataFrame, faults: pd.DataFrame, day: str) -> pd.DataFrame:
    """Rows with the fault active on their day: active, cause_true, way (share of the days from beginning to end)."""
    rows = rows.reset_index(drop=True).assign(at=np.arange(len(rows)))
    both = rows[["at", "compartment", day]].merge(faults.reset_index(names="fault"), on="compartment")
    before = both[day] <= both["ended_on"] if day == "drawn_on" else both[day] < both["ended_on"]
    both = both[(both["opened_on"] < both[day]) & (before | (both["how"] == "open"))]
    hours = (both["ended_h"] - both["onset_h"]) / np.maximum((both["ended_on"] - both["opened_on"]).dt.days, 1)
    both["way"] = ((both[day] - both["opened_on"]).dt.days * hours / both["delay_h"]).clip(0, 1)
    both = both.drop_duplicates("at", keep="last").set_index("at")
    return rows.assign(
        active=rows["at"].isin(both.index), fault=rows["at"].map(both["fault"]),
        cause_true=rows["at"].map(both["cause"]), way=rows["at"].map(both["way"])
    ).drop(columns="at")  # fmt: skip


def _fault_rows(bottles: pd.DataFrame, faults: pd.DataFrame) -> pd.DataFrame:
    own = bottles[bottles["active"]].merge(faults[["ended_on"]].reset_index(names="fault"), on="fault")
    own = own[own["known_on"] < own["ended_on"]]
    best = own.groupby("fault")["p_fault"].max()
    repeat = own.assign(odd=1 - own["p_good"]).groupby("fault")["odd"].max()
    out = faults.reset_index(names="fault")
    return out.assign(
        best=out["fault"].map(best), odd=out["fault"].map(repeat).fillna(0), findable=out["fault"].isin(best.index)
    )


def _month_ends(bottles: pd.DataFrame, faults: pd.DataFrame, per_day: pd.Series, fleet: str) -> pd.DataFrame:
    """Every compartment at every month end from the seventh: the chance of its newest known bottle, unless it failed or
    was mended since, and what has arrived since.
    """
    days = pd.date_range(bottles["known_on"].min(), bottles["known_on"].max(), freq="ME")[6:]
    known = bottles.sort_values("known_on", kind="stable")
    places = pd.DataFrame({"compartment": known["compartment"].unique()})
    grid = places.merge(pd.DataFrame({"month": days.astype("datetime64[us]")}), how="cross").sort_values(
        "month", kind="stable"
    )
    out = pd.merge_asof(
        grid,
        known[["compartment", "known_on", "drawn_on", "p_fault", "p_good", "kind"]],
        left_on="month",
        right_on="known_on",
        by="compartment",
    )
    out = out[out["p_fault"].notna()]
    ended = faults.loc[faults["how"] != "open", ["compartment", "ended_on"]].sort_values("ended_on")
    out = pd.merge_asof(out.sort_values("month"), ended, left_on="month", right_on="ended_on", by="compartment")
    mended = out["ended_on"] >= out["drawn_on"]
    since = (out["month"] - out["ended_on"].where(mended, out["drawn_on"])) / pd.Timedelta(days=1)
    new = -np.expm1(-out["compartment"].map(per_day) * since)
    out["p_fault"] = 1 - (1 - out["p_fault"].where(~mended, 0.0)) * (1 - new)
    out = _with_fault(out.drop(columns="ended_on"), faults, "month")
    own = out.merge(faults[["opened_on"]].reset_index(names="fault"), on="fault", how="left")
    return out.assign(in_hand=(own["drawn_on"] > own["opened_on"]).to_numpy(), fleet=fleet)


def joined(parts: list[Scored]) -> Scored:
    """Several fleets as one."""
    return Scored(
        *(
            pd.concat([getattr(p, name) for p in parts], ignore_index=True)
            for name in ("bottles", "faults", "months", "pages")
        )
    )


def recall_at(s: Scored) -> list[tuple[float, float, float, int]]:
    """(false share, recall, its standard error, faults) of findable faults that failed."""
    failed = s.faults[(s.faults["how"] == "failed") & s.faults["findable"]]
    false = s.bottles.loc[s.bottles["faultless"], "p_fault"].to_numpy()
    rows = []
    for share in FALSE_SHARES:
        threshold = np.quantile(false, 1 - share)
        r = float((failed["best"] > threshold).mean())
        rows.append((share, r, np.sqrt(r * (1 - r) / max(len(failed), 1)), len(failed)))
    return rows


def by_cause(s: Scored, threshold: float) -> pd.DataFrame:
    """Findable failed faults by cause: number, share found at 1 % false, at .5, with alerts at .15, and with repeats
    asked for.
    """
    failed = s.faults[(s.faults["how"] == "failed") & s.faults["findable"]].copy()
    failed["at_1pct"], failed["alarm"], failed["alert"] = (failed["best"] > t for t in (threshold, 0.5, 0.15))
    failed["repeat"] = failed["alert"] | (failed["odd"] > 0.5)
    return failed.groupby("cause").agg(
        n=("best", "size"), **{c: (c, "mean") for c in ("at_1pct", "alarm", "alert", "repeat")}
    )


def reliability(p: pd.Series, true: pd.Series) -> pd.DataFrame:
    """Stated chance against true share by class, with the share's standard error."""
    rows = pd.DataFrame({"p": p, "true": true.astype(float), "class": np.digitize(p, CLASSES)})
    out = rows.groupby("class").agg(n=("p", "size"), stated=("p", "mean"), true=("true", "mean"))
    return out.assign(se=np.sqrt(out["true"] * (1 - out["true"]) / out["n"]))


def figures(s: Scored) -> dict[str, float]:
    """One line of figures."""
    b, p = s.bottles, s.bottles["p_fault"].clip(1e-6, 1 - 1e-6)
    out = {f"recall {share:.1%}": r for share, r, _, _ in recall_at(s)}
    alarm = b["p_fault"] >= 0.5
    failed = s.faults[(s.faults["how"] == "failed") & s.faults["findable"]]
    after = b.sort_values(["fleet", "compartment", "drawn_on", "order"], kind="stable")
    prior_bad = after.groupby(["fleet", "compartment"])["badly"].shift(1).eq(True) & ~after["badly"] & ~after["active"]
    named = b[alarm & b["active"]]
    m = s.months
    return out | {
        "faults": len(failed), "precision .5": float(b.loc[alarm, "active"].mean()),
        "recall .5": float((failed["best"] >= 0.5).mean()),
        "recall .15": float((failed["best"] >= 0.15).mean()),
        "repeat": float(((failed["best"] >= 0.15) | (failed["odd"] > 0.5)).mean()),
        "false .5": float((b.loc[b["faultless"], "p_fault"] >= 0.5).mean()),
        "false .15": float((b.loc[b["faultless"], "p_fault"] >= 0.15).mean()),
        "false repeat": float(((b["p_fault"] >= 0.15) | (b["p_good"] < 0.5))[b["faultless"]].mean()),
        "Brier": float(((p - b["active"]) ** 2).mean()), "log": float(-np.log(np.where(b["active"], p, 1 - p)).mean()),
        "after bad": float((after.loc[prior_bad, "p_fault"] >= 0.5).mean()),
        "bad": float((b.loc[b["badly"] & ~b["active"], "p_fault"] >= 0.5).mean()),
        "month true": float(m.loc[m["p_fault"] >= 0.5, "active"].mean()),
        "month stated": float(m.loc[m["p_fault"] >= 0.5, "p_fault"].mean()),
        "month active": float((m.loc[m["active"] & m["in_hand"], "p_fault"] >= 0.5).mean()),
        "half way": float((m.loc[m["active"] & m["in_hand"] & (m["way"] > 0.5), "p_fault"] >= 0.5).mean()),
        "month Brier": float(((m["p_fault"] - m["active"]) ** 2).mean()), "n named": len(named),
    }  # fmt: skip


def report(s: Scored) -> None:
    """Print the figures as markdown."""
    values = figures(s)
    failed = [f"{share:.1%}: {r:.3f} ({se:.3f})" for share, r, se, _ in recall_at(s)]
    print(
        f"Bottles {len(s.bottles)}, failed faults with a bottle {values['faults']:.0f}. Recall at false share: "
        f"{', '.join(failed)}\n"
    )
    print("\n".join(f"- {name}: {value:.4f}" for name, value in values.items()))
    false = s.bottles.loc[s.bottles["faultless"], "p_fault"]
    print("\nBy cause\n", by_cause(s, float(np.quantile(false, 0.99))).round(2).to_string())
    print(
        "\nBottles, stated against true\n", reliability(s.bottles["p_fault"], s.bottles["active"]).round(4).to_string()
    )
    print("\nMonth ends as the pages say them\n")
    print("\n".join(f"- {name}: {value:.4f}" for name, value in month_figures(s.pages).items()))
    print(
        "\nMonth ends, stated against true\n", reliability(s.months["p_fault"], s.months["active"]).round(4).to_string()
    )


def main(cache: str = "", name: str = "by chance alone", *seeds: str) -> None:
    """Score the fleets of these seeds together (one, when none is given): a variation of the recipe, or `without CAUSE`
    on fleets in which nobody acts. cache: kept in the folder of temporary files by default.
    """
    cache, seeds = cache or str(Path(gettempdir()) / "judged fleets"), seeds or ("234",)
    began = time.process_time()
    left_out = name.removeprefix("without ") if name.startswith("without ") else ""
    variation = "nobody acts" if left_out else name
    parts = []
    for seed in seeds:
        folder = fleet_folder(Path(cache), variation, int(seed))
        g = given(folder)
        parts.append(score(folder, g, *judged(g, frozenset([left_out]) if left_out else frozenset())))
    print(f"\n## {name}, seeds {' '.join(seeds)}\n")
    report(joined(parts))
    print(f"\nCPU {time.process_time() - began:.0f} s")


if __name__ == "__main__":
    main(*sys.argv[1:])
