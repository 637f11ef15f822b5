"""The field sheet of a round: an XLSX with drop-down lists that goes out empty and comes back filled, and every slip in it said in words."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import xlsxwriter

from cmkit.errors import WrongFile
from cmkit.practice.rounds import bottle_number
from cmkit.records.fleet import Fleet
from cmkit.records.tables import LEVELS, METHODS

SHEET = "round"
GIVEN = ["bottle", "site", "machine", "compartment", "side", "how", "due_meter_h"]
FILLED = [
    "drawn_on",
    "meter_h",
    "fluid_h",
    "makeup_l",
    "method",
    "fluid_level",
    "sampler",
    "seal_inspected",
    "plug_torqued",
    "note",
]
_LISTS = {"method": METHODS, "fluid_level": LEVELS, "seal_inspected": ("yes", "no"), "plug_torqued": ("yes", "no")}
_NUMBERS = ("meter_h", "fluid_h", "makeup_l")
_WIDTHS = {"compartment": 34, "side": 26, "note": 40, "bottle": 12}


def write_field_sheet(cards: pd.DataFrame, path: Path, made: pd.Timestamp) -> None:
    """An empty field sheet for `cards` (frame of `practice.rounds`): one row a bottle, lists where only certain words are wanted.

    Text is written as text, never as a formula or link. made: the day it says it was made, so that the same cards give the same bytes.
    """
    book = xlsxwriter.Workbook(str(path), {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    book.set_properties({"created": made.to_pydatetime()})
    sheet = book.add_worksheet(SHEET)
    head, fill = book.add_format({"bold": True, "bottom": 1, "text_wrap": True}), book.add_format({"border": 4})
    day = book.add_format({"border": 4, "num_format": "yyyy-mm-dd"})
    rows = cards.assign(how=cards["method"] + cards["pump"].map(lambda p: f" ({p})" if p else ""))
    for j, name in enumerate(GIVEN + FILLED):
        sheet.write_string(0, j, name, head)
        sheet.set_column(j, j, _WIDTHS.get(name, 14))
    for i, row in enumerate(rows[GIVEN].itertuples(index=False), start=1):
        for j, value in enumerate(row):
            if isinstance(value, str):
                sheet.write_string(i, j, value)
            elif pd.notna(value):
                sheet.write_number(i, j, round(float(value)))
        for j in range(len(GIVEN), len(GIVEN) + len(FILLED)):
            sheet.write_blank(i, j, None, day if FILLED[j - len(GIVEN)] == "drawn_on" else fill)
    for name, words in _LISTS.items():
        j = (GIVEN + FILLED).index(name)
        choice = {
            "validate": "list",
            "source": list(words),
            "error_title": "Not in the list",
            "error_message": f"One of: {', '.join(words)}",
        }
        sheet.data_validation(1, j, max(len(rows), 1), j, choice)
    sheet.freeze_panes(1, 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    book.close()


@dataclass(frozen=True)
class FieldSheet:
    """A filled sheet: `samples` (rows of the samples table, results still empty) and `slips` (row, bottle, compartment, words)."""

    samples: pd.DataFrame
    slips: pd.DataFrame


def read_field_sheet(path: Path, known: Fleet, last: pd.DataFrame, today: pd.Timestamp) -> FieldSheet:
    """A field sheet that came back, checked against what is known. Rows that were not drawn (no date) are left out with a slip.

    last: compartment, last_meter_h (newest meter reading of its machine). A slip is a question to the person who drew the bottle; the
    row is kept unless it cannot be used (unknown compartment, no readable date). Raises WrongFile when it is no field sheet.
    """
    try:
        raw = pd.read_excel(path, sheet_name=SHEET, engine="calamine", dtype=object)
    except Exception as error:  # calamine raises its own types; whatever it is, the file is not a field sheet
        raise WrongFile(
            f"{path}: not a field sheet with a sheet named '{SHEET}' ({error}). Send back the XLSX that came with the round."
        ) from error
    missing = [c for c in GIVEN[:1] + GIVEN[3:4] + FILLED if c not in raw.columns]
    if missing:
        raise WrongFile(
            f"{path}: columns {', '.join(missing)} are missing. Send back the XLSX that came with the round, headings unchanged."
        )
    context = _Context(known, last.set_index("compartment")["last_meter_h"].to_dict(), today)
    rows, slips, undrawn = [], [], []
    for number, row in enumerate(raw.to_dict("records"), start=2):
        if not any(_text(row[name]) for name in FILLED):
            undrawn.append(str(number))
            continue
        found, words = _read_row(row, context)
        place = {"row": number, "bottle": _text(row["bottle"]), "compartment": _text(row["compartment"])}
        slips += [place | {"words": w} for w in words]
        if found:
            rows.append(found)
    if undrawn:
        empty = f"left empty and taken as not drawn: {', '.join(undrawn)}"
        slips.append({"row": int(undrawn[0]), "bottle": "", "compartment": "", "words": empty})
    columns = [
        "sample",
        "compartment",
        "drawn_on",
        "meter_h",
        "fluid_h",
        "makeup_l",
        "method",
        "sampler",
        "fluid_level",
        "reported_on",
        "note",
    ]
    return FieldSheet(
        pd.DataFrame(rows, columns=columns), pd.DataFrame(slips, columns=["row", "bottle", "compartment", "words"])
    )


@dataclass(frozen=True)
class _Context:
    known: Fleet
    last_meter: dict[str, float]
    today: pd.Timestamp


def _text(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value).strip()


def _number(text: str) -> float:
    """A number as people write it: decimal comma or point, and marks between thousands where both stand in it; NaN when it is none."""
    if "," in text and "." in text:
        mark = "." if text.rfind(",") > text.rfind(".") else ","
        text = text.replace(mark, "")
    return float(pd.to_numeric(text.replace(",", ".") or None, errors="coerce"))


def _read_row(row: dict, context: _Context) -> tuple[dict | None, list[str]]:
    """The samples row, or None, and the slips found in it."""
    compartment, bottle = _text(row["compartment"]), _text(row["bottle"])
    places = context.known.compartments.set_index("compartment")
    if compartment not in places.index:
        return None, [f"'{compartment}' is no compartment of this fleet; the row is not used. Which one was it?"]
    drawn = pd.to_datetime(_text(row["drawn_on"]), errors="coerce")
    if pd.isna(drawn):
        return None, [
            f"no readable date ('{_text(row['drawn_on'])}'); taken as not drawn. Wanted a day such as 2026-06-30."
        ]
    place, words = places.loc[compartment], []
    numbers = {n: _number(_text(row[n])) for n in _NUMBERS}
    words += [
        f"{n} '{_text(row[n])}' is not a number; left empty." for n in _NUMBERS if _text(row[n]) and pd.isna(numbers[n])
    ]
    words += _bottle_slips(bottle, compartment, drawn, context)
    words += _hour_slips(drawn, numbers["meter_h"], context.last_meter.get(compartment), context.today)
    words += _handling_slips(row, place, context.known)
    listed = {n: _text(row[n]) if _text(row[n]) in _LISTS[n] else "" for n in ("method", "fluid_level")}
    words += [
        f"{n} '{_text(row[n])}' is not in the list ({', '.join(_LISTS[n])}); left empty."
        for n in listed
        if _text(row[n]) and not listed[n]
    ]
    found = {"sample": bottle, "compartment": compartment, "drawn_on": drawn.normalize(), **numbers, **listed, "sampler": _text(row["sampler"]),
             "reported_on": context.today, "note": _text(row["note"])}  # fmt: skip
    return found, words


def _bottle_slips(bottle: str, compartment: str, drawn: pd.Timestamp, context: _Context) -> list[str]:
    """A number given out for another compartment is most likely the other side's bottle."""
    days = pd.date_range(drawn - pd.Timedelta(days=92), context.today)
    for other in context.known.compartments["compartment"]:
        if bottle in {bottle_number(other, day) for day in days}:
            if other == compartment:
                return []
            return [
                f"bottle {bottle} was given out for {other}, the row says {compartment}. Right machine and right side? Sides are told from the operator's seat."
            ]
    return [f"bottle {bottle} was not given out for a round that fits the day; check the number on the label."]


