"""An invented fleet as files: a fleet folder like any other, with the recipe and the truth beside it."""

from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
from pandas.api.types import is_datetime64_any_dtype, is_numeric_dtype

from cmkit.files import written_folder
from cmkit.records.analytes import analyte_register, below
from cmkit.simulate.invented_fleet import simulate_fleet
from cmkit.simulate.recipe import Mistake, Recipe, demo_recipe, read_recipe
from cmkit.tables.records import TABLES

__all__ = ["demo_recipe", "read_recipe", "write_fleet"]

_TRUTH_NOTE = """What was really so in this invented fleet: rates, faults, exchanged and badly drawn bottles, lost top-up records, money.
For tests and for the guides only. Nothing that estimates reads this folder, and nothing of it is known to the fleet's office.

Seed: {seed}
"""
# The other laboratory's headings -> (our analyte, its unit over ours); percent of water, thousands of particles and
# so on.
_THEIR_HEADINGS = {
    "water_ppm": ("Water %", 1e-4),
    "p4_per_ml": ("Particles >4 per 100 ml", 100.0),
    "p6_per_ml": ("Particles >6 per 100 ml", 100.0),
    "p14_per_ml": ("Particles >14 per 100 ml", 100.0),
}
_THEIR_METHODS = {"pump": "vacuum pump", "probe": "valve", "drain stream": "from the drain", "other": "other", "": ""}
_THEIR_LEVELS = {"full": "ok", "low": "low", "over": "too high", "": ""}


def write_fleet(recipe: Recipe, folder: Path, seed: int | None = None) -> None:
    """Write an invented fleet into `folder`: fleet.toml, the tables as CSV, a second laboratory's files, recipe.toml
    and truth/.

    The same recipe and seed write the same bytes. Raises WriteError where the folder holds anything: nothing is written
    over.
    """
    recipe = recipe if seed is None else replace(recipe, seed=seed)
    with written_folder(folder) as aside:  # a folder that holds anything is refused before the work
        _write_all(recipe, *simulate_fleet(recipe), aside)


def _write_all(recipe: Recipe, tables: dict[str, pd.DataFrame], truth: dict[str, pd.DataFrame], folder: Path) -> None:
    _write_text(folder / "fleet.toml", recipe.fleet_toml)
    if recipe.text:
        _write_text(folder / "recipe.toml", recipe.text)
    _write_csv(folder / "decisions.csv", tables["decisions"])
    for name in ("sites", "machines", "compartments", "services", "meters", "findings", "corrections"):
        _write_csv(folder / f"{name}.csv", _mistyped(_filled(tables[name]), name, recipe.mistakes))
    layouts = {x.laboratory: x.layout for x in recipe.laboratories}
    for (lab, quarter), bottles in _by_quarter(tables["samples"]):
        if layouts[lab]:
            _write_theirs(folder / "inbox" / f"{layouts[lab]}-{quarter}.csv", bottles)
        else:
            _write_csv(
                folder / "samples" / f"{lab.lower().replace(' ', '-')}-{quarter}.csv",
                _mistyped(our_cells(bottles), "samples", recipe.mistakes),
            )
    for layout in filter(None, layouts.values()):
        _write_text(folder / "layouts" / f"{layout}.toml", _layout_text(layout, tables["samples"]))
    _write_text(folder / "truth" / "README.txt", _TRUTH_NOTE.format(seed=recipe.seed))
    for name, frame in truth.items():
        _write_csv(folder / "truth" / f"{name}.csv", _rounded(frame))


def _by_quarter(samples: pd.DataFrame) -> Iterator[tuple[tuple[str, str], pd.DataFrame]]:
    """Bottles by laboratory and quarter of the report, in order of report and number."""
    when = samples["reported_on"]
    quarter = when.dt.year.astype(str) + "-q" + when.dt.quarter.astype(str)
    ordered = samples.assign(quarter=quarter).sort_values(["reported_on", "sample"], kind="stable")
    return ((key, rows.drop(columns="quarter")) for key, rows in ordered.groupby(["lab", "quarter"]))


def our_cells(samples: pd.DataFrame) -> pd.DataFrame:
    """Samples as cells of our own form: '<1' for a result below its limit; columns that nobody filled are left out."""
    out = samples[TABLES["samples"].names].copy()
    for analyte in analyte_register().index:
        if samples[analyte].notna().any():
            out[analyte] = _cells(samples[analyte], samples[below(analyte)], analyte, 1.0, ".", word="<{}")
    return _filled(out)


def _filled(frame: pd.DataFrame) -> pd.DataFrame:
    """Without the columns that nobody filled; a table without rows keeps all of them."""
    return frame.loc[:, ~(frame.isna() | (frame == "")).all()] if len(frame) else frame


