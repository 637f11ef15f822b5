"""Wrong drums, grades and top-ups, against invented fluids whose contents the test chose. Grades: ISO 3448 (VG 46: 41.4
to 50.6 mm2/s at 40 C) and SAE J300 (40: 12.5 to 16.3 at 100 C, from memory).
"""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from cmkit.fluids.viscosity import grade_range
from cmkit.practice.stock import DRUM, GRADE, PATH, TOPPED, UNKNOWN, leak_paths, mixed_fluids, stock_findings
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import check
from cmkit.trust.fluid import check_fluids, learn_fluids
from tests.lengths import short_or_full

DAY = pd.Timestamp("2026-06-30")
# mg/kg and mm2/s of three invented products
PRODUCTS = {
    "engine oil SAE 15W-40": {"P_ppm": 1100, "Zn_ppm": 1250, "Ca_ppm": 2400, "Mg_ppm": 120, "B_ppm": 90, "Mo_ppm": 60,
                              "visc40_cSt": 105, "visc100_cSt": 14.3},
    "drive oil SAE 30": {"P_ppm": 960, "Zn_ppm": 1080, "Ca_ppm": 3200, "Mg_ppm": 12, "B_ppm": 4, "Mo_ppm": 2,
                         "visc40_cSt": 95, "visc100_cSt": 10.8},
    "hydraulic oil ISO VG 46": {"P_ppm": 340, "Zn_ppm": 430, "Ca_ppm": 55, "Mg_ppm": 3, "B_ppm": 1, "Mo_ppm": 1,
                                "visc40_cSt": 46, "visc100_cSt": 6.8},
}  # fmt: skip
KINDS = {"engine": "engine oil SAE 15W-40", "transmission": "drive oil SAE 30", "hydraulic": "hydraulic oil ISO VG 46"}
MACHINES = 8
ROUNDS = 8


def content(rng: np.random.Generator, product: str, other: str = "", share: float = 0.0) -> dict[str, float]:
    """A bottle: elements mix by mass, viscosity by its logarithm; scatter of 6 %, of viscosity 1.5 %."""
    out = {}
    for mark, value in PRODUCTS[product].items():
        thick = mark.startswith("visc")
        foreign = PRODUCTS[other][mark] if other else value
        mixed = (
            np.exp((1 - share) * np.log(value) + share * np.log(foreign))
            if thick
            else value + share * (foreign - value)
        )
        out[mark] = round(float(mixed * np.exp((0.015 if thick else 0.06) * rng.standard_normal())), 1 if thick else 0)
    return out


def fleet(make_fleet: Callable[..., Fleet], seed: int, wrong: dict[str, tuple[str, float]] | None = None,
    services: list[dict] | None = None) -> Fleet:  # fmt: skip
    """Two sites of eight machines, a bottle of each compartment every 25 days; wrong: compartment -> other product and
    its share in the newest bottle.
    """
    rng = np.random.default_rng(seed)
    machines = [{"machine": f"M{n:02d}", "site": ("north", "south")[n % 2]} for n in range(2 * MACHINES)]
    places, samples = [], []
    for m in machines:
        for kind, product in KINDS.items():
            fluid, grade = product.split(" oil ")
            place = {"compartment": f"{m['machine']}/{kind}", "machine": m["machine"], "kind": kind,
                     "fluid": f"{fluid} oil", "grade": grade}  # fmt: skip
            places.append(place)
            for n in range(ROUNDS):
                newest = n == ROUNDS - 1
                other, share = (wrong or {}).get(place["compartment"], ("", 0.0)) if newest else ("", 0.0)
                drawn = DAY - pd.Timedelta(days=25 * (ROUNDS - 1 - n) + int(rng.integers(0, 20)))
                samples.append({"sample": f"{place['compartment']}-{n}", "compartment": place["compartment"],
                                "drawn_on": drawn} | content(rng, product, other, share))  # fmt: skip
    return make_fleet(sites=[{"site": "north"}, {"site": "south"}], machines=machines, compartments=places,
                      samples=samples, services=services or []).as_of(DAY)  # fmt: skip


def checked(known: Fleet) -> pd.DataFrame:
    return check_fluids(known, learn_fluids(known, known.settings.trust))


def exposed(known: Fleet, fluid_h: float = 100.0) -> pd.DataFrame:
    return known.samples[["sample", "compartment", "drawn_on"]].assign(fluid_h=fluid_h)


def found(known: Fleet) -> pd.DataFrame:
    out = stock_findings(known, checked(known), exposed(known))
    check(out, "stock")
    return out


def test_a_wrong_drum_is_named_within_five_bottles(make_fleet) -> None:
    """Five transmissions of one site changed with hydraulic oil, a tenth of the old fluid left: named with its site,
    its product and what it looks like, in each of 20 fleets.
    """
    for seed in range(500, 520):
        wrong = {f"M{n:02d}/transmission": ("hydraulic oil ISO VG 46", 0.9) for n in (1, 3, 5, 7, 9)}
        (row,) = found(fleet(make_fleet, seed, wrong)).itertuples()
        assert (row.what, row.site, row.product, row.like) == (
            DRUM, "south", "drive oil SAE 30", "hydraulic oil ISO VG 46")  # fmt: skip
        assert row.n == 5
        assert row.by_luck < 1e-6
        assert 0.8 < row.share <= 1.0


