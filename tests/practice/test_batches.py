"""The register of fresh-fluid batches against invented deliveries whose contents the test chose. Grades: ISO 3448
(VG 46: 41.4 to 50.6 mm2/s at 40 C).
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

from cmkit.practice.batches import (
    ALONE,
    CHANGED,
    DIFFERS,
    NO_RESULT,
    OFF_GRADE,
    UNREGISTERED,
    USUAL,
    batch_register,
    batch_results,
)
from cmkit.records.fleet import Fleet
from cmkit.tables.frames import check, empty
from tests.lengths import short_or_full, some_or_all

DAY = pd.Timestamp("2026-06-30")
FRESH = {"Ca_ppm": 55.0, "Zn_ppm": 430.0, "P_ppm": 340.0, "Si_ppm": 4.0, "Fe_ppm": 1.0, "B_ppm": 2.0, "Mg_ppm": 3.0,
         "visc40_cSt": 46.0, "visc100_cSt": 6.8, "TAN_mgKOH_g": 0.6, "water_ppm": 60.0}  # fmt: skip
LABORATORY = {"Si_ppm": 0.4, "Fe_ppm": 0.4, "water_ppm": 12.0, "B_ppm": 0.4}  # scatter in the analyte's unit


def deliveries(rng: np.random.Generator, n: int, between: float, other: dict[int, dict[str, float]]) -> list[dict]:
    """One bottle of each of n batches, a quarter apart. between: spread of their contents as a share (viscosity: a
    third of it); other: contents of single batches as a multiple of the usual.
    """
    rows = []
    for k in range(n):
        day = DAY - pd.Timedelta(days=30 + 60 * (n - 1 - k))
        row = {"baseline": f"N{k}", "batch": f"D-{k}", "site": ("north", "south")[k % 2], "fluid": "hydraulic oil",
               "grade": "ISO VG 46", "delivered_on": day, "drawn_on": day + pd.Timedelta(days=1), "lab": "own",
               "reported_on": day + pd.Timedelta(days=8)}  # fmt: skip
        for analyte, usual in FRESH.items():
            own = between / 3 if analyte.startswith("visc") else between
            true = usual * np.exp(own * rng.standard_normal()) * other.get(k, {}).get(analyte, 1.0)
            noise = 0.005 if analyte.startswith("visc") else 0.03
            said = true * np.exp(noise * rng.standard_normal()) + LABORATORY.get(analyte, 0.0) * rng.standard_normal()
            row[analyte] = round(max(said, 0.0), 1)
        rows.append(row)
    return rows


def fleet(make_fleet: Callable[..., Fleet], rows: list[dict], services: list[dict] | None = None) -> Fleet:
    machines = [{"machine": m, "site": s} for m, s in (("M1", "north"), ("M2", "south"))]
    places = [{"compartment": f"{m}/hydraulic", "machine": m, "kind": "hydraulic", "fluid": "hydraulic oil",
               "grade": "ISO VG 46"} for m in ("M1", "M2")]  # fmt: skip
    return make_fleet(sites=[{"site": "north"}, {"site": "south"}], machines=machines, compartments=places,
                      baselines=rows, services=services or []).as_of(DAY)  # fmt: skip


def registered(known: Fleet) -> pd.DataFrame:
    results = batch_results(known, empty("fresh"))
    check(results, "batch_results")
    out = batch_register(known, results)
    check(out, "batches")
    return out.set_index("batch")


def each_registered(make_fleet: Callable[..., Fleet], fleets: list[list[dict]]) -> list[pd.DataFrame]:
    """The registers of several fleets, laid beside one another as so many products of one fleet: each product is held
    against its own deliveries alone.
    """
    products = [f"hydraulic oil {n}" for n in range(len(fleets))]
    rows = [
        row | {"fluid": product, "baseline": f"{product} {row['baseline']}"}
        for product, own in zip(products, fleets, strict=True)
        for row in own
    ]
    found = registered(fleet(make_fleet, rows))
    return [found[found["fluid"] == product] for product in products]


def test_fleets_laid_beside_one_another_are_as_each_by_itself(make_fleet) -> None:
    fleets = [deliveries(np.random.default_rng(seed), 8, 0.05, {6: {"Si_ppm": 4.0}}) for seed in range(3)]
    alone = [registered(fleet(make_fleet, rows)) for rows in fleets]
    for one, beside in zip(alone, each_registered(make_fleet, fleets), strict=True):
        pd.testing.assert_frame_equal(one.drop(columns="fluid"), beside.drop(columns="fluid"))


@some_or_all("planted", [("Si_ppm", 4.0), ("visc40_cSt", 1.2), ("Zn_ppm", 0.5), ("water_ppm", 10.0)], first=2)
def test_a_batch_that_differs_is_named_with_its_result(make_fleet, planted) -> None:
    """The seventh of eight deliveries, in at least 19 of 20 fleets; the one after it is not called with it."""
    (analyte, times), named, after = planted, 0, 0
    fleets = [deliveries(np.random.default_rng(seed), 8, 0.05, {6: {analyte: times}}) for seed in range(20)]
    for found in each_registered(make_fleet, fleets):
        hit = found.loc["D-6"]
        named += hit["found"] in (DIFFERS, OFF_GRADE) and hit["analyte"] == analyte and hit["by_luck"] < 0.02
        after += found.loc["D-7", "found"] == USUAL
    assert named >= 19
    assert after >= 18


@some_or_all("between", [0.05, 0.02, 0.08])
@short_or_full("fleets", 25, 100)
def test_clean_batches_are_not_accused(make_fleet, fleets: int, between: float) -> None:
    """Eight deliveries a fleet whose contents scatter less than, as, and more than is taken as usual: 5 % at most."""
    called = batches = 0
    clean = [deliveries(np.random.default_rng(seed), 8, between, {}) for seed in range(500, 500 + fleets)]
    for found in each_registered(make_fleet, clean):
        called += int(found["found"].isin([DIFFERS, CHANGED, OFF_GRADE]).sum())
        batches += len(found)
    assert batches >= 200
    assert called <= 0.05 * batches


def test_a_fluid_made_anew_is_called_once_and_is_usual_from_then_on(make_fleet) -> None:
    """From the sixth delivery on twice the calcium: the sixth differs, the seventh says so, the eighth is as usual."""
    rng = np.random.default_rng(1)
    found = registered(fleet(make_fleet, deliveries(rng, 9, 0.03, {k: {"Ca_ppm": 2.0} for k in range(5, 9)})))
    assert found.loc[[f"D-{k}" for k in (4, 5, 6, 7, 8)], "found"].tolist() == [USUAL, DIFFERS, CHANGED, USUAL, USUAL]
    assert "the batch before it looked the same" in found.loc["D-6", "words"]


def test_a_first_batch_is_held_against_its_grade_and_else_said_to_stand_alone(make_fleet) -> None:
    rows = deliveries(np.random.default_rng(2), 1, 0.0, {})
    assert registered(fleet(make_fleet, rows)).loc["D-0", "found"] == ALONE
    thin = [rows[0] | {"visc40_cSt": 32.0}]
    row = registered(fleet(make_fleet, thin)).loc["D-0"]
    assert (row["found"], row["analyte"], row["low"], row["high"]) == (OFF_GRADE, "visc40_cSt", 41.4, 50.6)
    edge = [rows[0] | {"visc40_cSt": 41.2}]  # within what two laboratories may differ by
    assert registered(fleet(make_fleet, edge)).loc["D-0", "found"] == ALONE


def test_a_first_batch_is_held_against_what_used_bottles_say(make_fleet) -> None:
    fresh = pd.DataFrame([{"site": "north", "fluid": "hydraulic oil", "grade": "ISO VG 46", "analyte": a,
                           "fresh": FRESH[a], "n": 9, "basis": "young bottles", "words": ""}
                          for a in ("Zn_ppm", "visc40_cSt", "Si_ppm")])  # fmt: skip
    rows = deliveries(np.random.default_rng(2), 1, 0.0, {0: {"Zn_ppm": 0.2, "Si_ppm": 0.1}})
    known = fleet(make_fleet, rows)
    results = batch_results(known, fresh)
    assert sorted(results["analyte"]) == ["Zn_ppm", "visc40_cSt"], "silicon in used bottles is dirt too"
    row = batch_register(known, results).iloc[0]
    assert (row["found"], row["analyte"]) == (DIFFERS, "Zn_ppm")


def test_two_laboratories_are_not_taken_for_two_fluids(make_fleet) -> None:
    """A laboratory that reads all metals 15 % higher measures the newest batch."""
    fleets = [deliveries(np.random.default_rng(seed), 6, 0.03, {}) for seed in range(40)]
    for rows in fleets:
        rows[-1] |= {"lab": "other"} | {a: round(1.15 * rows[-1][a], 1) for a in FRESH if a.endswith("_ppm")}
    assert sum(found.loc["D-5", "found"] != USUAL for found in each_registered(make_fleet, fleets)) <= 2


def test_where_a_batch_went_and_what_nobody_registered(make_fleet) -> None:
    rows = deliveries(np.random.default_rng(3), 4, 0.03, {})
    waiting = {**{k: rows[0][k] for k in ("site", "fluid", "grade")}, "baseline": "N9", "batch": "D-9",
               "delivered_on": DAY - pd.Timedelta(days=3)}  # fmt: skip
    work = [
        {"service": "A", "compartment": "M1/hydraulic", "done_on": "2026-05-02", "kind": "change", "batch": "d-2 "},
        {"service": "B", "compartment": "M1/hydraulic", "done_on": "2026-05-09", "kind": "top-up", "batch": "D-2",
         "fluid": "hydraulic oil"},
        {"service": "C", "compartment": "M2/hydraulic", "done_on": "2026-05-12", "kind": "change", "batch": "D-77"},
        {"service": "D", "compartment": "M2/hydraulic", "done_on": "2026-05-20", "kind": "change"},
    ]  # fmt: skip
    found = registered(fleet(make_fleet, [*rows, waiting], work))
    assert found.loc["D-2", ["filled", "compartments"]].tolist() == [1, "M1/hydraulic"]
    assert found.loc["D-2", "first_filled_on"] == pd.Timestamp("2026-05-02")
    assert found.loc["D-9", "found"] == NO_RESULT
    assert found.loc["D-77", ["found", "compartments"]].tolist() == [UNREGISTERED, "M2/hydraulic"]
    assert "register it in baselines" in found.loc["D-77", "words"]
    assert len(found) == 6


def test_a_batch_is_judged_by_what_was_known_on_the_day(make_fleet) -> None:
    rows = deliveries(np.random.default_rng(4), 6, 0.03, {5: {"Si_ppm": 5.0}})
    whole = fleet(make_fleet, rows)
    before = make_fleet(sites=[{"site": "north"}], baselines=rows).as_of(DAY - pd.Timedelta(days=28))
    assert registered(whole).loc["D-5", "found"] == DIFFERS
    assert "D-5" not in registered(before).index, "its result was not in yet, and so was the whole row"


def test_a_fleet_without_a_register_has_the_same_tables(make_fleet) -> None:
    known = fleet(make_fleet, [])
    assert registered(known).empty
