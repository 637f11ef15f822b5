"""What each way of judging is worth when its orders are followed: failures, looks in vain, bottles, money; same faults
for every policy.

    python tests/benchmarks/closed_loop.py CACHE [choose 101-103] [report 201-212] [every 14] [policies
    nobody,naive,ours] [faults 1]

Every run (policy, threshold, seed) is kept in the folder CACHE and not made again, so the page can be built up in
pieces. Thresholds of the naive rules are the cheapest on the choosing seeds. The page `closed_loop.md` says which seeds
were used for what.
"""

import hashlib
import json
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from policies import RULES, Ours, OursWithIntervals, naive, nobody

from cmkit.simulate.closed_loop import Policy, run_closed_loop, smaller
from cmkit.simulate.recipe import Recipe, demo_recipe

MACHINES = ["RH-01", "WL-01", "EX-01", "BD-01", "WL-04", "EX-03", "EX-04", "MG-01"]
FIRST_ON = date(2024, 9, 1)  # eight months of records before anybody acts
COUNTS = ["failures", "looks_in_vain", "repairs", "noticed", "repeats", "bottles", "downtime_h", "cost"]


def loop_recipe(seed: int, faults: float) -> Recipe:
    """Eight machines of the demo's three sites, 45 compartments; `faults` times the demo's fault rate."""
    recipe = replace(smaller(demo_recipe(), MACHINES), seed=seed)
    kinds = {name: replace(k, fault_per_h=faults * k.fault_per_h) for name, k in recipe.compartments.items()}
    return replace(recipe, compartments=kinds)


def policies(words: list[str]) -> dict[str, dict[str, Policy]]:
    """Policies asked for: name -> variant -> policy (a class of them: one instance a run). `naive` stands for all naive
    rules, each of which may also be named.
    """
    known: dict[str, dict[str, Policy]] = {
        "nobody": {"": nobody},
        "ours": {"": Ours},
        "ours with intervals": {"": OursWithIntervals},
    }
    rules: dict[str, dict[str, Policy]] = {}
    for name, tried in RULES.items():
        rules[name] = {f"{t:g}": naive(tried.rule, t) for t in tried.thresholds}
        rules[name] |= {f"{t:g}, look at once": naive(tried.rule, t, at_once=True) for t in tried.at_once}
    names = [name for word in words for name in (rules if word == "naive" else [word])]
    return {name: (rules | known)[name] for name in names}


def run(name: str, variant: str, policy: Policy, recipe: Recipe, every_days: int, cache: Path) -> dict[str, float]:
    """Totals of one fleet under one policy, from the cache where it was run before."""
    key = hashlib.sha256(repr((name, variant, recipe, every_days, FIRST_ON)).encode()).hexdigest()[:20]
    path = cache / f"{name.replace(' ', '_').replace(',', '')}-{recipe.seed}-{key}.json"
    if not path.exists():
        fresh = policy() if isinstance(policy, type) else policy
        done = run_closed_loop(recipe, fresh, first_on=FIRST_ON, every_days=every_days)
        totals = done.outcome.select_dtypes("number").sum().to_dict()
        cache.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(totals), encoding="utf-8")
        print(f"{name} {variant} seed {recipe.seed}: {totals['failures']:.0f} failed, {totals['cost']:,.0f}",
        file=sys.stderr, flush=True)  # fmt: skip
    return dict(json.loads(path.read_text(encoding="utf-8")))


def chosen(
    variants: dict[str, Policy], name: str, recipes: list[Recipe], every_days: int, cache: Path
) -> tuple[str, list[str]]:
    """The variant that costs least over the choosing fleets, and the figures of all as lines."""
    if len(variants) == 1:
        return next(iter(variants)), []
    cost = {v: np.mean([run(name, v, p, r, every_days, cache)["cost"] for r in recipes]) for v, p in variants.items()}
    best = min(cost, key=lambda v: cost[v])
    return best, [f"| {name} | {v} | {c:,.0f} |{' chosen' if v == best else ''} |" for v, c in cost.items()]


def summary(runs: pd.DataFrame, base: pd.DataFrame) -> dict[str, str]:
    """Figures per 100 compartment-years (money per compartment-year) with standard errors over fleets; saved: against
    nobody acting, paired.
    """
    per = runs[COUNTS].div(runs["years"], axis=0) * 100
    out = {c: f"{per[c].mean():.2f}{_bracket(per[c], '.2f')}" for c in COUNTS[:-1]}
    saved = (base["cost"] / base["years"]) - (runs["cost"] / runs["years"])
    out["money"] = f"{per['cost'].mean() / 100:,.0f}{_bracket(per['cost'] / 100, ',.0f')}"
    return out | {"saved against nobody": f"{saved.mean():,.0f}{_bracket(saved, ',.0f')}"}