def test_a_drum_used_for_topping_up_is_named_too(make_fleet) -> None:
    """A third of another oil in five compartments: in 9 of 10 fleets (a fifth: in 6, a limit of the single bottle)."""
    named = 0
    for seed in range(520, 530):
        wrong = {f"M{n:02d}/transmission": ("hydraulic oil ISO VG 46", 0.35) for n in (1, 3, 5, 7, 9)}
        out = found(fleet(make_fleet, seed, wrong))
        named += list(out["like"]) == ["hydraulic oil ISO VG 46"]
    assert named >= 9


def test_one_compartment_alone_is_no_drum(make_fleet) -> None:
    assert not len(found(fleet(make_fleet, 3, {"M01/transmission": ("hydraulic oil ISO VG 46", 0.9)})))


@short_or_full("runs", 40, 200)
def test_clean_fleets_are_not_accused(make_fleet, runs: int) -> None:
    """Clean runs of two sites and three products: 5 % at most with any finding."""
    assert sum(len(found(fleet(make_fleet, seed))) > 0 for seed in range(2000, 2000 + runs)) <= 0.05 * runs


def test_a_grade_that_is_not_the_labels(make_fleet) -> None:
    """A site labels its VG 46 as VG 68 (61.2 to 74.8 mm2/s): below the grade."""
    known = fleet(make_fleet, 5)
    south = known.machines.loc[known.machines["site"] == "south", "machine"]
    mine = known.compartments["machine"].isin(south) & (known.compartments["kind"] == "hydraulic")
    known.compartments.loc[mine, "grade"] = "ISO VG 68"
    out = stock_findings(known, checked(known), exposed(known))
    (row,) = out[out["what"] == GRADE].itertuples()
    assert (row.site, row.product) == ("south", "hydraulic oil ISO VG 68")
    assert "all lie below the grade: 46" in row.words
    assert "61.2 to 74.8 wanted" in row.words
    assert GRADE not in set(stock_findings(known, checked(known), exposed(known, 2000.0))["what"])


@pytest.mark.parametrize(
    ("grade", "wanted"),
    [
        ("ISO VG 46", ("visc40_cSt", 41.4, 50.6)),
        ("SAE 15W-40", ("visc100_cSt", 12.5, 16.3)),
        ("SAE 80W-90", ("visc100_cSt", 13.5, 18.5)),
    ],
)
def test_ranges_of_grades(grade, wanted) -> None:
    assert grade_range(grade) == wanted
    assert grade_range("glycol 50 %")[0] == ""


def test_a_leak_is_named_with_its_way_and_a_mixture_without_one_is_not(make_fleet) -> None:
    known = fleet(make_fleet, 8, {"M01/transmission": ("hydraulic oil ISO VG 46", 0.3)})
    out = mixed_fluids(known, checked(known))
    check(out, "mixed_fluids")
    row = out[out["compartment"] == "M01/transmission"].iloc[0]
    assert (row["what"], row["source"]) == (PATH, "M01/hydraulic")
    assert leak_paths()[("hydraulic", "transmission")] in row["words"]
    alone = Fleet(**{**vars(known), "compartments": known.compartments[known.compartments["kind"] == "transmission"]})
    out = mixed_fluids(alone, checked(known)[lambda c: c["compartment"].str.endswith("transmission")])
    assert set(out.loc[out["compartment"] == "M01/transmission", "what"]) == {UNKNOWN}


def test_a_top_up_with_another_fluid_is_listed(make_fleet) -> None:
    def add(service: str, days: int, kind: str, fluid: str, grade: str) -> dict:
        on = DAY - pd.Timedelta(days=days)
        return {"service": service, "compartment": "M02/engine", "done_on": on, "kind": kind, "fluid": fluid,
                "grade": grade, "volume_l": 4.0}  # fmt: skip

    services = [
        add("a", 90, "top-up", "engine oil", "SAE 15W-40"),
        add("b", 80, "top-up", "drive oil", "SAE 30"),
        add("c", 70, "change", "engine oil", "SAE 10W-30"),
        add("d", 60, "top-up", "engine oil", "SAE 15W-40"),
        add("e", 50, "top-up", "", ""),
        add("f", 900, "top-up", "drive oil", "SAE 30"),
    ]
    known = fleet(make_fleet, 9, services=services)
    out = mixed_fluids(known, checked(known))
    out = out[out["what"] == TOPPED]
    assert list(out["like"]) == ["drive oil SAE 30", "engine oil SAE 15W-40"]
    assert out["words"].iloc[0].startswith("4.0 l of drive oil SAE 30 added to engine oil SAE 15W-40")
