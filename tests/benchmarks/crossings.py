"""When a level is reached: what the forecast said, held against what came. For the fleets of `other_fleets.py`, whose
true levels are known, and for real paths that speed up: fatigue cracks (tests/data/lu_meeker_cracks.csv), written as a
fleet's files in which each specimen is a final drive, 10,000 cycles are 500 h, and .01 inch above .90 is 1 ppm of iron.
"""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from cmkit.learn import learn
from cmkit.learnt import Learnt
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.trust.hours import running_hours
from cmkit.wear.fit import Wear, fit_wear
from cmkit.wear.forecast import chance_above, states_ahead
from cmkit.wear.rates import Filtered

CRACKS = Path(__file__).parent.parent / "data" / "lu_meeker_cracks.csv"
START, EVERY_H, EVERY_DAYS = pd.Timestamp("2023-01-02"), 500.0, 40
_NEW = 0.90  # inch, where every specimen begins
Path_ = tuple[np.ndarray, np.ndarray]  # hours from now, true level (ppm)


def fitted(fleet: Fleet, day: str | pd.Timestamp) -> tuple[Learnt, Wear, Fleet]:
    """What is learnt and fitted from what was known on a day."""
    learnt, known = learn(fleet, day), fleet.as_of(day)
    return learnt, fit_wear(known, running_hours(known), learnt), known


def chances_at_crossing(
    learnt: Learnt, wear: Wear, known: Fleet, paths: dict[tuple[str, str], Path_], away_h: float
) -> pd.DataFrame:
    """compartment, analyte and chance: what the forecast gave, at the moment when the path reached the level that the
    present rate reaches in `away_h` hours, to its having been reached. A path that ends before has the chance of its
    end, and reached False.

    paths: by compartment and analyte. Of true chances .05 lie below .05 and .05 above .95.
    """
    growth = Filtered(wear.history, wear.growth)
    last, state = states_ahead(known, wear.exposure, growth, running_hours(known).use, learnt)
    limit = state.level + away_h * state.rate
    keys = list(zip(last["compartment"], last["analyte"], strict=True))
    when = np.array([_crossing(*paths[key], limit[i]) if key in paths else np.nan for i, key in enumerate(keys)])
    ends = np.array([paths[key][0][-1] if key in paths else 0.0 for key in keys])
    chance = chance_above(state, limit, np.where(np.isnan(when), ends, when))
    out = pd.DataFrame({"compartment": last["compartment"], "analyte": last["analyte"], "chance": chance})
    return out.assign(reached=~np.isnan(when))[[key in paths for key in keys]]


def _crossing(hours: np.ndarray, level: np.ndarray, limit: float) -> float:
    """Hours until a path reaches a limit, straight between its points; NaN where it ends before."""
    over = np.flatnonzero(level >= limit)
    if not len(over):
        return np.nan
    k = over[0]
    return 0.0 if k == 0 else float(np.interp(limit, level[k - 1 : k + 1], hours[k - 1 : k + 1]))


def cracks() -> dict[int, np.ndarray]:
    """Growth of each crack, ppm as said above, from the first reading on."""
    table = pd.read_csv(CRACKS)
    return {int(k): (100 * (own["size_inch"] - _NEW)).to_numpy() for k, own in table.groupby("specimen")}


def write_cracks(folder: Path) -> None:
    """The cracks as a fleet's files: a machine with one final drive each, a bottle at every reading."""
    grown = cracks()
    place = {k: f"M{k:02d}/final drive" for k in grown}
    machines = [f"M{k:02d}" for k in grown]
    tables = {
        "sites": pd.DataFrame({"site": ["site"], "time_zone": ["Etc/UTC"], "downtime_cost_per_h": [300]}),
        "machines": pd.DataFrame({"machine": machines, "site": "site", "kind": "excavator", "size_class": "medium",
        "in_service_on": START}),
        "compartments": pd.DataFrame({"compartment": list(place.values()), "machine": machines, "kind": "final drive",
        "position": "", "capacity_l": 18, "pressurised": "false", "fluid": "drive oil", "grade": "SAE 50",
        "sample_every_h": EVERY_H, "change_every_h": 20000, "fitted_on": START}),
    }  # fmt: skip
    bottles, meters = [], []
    for k, size in grown.items():
        for n, iron in enumerate(size):
            day, hours = START + pd.Timedelta(days=EVERY_DAYS * n), EVERY_H * n
            meters.append({"machine": f"M{k:02d}", "read_on": day, "meter_h": hours})
            bottles.append(
                {"sample": f"{k}-{n}", "compartment": place[k], "drawn_on": day, "meter_h": hours, "fluid_h": hours,
                "reported_on": day + pd.Timedelta(days=5), "lab": "A", "Fe_ppm": f"{iron:.0f}"}
            )  # fmt: skip
    tables |= {"samples": pd.DataFrame([b for b in bottles if b["fluid_h"] > 0]), "meters": pd.DataFrame(meters)}
    (folder / "fleet.toml").write_text('name = "Cracks"\ncurrency = "EUR"\n', encoding="utf-8")
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d")


def crack_chances(readings: tuple[int, ...], away_h: float) -> pd.DataFrame:
    """:func:`chances_at_crossing` of all cracks as known after each of so many readings."""
    with tempfile.TemporaryDirectory() as folder:
        write_cracks(Path(folder))
        fleet = load_fleet(folder)
    parts = []
    for n in readings:
        parts_of_day = fitted(fleet, START + pd.Timedelta(days=EVERY_DAYS * n + 10))
        ahead = {
            (f"M{k:02d}/final drive", "Fe_ppm"): (EVERY_H * np.arange(len(size) - n), size[n:])
            for k, size in cracks().items()
            if len(size) > n + 1
        }
        parts.append(chances_at_crossing(*parts_of_day, ahead, away_h).assign(readings=n))
    return pd.concat(parts, ignore_index=True)