def _bracket(values: pd.Series, form: str) -> str:
    """Standard error of a mean over fleets in brackets; empty for one fleet, which has none."""
    return f" ({values.std() / np.sqrt(len(values)):{form}})" if len(values) > 1 else ""


def compare(tables: dict[str, pd.DataFrame]) -> list[str]:
    """Ours against the naive policy that costs least on the reporting fleets themselves."""
    rivals = {name: t for name, t in tables.items() if name != "nobody" and not name.startswith("ours")}
    if "ours" not in tables or not rivals:
        return []
    best = min(rivals, key=lambda name: rivals[name]["cost"].sum())
    ours_, rival = tables["ours"], rivals[best]
    left = ours_["failures"].sum() / rival["failures"].sum()
    cost = ours_["cost"].sum() / rival["cost"].sum()
    draws = np.random.default_rng(1).integers(0, len(rival), (2000, len(rival)))

    def spread(column: str) -> str:
        if len(rival) == 1:
            return "one fleet, no standard error"
        a, b = ours_[column].to_numpy()[draws].sum(axis=1), rival[column].to_numpy()[draws].sum(axis=1)
        return f"se {np.std(a / np.maximum(b, 1)):.2f}, over fleets"

    return [
        f"Against {best}, the best naive policy on the reporting fleets: failures {left:.2f} times as many "
        f"({spread('failures')}), "
        f"cost {cost:.2f} times ({spread('cost')})."
    ]


def page(cache: Path, choose: list[int], report: list[int], every_days: int, words: list[str], faults: float) -> str:
    """The page as markdown."""
    choosing, reporting = ([loop_recipe(seed, faults) for seed in seeds] for seeds in (choose, report))
    tables, lines = {}, []
    for name, variants in policies(words).items():
        variant, tried = chosen(variants, name, choosing, every_days, cache)
        lines += tried
        label = f"{name} {variant}".strip()
        tables[label] = pd.DataFrame([run(name, variant, variants[variant], r, every_days, cache) for r in reporting])
    rows = {name: summary(t, tables.get("nobody", t)) for name, t in tables.items()}
    head = ["policy", *next(iter(rows.values()))]
    years = next(iter(tables.values()))["years"].sum()
    return "\n".join(
        [
            "# Closed loop: what comes of following the orders", "",
            f"{date.today().isoformat()}, `python tests/benchmarks/closed_loop.py CACHE` with thresholds chosen on "
            f"seeds {_words(choose)}, reported on "
            f"seeds {_words(report)}, orders every {every_days} days, {faults:g} times the demo's fault rate. Each "
            f"seed is a fleet of {len(MACHINES)} machines "
            f"(45 compartments); {years:,.0f} compartment-years in all. Figures per 100 compartment-years, money per "
            f"compartment-year (EUR of the demo), standard errors over fleets in "
            "brackets. Every policy meets the same faults. Invented fleets: shape only, no field fact.", "",
            "| " + " | ".join(head) + " |", "|" + "---|" * len(head),
            *("| " + " | ".join([name, *row.values()]) + " |" for name, row in rows.items()),
            "", *compare(tables), "", "## Thresholds tried on the choosing seeds: mean cost of a fleet", "", "| "
            "policy | threshold | cost | |", "|---|---|---|---|", *lines, "",
        ]
    )  # fmt: skip


def _words(seeds: list[int]) -> str:
    return f"{seeds[0]} to {seeds[-1]}" if len(seeds) > 1 else str(seeds[0])


def _seeds(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main(cache: str, *words: str) -> None:
    """CACHE and pairs of a word and its value; writes closed_loop.md beside this file."""
    given = dict(zip(words[::2], words[1::2], strict=True))
    asked = given.get("policies", "nobody,naive,ours").split(",")
    text = page(
        Path(cache), _seeds(given.get("choose", "101-103")), _seeds(given.get("report", "201-212")),
        int(given.get("every", "14")),
        asked, float(given.get("faults", "1")),
    )  # fmt: skip
    Path(given.get("page", str(Path(__file__).with_suffix(".md")))).write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main(*sys.argv[1:])