def _cells(values: pd.Series, under: pd.Series, analyte: str, times: float, decimal: str, *, word: str) -> list[str]:
    decimals = int(analyte_register().loc[analyte, "decimals"]) - round(np.log10(times))
    texts = [
        f"{round(v * times, decimals):.{max(decimals, 0)}f}".replace(".", decimal) if v == v else "" for v in values
    ]
    return [word.format(t) if b else t for t, b in zip(texts, under, strict=True)]


def _write_theirs(path: Path, samples: pd.DataFrame) -> None:
    """The other laboratory's file: semicolons, decimal commas, day first, its own headings and words."""
    place = samples["compartment"].str.split("/", n=2, expand=True).reindex(columns=range(3)).fillna("")
    out = pd.DataFrame(
        {
            "Bottle no.": samples["sample"],
            "Unit no.": place[0],
            "Component": place[1],
            "Side": place[2],
            "Date drawn": samples["drawn_on"].dt.strftime("%d.%m.%Y"),
            "Unit hours": _whole(samples["meter_h"]),
            "Fluid hours": _whole(samples["fluid_h"]),
            "Added litres": [f"{v:.1f}".replace(".", ",") if v == v else "" for v in samples["makeup_l"]],
            "Drawn with": samples["method"].map(_THEIR_METHODS),
            "Drawn by": samples["sampler"],
            "Level": samples["fluid_level"].map(_THEIR_LEVELS),
            "Date received": samples["received_on"].dt.strftime("%d.%m.%Y"),
            "Date of report": samples["reported_on"].dt.strftime("%d.%m.%Y"),
            "Remark": samples["note"],
        }
    )
    for analyte in _reported(samples):
        heading, times = _their_heading(analyte)
        nothing = "<{}" if analyte_register().loc[analyte, "group"] == "wear metal" else "n.d."
        out[heading] = _cells(samples[analyte], samples[below(analyte)], analyte, times, ",", word=nothing)
    path.parent.mkdir(parents=True, exist_ok=True)
    out.to_csv(path, index=False, sep=";", lineterminator="\n")


def _whole(values: pd.Series) -> list[str]:
    return [f"{v:.0f}" if v == v else "" for v in values]


def _reported(samples: pd.DataFrame) -> list[str]:
    return [a for a in analyte_register().index if samples[a].notna().any()]


def _their_heading(analyte: str) -> tuple[str, float]:
    row = analyte_register().loc[analyte]
    unit = "" if row["unit"] == "1" else f" {row['unit'].replace('ppm', 'mg/kg')}"
    return _THEIR_HEADINGS.get(analyte, (f"{row['name'][:1].upper()}{row['name'][1:]}{unit}", 1.0))


def _layout_text(layout: str, samples: pd.DataFrame) -> str:
    """The layout file that reads the other laboratory's files."""
    lab = layout.replace("_", " ").title()
    lines = []
    for analyte in _reported(samples):
        heading, times = _their_heading(analyte)
        unit = {1e-4: "%", 100.0: "1/100ml"}.get(times, "")
        lines.append(f'"{heading}" = {{ to = "{analyte}", unit = "{unit}" }}' if unit else f'"{heading}" = "{analyte}"')
    template = files("cmkit.simulate").joinpath("layout.toml").read_text(encoding="utf-8")
    return template.replace("LAYOUT", layout).replace("LABORATORY", lab).replace("# RESULTS", "\n".join(lines))


def _mistyped(frame: pd.DataFrame, name: str, mistakes: list[Mistake]) -> pd.DataFrame:
    """The frame with the recipe's typing mistakes in it; a column that holds one becomes text."""
    out = frame.copy()
    for mistake in mistakes:
        rows = out[TABLES[name].key[0]] == mistake.key
        if mistake.table != name or mistake.column not in out or not rows.any():
            continue
        if is_numeric_dtype(out[mistake.column]):
            out[mistake.column] = [f"{v:g}" if v == v else "" for v in out[mistake.column]]
        elif is_datetime64_any_dtype(out[mistake.column]):
            out[mistake.column] = out[mistake.column].dt.strftime("%Y-%m-%d")
        out[mistake.column] = out[mistake.column].where(~rows, mistake.typed)
    return out


def _rounded(frame: pd.DataFrame) -> pd.DataFrame:
    """Numbers to five figures, so that the truth stays small."""
    out = frame.copy()
    for name in out.select_dtypes("float"):
        out[name] = [float(f"{v:.5g}") if abs(v) < 1000 else round(v, 1) for v in out[name]]
    return out


def _write_csv(path: Path, frame: pd.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    out = frame.copy()
    for name in out.select_dtypes("float"):
        if (out[name].dropna() % 1 == 0).all():
            out[name] = _whole(out[name])
    for name in out.select_dtypes("boolean"):
        out[name] = out[name].map({True: "true", False: "false"})
    out.to_csv(path, index=False, date_format="%Y-%m-%d", lineterminator="\n")


def _write_text(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")