def _hour_slips(drawn: pd.Timestamp, meter: float, last: float | None, today: pd.Timestamp) -> list[str]:
    if drawn > today:
        return [f"drawn on {drawn:%Y-%m-%d}, which is still to come; check the date."]
    if pd.isna(meter):
        return ["meter hours are missing; without them no wear rate can be worked out."]
    if last is not None and meter < last:
        return [f"meter {meter:,.0f} h is below the last known {last:,.0f} h; read it again (or note a new meter)."]
    return []


def _handling_slips(row: dict, place: pd.Series, known: Fleet) -> list[str]:
    words = []
    if _text(row["fluid_level"]) == "low" and known.settings.kind(place["kind"]).sealed:
        words.append(
            "found low: a sealed compartment has no other way to lose fluid. Leak suspected; look for it before topping up."
        )
    if _text(row["method"]) == "drain stream":
        words.append(
            "drawn from the drain stream: it shows what lay at the bottom. Draw a repeat bottle by pump or probe."
        )
    if _text(row["method"]) == "pump" and place["pressurised"] is True:
        words.append("drawn by pump although there is a valve for a probe; say why in the note.")
    if not _text(row["fluid_level"]):
        words.append("level was not noted.")
    return words


def save_field_sheet(sheet: FieldSheet, folder: Path) -> Path:
    """Write a checked sheet's rows into a fleet folder's `samples/`, named by content so that the same sheet twice is one file.

    Raises WrongFile when the fleet keeps its samples in one file, to which nothing is added unasked.
    """
    single = [
        folder / f"samples{kind}" for kind in (".csv", ".xlsx", ".parquet") if (folder / f"samples{kind}").exists()
    ]
    if single:
        raise WrongFile(
            f"{single[0]}: this fleet keeps its samples in one file. Move it into a folder samples/ and try again; nothing was written."
        )
    text = sheet.samples.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n")
    path = folder / "samples" / f"field-{hashlib.sha256(text.encode()).hexdigest()[:12]}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def newest_meters(known: Fleet, hours: pd.DataFrame) -> pd.DataFrame:
    """compartment, last_meter_h: the newest usable meter hours of each compartment's machine, from bottles (`screen_hours`) and readings."""
    places = known.compartments[["compartment", "machine"]]
    bottles = (
        hours[hours["usable"]].merge(places, on="compartment").merge(known.samples[["sample", "drawn_on"]], on="sample")
    )
    seen = pd.concat(
        [
            bottles.rename(columns={"drawn_on": "on"})[["machine", "on", "meter_h"]],
            known.meters.rename(columns={"read_on": "on"})[["machine", "on", "meter_h"]],
        ],
        ignore_index=True,
    )
    last = seen.sort_values(["machine", "on", "meter_h"]).drop_duplicates("machine", keep="last")
    return places.merge(last, on="machine").rename(columns={"meter_h": "last_meter_h"})[["compartment", "last_meter_h"]]
