"""Headings, words and units that laboratories and workshops are known to write (common practice, no source), each
proposed as what it is.
"""

from pathlib import Path

import pytest

from cmkit.records.reading.headings import heading_guess
from cmkit.records.reading.match import Proposal, propose_layout
from cmkit.records.reading.proposing import propose
from cmkit.records.reading.table_words import table_heading


@pytest.mark.parametrize(
    ("heading", "to"),
    [
        ("Lab No", "lab_no"), ("Recd", "received_on"), ("Alum", "Al_ppm"), ("Potass.", "K_ppm"), ("Phos", "P_ppm"),
        ("Moly", "Mo_ppm"), ("Magnes", "Mg_ppm"),
        ("Kin. visc. 40", "visc40_cSt"), ("Kin. visc. 100", "visc100_cSt"), ("Kin. visc. @ 40 C", "visc40_cSt"),
        ("Kin visc 100C (cSt)", "visc100_cSt"),
        ("PQ", "ferrous_index"), ("PQ Index", "ferrous_index"), ("ISO 4406", "iso4406"), ("ISO Code", "iso4406"),
        ("ISO 4", "p4_code"), ("ISO >14", "p14_code"),
        ("SMR", "meter_h"), ("SMU", "meter_h"), ("Glycol", "glycol_vol_pct"), ("Glycol in oil", "glycol_pct"),
    ],
)  # fmt: skip
def test_a_laboratorys_heading_is_known(heading: str, to: str) -> None:
    assert heading_guess(heading)[0] == to


@pytest.mark.parametrize(
    ("table", "heading", "to", "unit"),
    [
        ("register", "Oil capacity (US gal)", "capacity_l", "US gal"),
        ("register", "Capacity (qts)", "capacity_l", "qts"), ("register", "Plant No", "machine", ""),
        ("services", "Qty (quarts)", "volume_l", "quarts"), ("services", "Litres", "volume_l", ""),
        ("services", "WO", "service", ""), ("services", "Work done", "kind", ""),
        ("meters", "SMU", "meter_h", ""), ("meters", "Meter changed", "new_meter", ""),
        ("findings", "Root cause", "cause", ""),
    ],
)  # fmt: skip
def test_a_workshops_heading_is_known(table: str, heading: str, to: str, unit: str) -> None:
    assert table_heading(table, heading)[:2] == (to, unit)


def proposed(tmp_path: Path, headings: str, *rows: str) -> Proposal:
    path = tmp_path / "x.csv"
    path.write_text("\n".join([f"Bottle,Point,Sampled,Fe,{headings}",
    *(f"A{i},P,2025-03-0{i + 1},2{i},{r}" for i, r in enumerate(rows))]) + "\n")  # fmt: skip
    return propose_layout(path)


def meant(proposal: Proposal) -> dict[str, str]:
    return {g.heading: g.to for g in proposal.columns}


@pytest.mark.parametrize(
    ("headings", "rows", "to"),
    [
        ("Soot,Glycol", ("0.3,ND", "0.4,ND"), "glycol_pct"),  # other results of oils
        ("Cu,Glycol", ("3,0.1", "4,trace"), "glycol_pct"),  # traces
        ("Cu,Glycol", ("3,N/D", "4,N/D"), "glycol_pct"),
        ("Cu,Glycol", ("3,50", "4,48"), "glycol_vol_pct"),  # a coolant's strength
        ("pH,Glycol", ("8.4,0", "8.5,2"), "glycol_vol_pct"),  # coolants, however weak
        ("Soot,Coolant glycol in coolant,Glycol", ("1,50,0", "1,49,0"), "glycol_pct"),
    ],
)
def test_bare_glycol_is_what_the_file_is_of(tmp_path: Path, headings: str, rows: tuple[str, ...], to: str) -> None:
    assert meant(proposed(tmp_path, headings, *rows))["Glycol"] == to


def test_words_some_laboratories_use_are_proposed_and_limits_kept(tmp_path: Path) -> None:
    """`N/D` and `trace` go to the layout's word list for a person to see; `>1000` needs none: it is a result above a
    limit.
    """
    found = proposed(tmp_path, "Cu,Water (ppm)", "3,N/D", "trace,>1000")
    assert found.not_detected == ("N/D", "trace")
    assert "'N/D', 'trace': proposed as words for 'not detected'" in found.doubts
    assert all(g.share == 1 for g in found.columns), "every cell can be read"


@pytest.mark.parametrize(("heading", "asked"), [("Fill (gal)", True), ("Fill (US gal)", False), ("Fill (imp gal)",
False), ("Fill (quarts)", False), ("Fill (l)", False)])  # fmt: skip
def test_which_gallons_is_asked_only_where_it_is_open(tmp_path: Path, heading: str, asked: bool) -> None:
    path = tmp_path / "log.csv"
    path.write_text(f"Date,Unit,Component,Work done,{heading}\n2025-03-01,W1,Engine,oil "
    f"change,10\n2025-03-02,W1,Engine,topped up,1\n")  # fmt: skip
    found = propose(path, table="services")
    assert ('gallon = ""' in found.toml) is asked
    assert any("US" in d and "imperial" in d for d in found.doubts) is asked
