"""Properties of reading, by random tables: what we write reads back the same, and whatever is done to a file, no row
goes without a reason.
"""

import io
import unicodedata
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from cmkit.errors import RecordsError
from cmkit.records.fleet import Fleet
from cmkit.records.reading.load import load_fleet
from cmkit.records.storing.store import take_in
from cmkit.records.storing.versions import read_store
from cmkit.tables.records import TABLES

TODAY = date(2026, 1, 31)
PLACES = ["WL-01/engine", "WL-01/final drive/left", "WL-01/final drive/right"]
QUIET = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]

# text as people write it: no surrounding blanks (they are taken off), no line breaks, none of the words for "nothing"
_TEXT = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp", "Cf"]), min_size=1, max_size=12
).map(lambda text: unicodedata.normalize("NFC", text))  # as every text of a file is read
_DAY = st.dates(date(2024, 1, 2), date(2026, 1, 31))
_IRON = st.one_of(st.none(), st.tuples(st.decimals(0, 20000, places=2), st.booleans()))


@st.composite
def bottles(draw: Callable) -> list[dict]:
    numbers = draw(st.lists(_TEXT, min_size=1, max_size=6, unique_by=lambda t: t.casefold()))
    rows = []
    for number in numbers:
        drawn = draw(_DAY)
        iron = draw(_IRON)
        rows.append(
            {
                "sample": number,
                "compartment": draw(st.sampled_from(PLACES)),
                "drawn_on": drawn.isoformat(),
                "meter_h": draw(st.one_of(st.just(""), st.integers(0, 99999).map(str))),
                "note": draw(st.one_of(st.just(""), _TEXT)),
                "Fe_ppm": "" if iron is None else ("<" if iron[1] and iron[0] > 0 else "") + str(iron[0]),
            }
        )
    return rows


def written(rows: list[dict], how: str) -> bytes:
    frame = pd.DataFrame(rows, dtype=object)
    if how == "xlsx":
        buffer = io.BytesIO()
        options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
        with xlsxwriter.Workbook(buffer, options) as book:
            sheet = book.add_worksheet("samples")
            for i, row in enumerate([list(frame.columns), *frame.values.tolist()]):
                for j, cell in enumerate(row):
                    sheet.write_string(i, j, cell)
        return buffer.getvalue()
    if how == "parquet":
        return frame.astype("str").to_parquet(index=False)
    separator, encoding = {"csv": (",", "utf-8"), "semicolon": (";", "utf-8-sig"), "tab": ("\t", "utf-16")}[how]
    return frame.to_csv(index=False, sep=separator, lineterminator="\r\n").encode(encoding)


@pytest.mark.parametrize("how", ["csv", "semicolon", "tab", "xlsx", "parquet"])
@settings(max_examples=6, deadline=None, suppress_health_check=QUIET)
@given(rows=bottles())
def test_what_is_written_is_read(write: Callable[..., Path], how: str, rows: list[dict]) -> None:
    folder = write({"samples.csv": None})
    for old in folder.glob("samples.*"):
        old.unlink()
    ending = how if how in ("xlsx", "parquet") else "csv"
    (folder / f"samples.{ending}").write_bytes(written(rows, how))
    fleet = load_fleet(folder, TODAY)
    assert fleet.set_aside.empty, fleet.set_aside.iloc[0].to_dict()
    got = fleet.samples.set_index("sample")
    assert len(got) == len(rows)
    for row in rows:
        mine = got.loc[row["sample"]]
        assert (mine["compartment"], f"{mine['drawn_on']:%Y-%m-%d}") == (row["compartment"], row["drawn_on"])
        assert ("" if pd.isna(mine["note"]) else mine["note"]) == row["note"]
        assert ("" if pd.isna(mine["meter_h"]) else str(int(mine["meter_h"]))) == row["meter_h"]
        if row["Fe_ppm"]:
            assert mine["Fe_ppm"] == float(row["Fe_ppm"].lstrip("<"))
        else:
            assert pd.isna(mine["Fe_ppm"])
        assert mine["Fe_ppm_below"] == row["Fe_ppm"].startswith("<")


@settings(max_examples=6, deadline=None, suppress_health_check=QUIET)
@given(rows=bottles())
def test_a_fleet_written_out_and_taken_in_is_the_same(
    write: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory, rows: list[dict]
) -> None:
    folder = write({"samples.csv": written(rows, "csv")})
    first = load_fleet(folder, TODAY)
    second = tmp_path_factory.mktemp("again")
    (second / "fleet.toml").write_bytes((folder / "fleet.toml").read_bytes())
    for name in TABLES:
        getattr(first, name).drop(columns=["file", "row"], errors="ignore").to_csv(second / f"{name}.csv", index=False)
    take_in(second, today=TODAY)
    for back in (load_fleet(second, TODAY), read_store(second / "store")):
        for name in TABLES:
            drop = ["file", "row"] if name == "samples" else []
            pd.testing.assert_frame_equal(
                getattr(back, name).drop(columns=drop), getattr(first, name).drop(columns=drop), obj=name
            )


LAYOUT = """files = "lab*"
separator = "comma"
decimal = "."
[columns]
"No" = "sample"
"Where" = "compartment"
"When" = "drawn_on"
"Reported" = "reported_on"
[long]
test = "Test"
value = "Result"
unit = "Unit"
[tests]
"Iron" = "Fe_ppm"
"Water" = "water_ppm"
"""


def balanced(fleet: Fleet) -> bool:
    lost = fleet.set_aside[fleet.set_aside["what"] == "row"].drop_duplicates(["file", "row"])["file"].value_counts()
    counts = fleet.counts.set_index("file")
    return bool((counts["read"] - counts["used"]).eq(lost.reindex(counts.index).fillna(0)).all())


@settings(max_examples=20, deadline=None, suppress_health_check=QUIET)
@given(
    rows=st.lists(
        st.tuples(st.sampled_from(["A", "B", ""]), st.sampled_from([*PLACES[:2], "x"]),
        st.sampled_from(["2025-01-10", "2031-01-01", "x"]),
                  st.sampled_from(["2025-01-15", "2025-01-20", ""]),
                  st.sampled_from(["Iron", "Water", "Colour", "iron ", ""]),
                  st.sampled_from(["1", "<1", "ND", "-4", "x", "", "1e9"]), st.sampled_from(["ppm", "%", "miles", ""])),
        max_size=10,
    ),
    cut=st.integers(0, 40),
)  # fmt: skip
def test_a_file_with_one_row_a_result_loses_none(write: Callable[..., Path], rows: list[tuple], cut: int) -> None:
    text = "No,Where,When,Reported,Test,Result,Unit\n" + "".join(",".join(r) + "\n" for r in rows)
    folder = write({"layouts/lab.toml": LAYOUT})
    (folder / "inbox").mkdir(exist_ok=True)
    (folder / "inbox" / "lab.csv").write_text(text[: len(text) - cut] if cut < 20 else text)
    try:
        fleet = load_fleet(folder, TODAY)
    except RecordsError:
        assume(False)
    assert balanced(fleet)
    if cut >= 20:
        read = fleet.counts.set_index("file")["read"].get("inbox/lab.csv", 0)
        assert read == sum(any(c.strip() for c in r) for r in rows)
    known = fleet.as_of("2025-12-31")
    assert not known.samples["sample"].duplicated().any()
    assert (known.counts["read"] == known.counts["used"] + known.counts["set_aside"]).all()
