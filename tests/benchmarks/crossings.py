"""When a level is reached: what the forecast said, held against what came. For the fleets of `other_fleets.py`, whose
true levels are known, and for real paths: fatigue cracks, which speed up, and lasers, which do not (tests/data). These
are written as a fleet's files in which each specimen is a final drive with a bottle at every reading.
"""

import tempfile
from dataclasses import dataclass
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

START, EVERY_DAYS = pd.Timestamp("2023-01-02"), 40


@dataclass(frozen=True)
class Measured:
    """A file of tests/data with paths of several specimens: its columns, the value every path begins at, ppm of iron
    per unit of value, and the running hours that stand for the step between readings."""

    file: str
    specimen: str
    value: str
    begins: float
    ppm_per_unit: float
    every_h: float

    def paths(self) -> dict[int, np.ndarray]:
        """Each specimen's path, ppm, from its first reading on."""
        table = pd.read_csv(Path(__file__).parent.parent / "data" / self.file)
        return {
            int(str(k)): (self.ppm_per_unit * (own[self.value] - self.begins)).to_numpy()
            for k, own in table.groupby(self.specimen)
        }


CRACKS = Measured("lu_meeker_cracks.csv", "specimen", "size_inch", 0.90, 100.0, 500.0)  # 10,000 cycles are 500 h
LASERS = Measured("meeker_lasers.csv", "laser", "increase_percent", 0.0, 10.0, 250.0)
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


def write_measured(folder: Path, of: Measured) -> None:
    """The paths as a fleet's files: a machine with one final drive each, a bottle at every reading after the first."""
    paths = of.paths()
    place = {k: f"M{k:02d}/final drive" for k in paths}
    machines = [f"M{k:02d}" for k in paths]
    tables = {
        "sites": pd.DataFrame({"site": ["site"], "time_zone": ["Etc/UTC"], "downtime_cost_per_h": [300]}),
        "machines": pd.DataFrame({"machine": machines, "site": "site", "kind": "excavator", "size_class": "medium",
        "in_service_on": START}),
        "compartments": pd.DataFrame({"compartment": list(place.values()), "machine": machines, "kind": "final drive",
        "position": "", "capacity_l": 18, "pressurised": "false", "fluid": "drive oil", "grade": "SAE 50",
        "sample_every_h": of.every_h, "change_every_h": 20000, "fitted_on": START}),
    }  # fmt: skip
    bottles, meters = [], []
    for k, path in paths.items():
        for n, iron in enumerate(path):
            day, hours = START + pd.Timedelta(days=EVERY_DAYS * n), of.every_h * n
            meters.append({"machine": f"M{k:02d}", "read_on": day, "meter_h": hours})
            bottles.append(
                {"sample": f"{k}-{n}", "compartment": place[k], "drawn_on": day, "meter_h": hours, "fluid_h": hours,
                "reported_on": day + pd.Timedelta(days=5), "lab": "A", "Fe_ppm": f"{iron:.0f}"}
            )  # fmt: skip
    tables |= {"samples": pd.DataFrame([b for b in bottles if b["fluid_h"] > 0]), "meters": pd.DataFrame(meters)}
    (folder / "fleet.toml").write_text('name = "Measured paths"\ncurrency = "EUR"\n', encoding="utf-8")
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d")


def measured_chances(of: Measured, readings: tuple[int, ...], aways_h: tuple[float, ...]) -> pd.DataFrame:
    """:func:`chances_at_crossing` of all paths as known after each of so many readings, for each distance away_h."""
    with tempfile.TemporaryDirectory() as folder:
        write_measured(Path(folder), of)
        fleet = load_fleet(folder)
    parts = []
    for n in readings:
        learnt, wear, known = fitted(fleet, START + pd.Timedelta(days=EVERY_DAYS * n + 10))
        ahead = {
            (f"M{k:02d}/final drive", "Fe_ppm"): (of.every_h * np.arange(len(path) - n), path[n:])
            for k, path in of.paths().items()
            if len(path) > n + 1
        }
        for away_h in aways_h:
            found = chances_at_crossing(learnt, wear, known, ahead, away_h)
            parts.append(found.assign(readings=n, away_h=away_h))
    return pd.concat(parts, ignore_index=True)
